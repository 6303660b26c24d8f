"""Limits of a control chart for individual results: from a baseline, with their own uncertainty."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtr

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

CHART_CONSTANTS: Mapping[str, ChartConstants] = MappingProxyType(
    {
        c.name: c
        for c in (
            ChartConstants("trade", 2.66, 3.27, "as used in petroleum testing, ASTM D6299 [memory]"),
            ChartConstants("handbook", 3.0 / 1.128, 3.267, "d2 = 1.128, D4 = 3.267: NIST/SEMATECH e-Handbook, 6.3.2.2"),
            ChartConstants("exact", 3.0 / _D2, 1.0 + 3.0 * _D3 / _D2, "3/d2 and 1 + 3 d3/d2 of a normal distribution"),
        )
    }
)
"""The three roundings that circulate; they differ in the fourth digit of a limit."""

SigmaSource = Literal["moving range", "standard deviation", "old lot", "given"]


@dataclass(frozen=True)
class ChartLimits:
    """Centre and limits of a chart, and what they rest on.

    ``sigma`` is a third of the distance from centre to limit, so that 'beyond three sigma' and 'beyond the limit' are
    one thing whatever constants were used. ``number`` counts the results behind the centre, 0 where nothing was
    estimated; ``provisional`` limits rest on too few.
    """

    centre: float
    centre_uncertainty: float
    sigma: float
    sigma_degrees_of_freedom: float
    sigma_from: SigmaSource
    mean_moving_range: float
    constants: ChartConstants
    number: int
    provisional: bool

    @property
    def lower(self) -> float:
        """Lower limit of an individual result."""
        return self.centre - 3.0 * self.sigma

    @property
    def upper(self) -> float:
        """Upper limit of an individual result."""
        return self.centre + 3.0 * self.sigma

    @property
    def moving_range_upper(self) -> float:
        """Upper limit of a moving range; a lower one does not exist for a range of two."""
        return self.constants.moving_range * self.mean_moving_range

    def chance_beyond(self, deviations: float, *, weight: float = 1.0) -> float:
        """Return how often chance alone takes a result, or an EWMA, so far from the centre.

        Parameters
        ----------
        deviations : float
            Distance from the centre in standard deviations of the result or of the settled EWMA, [-], 0 or more.
        weight : float
            Weight of the newest result in the EWMA, [-]; 1 for a result.

        Returns
        -------
        float
            Probability, [-], on either side; centre and sigma count with their uncertainty, as for a prediction
            interval (Student's t).
        """
        scatter, of_centre = weight / (2.0 - weight), 1.0 / self.number if self.number else 0.0
        degrees = min(self.sigma_degrees_of_freedom, 1e9)
        return 2.0 * float(stdtr(degrees, -deviations * math.sqrt(scatter / (scatter + of_centre))))

    @property
    def sigma_uncertainty(self) -> float:
        """Standard uncertainty of sigma, JCGM 100:2008, E.4.3; 0 where sigma was given."""
        return self.sigma / math.sqrt(2.0 * self.sigma_degrees_of_freedom)

    @property
    def limit_uncertainty(self) -> float:
        """Standard uncertainty of either limit; centre and sigma are uncorrelated for normal results."""
        return math.hypot(self.centre_uncertainty, 3.0 * self.sigma_uncertainty)

    def standardised(self, results: ArrayLike) -> NDArray[np.float64]:
        """Return results as multiples of sigma from the centre.

        Parameters
        ----------
        results : array_like of float
            Results, [unit of the chart].

        Returns
        -------
        numpy.ndarray of float
            Standardised results z, [-], of the input's shape; a limit lies at ±3.
        """
        return (np.asarray(results, dtype=float) - self.centre) / self.sigma


STANDARD_LIMITS = ChartLimits(0.0, 0.0, 1.0, math.inf, "given", _D2, CHART_CONSTANTS["exact"], 0, False)
"""Limits of a chart of results that are already standardised."""


def individuals_limits(
    baseline: ArrayLike,
    *,
    centre: float | None = None,
    sigma_from: Literal["moving range", "standard deviation"] = "moving range",
    constants: str = "trade",
    settled_at: int = 30,
) -> ChartLimits:
    """Set the limits of a chart from the results of a baseline period.

    Parameters
    ----------
    baseline : array_like of float
        Results of the baseline in the order of measurement, one lot, [any unit], 2 or more.
    centre : float, optional
        Centre line if it is known, such as a certified value, [unit of the results]; none: the mean.
    sigma_from : {"moving range", "standard deviation"}
        What estimates the spread, [-]; the moving range passes over slow drift, the standard deviation counts it.
    constants : {"trade", "handbook", "exact"}
        Which rounding of the factors, [-]; a name in ``CHART_CONSTANTS``.
    settled_at : int
        Number of results below which the limits are provisional, [-].

    Returns
    -------
    ChartLimits
        Limits with their constants and their own uncertainty, [unit of the results].

    Raises
    ------
    ValueError
        Fewer than two results, one that is not finite, no spread at all, or constants of another name.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2. ISO 7870-2:2023 for the chart.

    Examples
    --------
    >>> limits = individuals_limits([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1], constants="handbook")
    >>> round(limits.centre, 2), round(limits.upper, 4), round(limits.lower, 4), limits.provisional
    (50.81, 55.8041, 45.8159, True)
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
    return ChartLimits(
        float(np.mean(results)) if centre is None else centre,
        sigma / math.sqrt(results.size) if centre is None else 0.0,
        sigma,
        _range_degrees_of_freedom(results.size) if from_range else results.size - 1.0,
        sigma_from,
        mean_range,
        factors,
        results.size,
        results.size < settled_at,
    )


def moving_ranges(results: ArrayLike, lots: ArrayLike | None = None) -> NDArray[np.float64]:
    """Return how far each result lies from the one before.

    Parameters
    ----------
    results : array_like of float
        Results in the order of measurement along the last axis, [any unit].
    lots : array_like, optional
        Lot of each result, [-]; a range across a change of lot has no meaning.

    Returns
    -------
    numpy.ndarray of float
        Moving ranges of two, [unit of the results], of the input's shape; NaN for the first result of the series and
        of each stretch of one lot.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2.

    Examples
    --------
    >>> moving_ranges([49.6, 47.6, 49.9]).round(1)
    array([nan, 2. , 2.3])
    """
    series = np.asarray(results, dtype=float)
    ranges = np.full(series.shape, np.nan)
    ranges[..., 1:] = np.abs(np.diff(series, axis=-1))
    if lots is not None:
        labels = np.asarray(lots)
        ranges[..., 1:][..., labels[1:] != labels[:-1]] = np.nan
    return ranges


def _range_degrees_of_freedom(number: int) -> float:
    """Return the degrees of freedom that a mean moving range is worth, 1/(2 relative variance): about 0.6 (n - 1)."""
    # Neighbouring ranges share a result: E|AB| of two normal differences of variance 2 and correlation -1/2.
    shared = 4.0 / math.pi * (math.sqrt(0.75) + math.pi / 12.0) - _D2**2
    ranges = number - 1
    relative_variance = (ranges * _D3**2 + 2.0 * (ranges - 1) * shared) / (ranges * _D2) ** 2
    return 1.0 / (2.0 * relative_variance)
