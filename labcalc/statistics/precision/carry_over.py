"""How much of the sample before shows in a result: from routine results, from a high-low design, from three steps.

Take logarithms for viscosity, since a small residue mixes roughly in ln ν; densities as they are, since they are linear
in the volume fraction.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.statistics.precision.carried_shares import CarriedShare, shares_over_time, within_materials
from labcalc.statistics.series import finite_series

_Array = NDArray[np.float64]

HIGH_LOW_ORDER = "LLLHHLHHLLLLHHLHHLHHL"
"""The published order of 21 runs, low and high: five lows after a low, five lows after a high, five highs after a
high; the first low only cleans."""

_LIMIT_DEVIATIONS = 3.0
"""Standard deviations of the low after low that the lows after a high may be apart."""


@dataclass(frozen=True)
class PreviousRegression:
    """A regression on the previous result: the share, the level of each material, and the scatter about them."""

    share: CarriedShare
    levels: Mapping[str, float]
    """What each material gives without carry-over, T; NaN where the share is unknown."""
    deviation: float
    """Standard deviation of the results about the fit, of weight 1."""
    results: int


@dataclass(frozen=True)
class HighLowCarryOver:
    """What the high-low design found, [unit of the results]; shares in [-]."""

    low_after_low: float
    low_after_high: float
    high_after_high: float
    deviation: float
    """Standard deviation of the lows after a low. Carry-over that dies away over several of them inflates it, so a
    large carry-over hides a part of itself: look at the single lows too."""
    share: float
    """k = (mean HL - mean LL) / (mean HH - mean LL)."""

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
    counts_as: str
    """What its result is used for."""

    @property
    def sentence(self) -> str:
        """The step in words."""
        return f"{self.number}. Measure {self.sample}, then clean as always, no more and no less: {self.counts_as}."


def regress_on_previous(
    results: ArrayLike,
    previous: ArrayLike,
    materials: ArrayLike,
    *,
    weights: ArrayLike | None = None,
    confidence: float = 0.95,
) -> PreviousRegression:
    r"""Return the share of the sample before in each result.

    .. math:: y_i = (1 - k) \, T_i + k \, y_{i-1}

    Parameters
    ----------
    results : array_like of float
        Results y, [any unit]; of viscosities the logarithms.
    previous : array_like of float
        What was measured before each, on the same instrument, [unit of the results].
    materials : array_like of str
        Material of each result; each has a level T of its own.
    weights : array_like of float, optional
        Weights, one over the square of a result's standard deviation up to a factor, [-], above 0; none: all alike.
    confidence : float
        Of the interval, [-].

    Returns
    -------
    PreviousRegression
        Share k, [-], levels and standard deviation, [unit of the results]; the share is NaN, with its reason, where
        the order of the runs can't tell it.

    Raises
    ------
    ValueError
        A number is not finite, a weight is not above 0, or the arrays differ in length.

    References
    ----------
    .. [1] Carry-over as IUPAC defines it: Pure Appl. Chem. 63 (1991) 301; the regression is the least-squares
       solution of that definition.

    Examples
    --------
    >>> found = regress_on_previous([10.0, 10.9, 10.0, 10.9], [10.0, 100.0, 10.0, 100.0], ["thin"] * 4)
    >>> found.share.why_not
    '2 results after a sample of another level; 6 are needed'
    """
    y, x = (finite_series(values, 1, "a regression on the previous result") for values in (results, previous))
    names = np.asarray(materials).astype(str)
    w = np.ones(y.size) if weights is None else finite_series(weights, 1, "a weighted regression")
    _refuse_unequal(y, x, names, w)
    columns = np.column_stack([x, y])
    rows = within_materials(columns, names, weights=w)
    means = {}
    for name in dict.fromkeys(names.tolist()):
        here = names == name
        means[name] = np.average(columns[here], axis=0, weights=w[here])
    apart = np.abs(x - np.array([means[name][1] for name in names.tolist()]))
    changed = apart > np.max(apart) / 2.0
    sums = shares_over_time(rows[:, :1], rows[:, 1], changed[:, np.newaxis])
    (share,) = sums.between(0, y.size, confidence=confidence)
    k = share.value
    # the fitted line meets y = x at the level: (mean y - k mean x) / (1 - k)
    levels = {name: float((mean[1] - k * mean[0]) / (1.0 - k)) for name, mean in means.items()}
    rest = float(np.nansum((rows[:, 1] - k * rows[:, 0]) ** 2))
    spread = math.sqrt(rest / share.degrees_of_freedom) if share.known else math.nan
    return PreviousRegression(share, MappingProxyType(levels), spread, y.size)


def high_low_steps(thick: str, thin: str) -> tuple[DesignStep, ...]:
    """Return the runs of the high-low design in the order to measure them.

    Parameters
    ----------
    thick : str
        Name of the thick oil.
    thin : str
        Name of the thin oil; ten times thinner or more shows the most.

    Returns
    -------
    tuple of DesignStep
        21 runs, [-], all on one instrument, one after the other, with the usual cleaning in between.

    Examples
    --------
    >>> high_low_steps("oil 1000", "oil 10")[5].sentence
    '6. Measure oil 10, then clean as always, no more and no less: thin after thick.'
    """
    names = {"H": thick, "L": thin}
    return tuple(
        DesignStep(number, names[step], _use(before, step))
        for number, (before, step) in enumerate(zip(" " + HIGH_LOW_ORDER[:-1], HIGH_LOW_ORDER, strict=True), 1)
    )


def _use(before: str, step: str) -> str:
    uses = {
        "LL": "thin after thin, the level to compare with",
        "HL": "thin after thick",
        "HH": "thick after thick, the other level",
        "LH": "prepares the next, not used",
    }
    return uses.get(before + step, "cleans the cell, not used")


def high_low_carry_over(results: ArrayLike, *, order: str = HIGH_LOW_ORDER) -> HighLowCarryOver:
    r"""Return what a high-low design found.

    .. math:: k = \frac{\bar y_{HL} - \bar y_{LL}}{\bar y_{HH} - \bar y_{LL}}

    Parameters
    ----------
    results : array_like of float
        Results in the order of measurement, [any unit]; of viscosities the logarithms.
    order : str
        ``H`` and ``L`` in the order of measurement, one for each result.

    Returns
    -------
    HighLowCarryOver
        Means, difference and its limit, [unit of the results]; share, [-].

    Raises
    ------
    ValueError
        Another number of results than of steps, a step that is neither ``H`` nor ``L``, a result that is not finite,
        fewer than two lows after a low, no low after a high, no high after a high, or both levels equal.

    References
    ----------
    .. [1] The 21 runs and the limit of 3 SD(LL): SMILE guideline Equ59-01 (seen); the formula for k from its means.

    Examples
    --------
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


def _after(series: _Array, order: str, pair: str) -> _Array:
    follows = np.array([before + step == pair for before, step in pairwise(order)], dtype=bool)
    return np.asarray(series[1:][follows])


def three_step_carry_over(high: Sequence[float], low: Sequence[float]) -> float:
    r"""Return the share by three highs and the three lows that follow.

    .. math:: k = \frac{L_1 - L_3}{H_3 - L_3}

    Parameters
    ----------
    high : sequence of float
        H1, H2, H3 in the order of measurement, [any unit]; of viscosities the logarithms.
    low : sequence of float
        L1, L2, L3, measured right after them, [unit of the results].

    Returns
    -------
    float
        Share k, [-]. It takes the third low as clean, so it is too small by the factor (1 - k²), about.

    Raises
    ------
    ValueError
        Not three of each, one that is not finite, or H3 equal to L3.

    References
    ----------
    .. [1] Broughton, P. M. G., and others: J. Clin. Pathol. 27 (1974) 218 (memory).

    Examples
    --------
    >>> round(three_step_carry_over([99.64, 100.0, 100.0], [10.36, 10.0014, 10.0]), 5)
    0.004
    """
    highs, lows = (finite_series(values, 3, "the three-step form") for values in (high, low))
    if highs.size != 3 or lows.size != 3:
        raise ValueError(f"{highs.size} highs and {lows.size} lows: three of each were expected")
    if highs[2] == lows[2]:
        raise ValueError(f"the third high and the third low both give {lows[2]:g}: two levels were expected")
    return float((lows[0] - lows[2]) / (highs[2] - lows[2]))


def _refuse_unequal(results: _Array, previous: _Array, materials: NDArray[np.str_], weights: _Array) -> None:
    if len({one.shape for one in (results, previous, materials, weights)}) > 1:
        raise ValueError(
            f"{results.size} results, {previous.size} before them, {materials.size} materials, {weights.size} weights: "
            "one for each result was expected"
        )
    if not np.all(weights > 0.0):
        raise ValueError(f"weight {float(np.min(weights)):g}: more than 0 was expected")
