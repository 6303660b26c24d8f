"""How much of the sample before shows in a result: the high-low design of 21 runs.

Take logarithms for viscosity, since a small residue mixes roughly in ln ν; densities as they are, since they are linear
in the volume fraction.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike

from labcalc.statistics.series import Array, finite_series

HIGH_LOW_ORDER = "LLLHHLHHLLLLHHLHHLHHL"
"""The published order of 21 runs, low and high: five lows after a low, five lows after a high, five highs after a
high; the first low only cleans."""

_LIMIT_DEVIATIONS = 3.0  # standard deviations of the low after low that the lows after a high may be apart


@dataclass(frozen=True)
class HighLowCarryOver:
    """What the high-low design found, [unit of the results]; shares in [-]."""

    low_after_low: float
    low_after_high: float
    high_after_high: float
    deviation: float
    """Standard deviation of the lows after a low. Carry-over that dies away over several of them inflates it, so a
    large carry-over hides a part of itself: look at the single lows too."""
    share: float  # k = (mean HL - mean LL) / (mean HH - mean LL)

    @property
    def difference(self) -> float:
        """How far the lows after a high are from the lows after a low."""
        return self.low_after_high - self.low_after_low

    @property
    def limit(self) -> float:
        """Three standard deviations of the lows after a low."""
        return _LIMIT_DEVIATIONS * self.deviation

    @property
    def passes(self) -> bool:
        """The difference is within the limit."""
        return abs(self.difference) <= self.limit


@dataclass(frozen=True)
class DesignStep:
    """One run of the design, as an analyst follows it."""

    number: int
    sample: str
    counts_as: str  # what its result is used for

    @property
    def sentence(self) -> str:
        """The step in words."""
        return f"{self.number}. Measure {self.sample}, then clean as always, no more and no less: {self.counts_as}."


def high_low_steps(thick: str, thin: str) -> tuple[DesignStep, ...]:
    """Return the 21 runs, [-], of the high-low design in the order to measure them, all on one instrument.

    thick : Name of the thick oil.
    thin : Name of the thin oil; ten times thinner or more shows the most.
    """
    names = {"H": thick, "L": thin}
    return tuple(
        DesignStep(number, names[step], _USES.get(before + step, "cleans the cell, not used"))
        for number, (before, step) in enumerate(zip(" " + HIGH_LOW_ORDER[:-1], HIGH_LOW_ORDER, strict=True), 1)
    )


_USES = {
    "LL": "thin after thin, the level to compare with",
    "HL": "thin after thick",
    "HH": "thick after thick, the other level",
    "LH": "prepares the next, not used",
}


def high_low_carry_over(results: ArrayLike, *, order: str = HIGH_LOW_ORDER) -> HighLowCarryOver:
    r"""Return what a high-low design found: means and difference, [unit of the results], and the share, [-].

    .. math:: k = \frac{\bar y_{HL} - \bar y_{LL}}{\bar y_{HH} - \bar y_{LL}}

    results : Results in the order of measurement, [any unit]; of viscosities the logarithms.
    order : ``H`` and ``L`` in the order of measurement, one for each result.
    Raises ValueError : Another number of results than of steps, a step that is neither ``H`` nor ``L``, a result that
        is not finite, fewer than two lows after a low, no low after a high, no high after a high, or both levels equal.
    Source : The 21 runs and the limit of 3 SD(LL): SMILE guideline Equ59-01 (seen); the formula for k from its means.

    >>> found = high_low_carry_over([10, 10.01, 10, 99.6, 100, 10.36, 10.02, 99.6, 100.0], order="LLLHHLLHH")
    >>> round(found.share, 4), found.passes
    (0.0039, False)
    """
    series = finite_series(results, 1, "a high-low design")
    if strange := set(order) - {"H", "L"}:
        raise ValueError(f"step {sorted(strange)[0]!r} in the order: 'H' or 'L' was expected")
    if series.size != len(order):
        raise ValueError(f"{series.size} results for {len(order)} steps: a result for each was expected")
    found = {pair: _after(series, order, pair) for pair in ("LL", "HL", "HH")}
    for pair, least in (("LL", 2), ("HL", 1), ("HH", 1)):
        if found[pair].size < least:
            raise ValueError(f"{found[pair].size} results of {pair[1]} after {pair[0]}: {least} or more were expected")
    low, after_high, high = (float(np.mean(found[pair])) for pair in ("LL", "HL", "HH"))
    if high == low:
        raise ValueError(f"high and low both give {low:g}: two levels were expected")
    deviation = float(np.std(found["LL"], ddof=1))
    return HighLowCarryOver(low, after_high, high, deviation, (after_high - low) / (high - low))


def _after(series: Array, order: str, pair: str) -> Array:
    follows = np.array([before + step == pair for before, step in pairwise(order)], dtype=bool)
    return np.asarray(series[1:][follows])
