"""Limits of a control chart for individual results, with their own uncertainty: from a baseline, or for a new lot."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import fdtri, ndtr, ndtri, stdtr, stdtrit

from labcalc.statistics.series import finite_series


@dataclass(frozen=True)
class ChartConstants:
    """Factors of the mean moving range of two: half width of the limits of individuals, limit of a moving range."""

    name: str
    individuals: float
    moving_range: float
    source: str


_D2 = 2.0 / math.sqrt(math.pi)
_D3 = math.sqrt(2.0 - 4.0 / math.pi)

_CONSTANTS = (
    ChartConstants("trade", 2.66, 3.27, "as used in petroleum testing, ASTM D6299 [memory]"),
    ChartConstants("handbook", 3.0 / 1.128, 3.267, "d2 = 1.128, D4 = 3.267: NIST/SEMATECH e-Handbook, 6.3.2.2"),
    ChartConstants("exact", 3.0 / _D2, 1.0 + 3.0 * _D3 / _D2, "3/d2 and 1 + 3 d3/d2 of a normal distribution"),
)
CHART_CONSTANTS: Mapping[str, ChartConstants] = MappingProxyType({one.name: one for one in _CONSTANTS})
"""The three roundings that circulate; they differ in the fourth digit of a limit."""

SigmaSource = Literal["moving range", "standard deviation", "old lot", "given"]


@dataclass(frozen=True)
class ChartLimits:
    """Centre and limits of a chart, and what they rest on.

    Centre and sigma are estimates. Limits at three sigma as if both were known give several times the false alarms that
    they promise. These stand as far out as it takes that a result of a process that hasn't changed lies beyond them
    with the same probability whatever the baseline, 0.27 % (a prediction interval); with a long baseline both are one.
    ``number`` counts the results behind the centre, 0 where it was given; ``provisional`` limits rest on too few;
    ``as_known`` sets limits at three sigma all the same.
    """

    centre: float
    centre_uncertainty: float
    sigma: float  # estimate of the standard deviation, without what the few results cost
    sigma_degrees_of_freedom: float
    tail_degrees_of_freedom: float
    """Of Student's t with sigma: those of sigma, more for a moving range, whose far tail is shorter."""
    sigma_from: SigmaSource
    mean_moving_range: float
    constants: ChartConstants
    number: int
    provisional: bool
    as_known: bool = False

    def reach(self, deviations: float = 3.0, *, weight: float = 1.0) -> float:
        """Return how many of its sigmas a result, or an EWMA, lies off as rarely as with known centre and sigma.

        deviations : Distance that is as rare with known centre and sigma, [standard deviations of the result or EWMA].
        weight : Weight of the newest result in a settled EWMA, [-]; 1 for a result.
        Returns : Distance, [standard deviations by sigma]; for an EWMA more, as its centre's error doesn't average out.
        Source : Hahn, G. J., Meeker, W. Q.: Statistical Intervals (1991), 4.7, for a result; its average by derivation.
        """
        return deviations if self.as_known else self._as_rare(deviations) * self._widening(weight)

    def _as_rare(self, deviations: float) -> float:
        if self.as_known or math.isinf(self.tail_degrees_of_freedom):
            return deviations
        return float(-stdtrit(self.tail_degrees_of_freedom, ndtr(-deviations)))

    def _widening(self, weight: float = 1.0) -> float:
        return math.sqrt(1.0 + (2.0 - weight) / (weight * self.number)) if self.number else 1.0

    @property
    def half_width(self) -> float:
        """How far either limit of an individual result lies from the centre."""
        return self.sigma * self.reach()

    @property
    def lower(self) -> float:
        return self.centre - self.half_width

    @property
    def upper(self) -> float:
        return self.centre + self.half_width

    @property
    def moving_range_upper(self) -> float:
        """Upper limit of a moving range; a lower one does not exist for a range of two."""
        return self.constants.moving_range * self.mean_moving_range * self._as_rare(3.0) / 3.0

    def chance_beyond(self, deviations: float, *, weight: float = 1.0) -> float:
        """Return how often, [-], chance alone takes a result, or an EWMA, so far from the centre on either side.

        deviations : Distance from the centre, [standard deviations by sigma of the result or of the settled EWMA], 0 or
            more.
        weight : Weight of the newest result in the EWMA, [-]; 1 for a result.
        """
        far = -deviations / self._widening(weight)
        known = math.isinf(self.tail_degrees_of_freedom)
        return 2.0 * float(ndtr(far) if known else stdtr(self.tail_degrees_of_freedom, far))

    @property
    def sigma_uncertainty(self) -> float:
        """Standard uncertainty of sigma, JCGM 100:2008, E.4.3; 0 where sigma was given."""
        return self.sigma / math.sqrt(2.0 * self.sigma_degrees_of_freedom)

    @property
    def limit_uncertainty(self) -> float:
        """Standard uncertainty of a limit at three sigma; centre and sigma are uncorrelated for normal results."""
        return math.hypot(self.centre_uncertainty, 3.0 * self.sigma_uncertainty)

    def standardised(self, results: ArrayLike) -> NDArray[np.float64]:
        """Return results as normal scores: as far out as a standard normal result that is as rare.

        results : Results, [unit of the chart].
        Returns : Scores z, [-], of the input's shape; a limit lies at ±3.
        """
        z = (np.asarray(results, dtype=float) - self.centre) / self.sigma
        if self.as_known or math.isinf(self.tail_degrees_of_freedom):
            return z if self.as_known else z / self._widening()
        return np.asarray(-np.sign(z) * ndtri(stdtr(self.tail_degrees_of_freedom, -np.abs(z) / self._widening())))


STANDARD_LIMITS = ChartLimits(0.0, 0.0, 1.0, math.inf, math.inf, "given", _D2, CHART_CONSTANTS["exact"], 0, False)
"""Limits of a chart of results that are already standardised."""


def individuals_limits(
    baseline: ArrayLike,
    *,
    sigma_from: Literal["moving range", "standard deviation"] = "moving range",
    constants: str = "trade",
    settled_at: int = 30,
    as_known: bool = False,
) -> ChartLimits:
    """Set the limits of a chart from the results of a baseline period.

    baseline : Results of the baseline in the order of measurement, one lot, [any unit], 2 or more.
    sigma_from : What estimates the spread, [-]; the moving range passes over slow drift, the standard deviation counts
        it.
    constants : Which rounding of the factors, [-]; a name in ``CHART_CONSTANTS``.
    settled_at : Number of results below which the limits are provisional, [-].
    as_known : Set limits at three sigma however few results there are.
    Returns : Limits with their constants and their own uncertainty, [unit of the results].
    Source : NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2. ISO 7870-2:2023 for the chart.
    """
    if constants not in CHART_CONSTANTS:
        raise ValueError(f"constants {constants!r}: one of {', '.join(CHART_CONSTANTS)} was expected")
    results = finite_series(baseline, 2, "a chart")
    factors = CHART_CONSTANTS[constants]
    mean_range = float(np.mean(moving_ranges(results)[1:]))
    from_range = sigma_from == "moving range"
    sigma = factors.individuals * mean_range / 3.0 if from_range else float(np.std(results, ddof=1))
    if not sigma > 0.0:
        raise ValueError(f"{results.size} results that are all {results[0]:g}: limits need results that differ")
    mean = float(np.mean(results))
    found = stated_limits(
        mean, sigma, results.size, sigma_from=sigma_from, constants=constants, settled_at=settled_at, as_known=as_known
    )
    return replace(found, mean_moving_range=mean_range)


def stated_limits(
    centre: float,
    sigma: float,
    number: int,
    *,
    sigma_from: Literal["moving range", "standard deviation"] = "moving range",
    constants: str = "trade",
    settled_at: int = 30,
    as_known: bool = False,
) -> ChartLimits:
    """Return the limits of a chart by the numbers that somebody stated of their baseline.

    centre : Mean of the baseline, [any unit].
    sigma : Its standard deviation, [unit of the centre], above 0.
    number : Its results, [-], 2 or more.
    sigma_from : What estimated sigma, [-].
    constants : Which rounding of the factors, [-]; a name in ``CHART_CONSTANTS``.
    settled_at : Number of results below which the limits are provisional, [-].
    as_known : Set limits at three sigma however few results there are.
    Returns : Limits, [unit of the centre]; the mean moving range is the one that sigma stands for.
    """
    factors, of_mean, degrees, tail = CHART_CONSTANTS[constants], sigma / math.sqrt(number), number - 1.0, number - 1.0
    if sigma_from == "moving range":
        # Fitted to 400 000 simulated baselines each of 8 to 100 results, to 1 %: a mean of ranges has a shorter upper
        # tail than the root of a chi-square of the same variance.
        degrees, tail = _range_degrees_of_freedom(number), (number - 1) * (0.672 + 1.2 / number)
    spread = of_mean, sigma, degrees, tail, sigma_from, 3.0 * sigma / factors.individuals
    return ChartLimits(centre, *spread, factors, number, number < settled_at, as_known)


def moving_ranges(results: ArrayLike) -> NDArray[np.float64]:
    """Return how far each result lies from the one before.

    results : Results in the order of measurement along the last axis, [any unit].
    Returns : Moving ranges of two, [unit of the results], of the input's shape; NaN for the first result of the series.
    Source : NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2.

    >>> moving_ranges([49.6, 47.6, 49.9]).round(1)
    array([nan, 2. , 2.3])
    """
    series = np.asarray(results, dtype=float)
    return np.abs(np.diff(series, axis=-1, prepend=np.nan))


def _range_degrees_of_freedom(number: int) -> float:
    """Return the degrees of freedom that a mean moving range is worth, 1/(2 relative variance): about 0.6 (n - 1)."""
    # Neighbouring ranges share a result: E|AB| of two normal differences of variance 2 and correlation -1/2.
    shared = 4.0 / math.pi * (math.sqrt(0.75) + math.pi / 12.0) - _D2**2
    ranges = number - 1
    relative_variance = (ranges * _D3**2 + 2.0 * (ranges - 1) * shared) / (ranges * _D2) ** 2
    return 1.0 / (2.0 * relative_variance)


def lot_change(new_results: ArrayLike, old: ChartLimits, *, settled_at: int = 30) -> ChartLimits:
    """Set the limits of a new lot from results that were run beside the old lot while its chart was in control.

    The spread of the old chart is pooled with that of the results unless they differ (F-test, two-sided, 95 %).

    new_results : Results of the new lot, [unit of the old limits], 2 or more.
    old : Limits of the old lot, [unit of the results].
    settled_at : Number of new results below which the limits are provisional, [-].
    Returns : New limits, [unit of the results].
    Source : ASTM D6299, parallel runs of the old and the new lot (memory); prediction limits by derivation.
    """
    constants = old.constants.name
    fresh = individuals_limits(new_results, sigma_from="standard deviation", constants=constants, settled_at=settled_at)
    larger, smaller = (fresh, old) if fresh.sigma > old.sigma else (old, fresh)
    # The quantile is finite for finite degrees of freedom only; 1e9 stand for a known sigma.
    degrees = (min(limits.sigma_degrees_of_freedom, 1e9) for limits in (larger, smaller))
    alike = (larger.sigma / smaller.sigma) ** 2 <= float(fdtri(*degrees, 0.975))
    limits = replace(_pooled(fresh, old) if alike else fresh, as_known=old.as_known)
    return replace(limits, centre_uncertainty=limits.sigma / math.sqrt(fresh.number))


def _pooled(fresh: ChartLimits, old: ChartLimits) -> ChartLimits:
    """Return the new limits with the spread of both lots together, a little of the old where little of it is known."""
    of_old = min(old.sigma_degrees_of_freedom, 1e9)
    degrees = of_old + fresh.sigma_degrees_of_freedom
    sigma = math.sqrt((of_old * old.sigma**2 + fresh.sigma_degrees_of_freedom * fresh.sigma**2) / degrees)
    tail = old.tail_degrees_of_freedom + fresh.tail_degrees_of_freedom
    ranges = old.mean_moving_range * sigma / old.sigma
    both = replace(fresh, sigma=sigma, sigma_from="old lot", mean_moving_range=ranges)
    return replace(both, sigma_degrees_of_freedom=degrees, tail_degrees_of_freedom=tail)
