"""Moving average and cumulative sum of a series of results. No loop over the points."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.statistics.charts.control_limits import ChartLimits
from labcalc.statistics.series import Array, finite_series

_NEGLIGIBLE = 1e-17  # a weight so small is lost against 1 in double precision


@dataclass(frozen=True, eq=False)
class EwmaChart:
    """Exponentially weighted moving average with its own, constant limits."""

    weight: float
    multiple: float
    lower: float
    upper: float
    values: Array
    beyond: NDArray[np.bool_]


def ewma_chart(
    results: ArrayLike, limits: ChartLimits, *, weight: float = 0.4, multiple: float = 3.0, starts: ArrayLike = ()
) -> EwmaChart:
    r"""Follow results with an exponentially weighted moving average and its limits, [unit of the results].

    .. math:: E_i = \lambda x_i + (1 - \lambda) E_{i-1}, \qquad
        \mathrm{limits} = \mathrm{centre} \pm L_n \sigma \sqrt{\lambda / (2 - \lambda)}

    results : Results in the order of measurement, [unit of the limits].
    limits : Centre and sigma, [unit of the results].
    weight : Weight λ of the newest result, [-], above 0 up to 1; 0.4 as common in petroleum testing (memory).
    multiple : Half width L of the limits with known centre and sigma, [standard deviations of the average]; L_n is as
        rarely passed although both are estimates (``ChartLimits.reach``).
    starts : Places of results at which it starts anew, [-].
    Raises ValueError : The weight is outside its range, or a result is not finite.
    Source : NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4; ISO 7870-6:2024.

    >>> from labcalc.statistics.charts.control_limits import STANDARD_LIMITS
    >>> ewma_chart([1.0, 1.0, 1.0], STANDARD_LIMITS, weight=0.5).values
    array([0.5  , 0.75 , 0.875])
    """
    parts = np.split(finite_series(results, 0, "a chart"), np.asarray(starts, np.intp))
    values = np.concatenate([ewma(part, weight, limits.centre) for part in parts])
    half_width = limits.reach(multiple, weight=weight) * limits.sigma * math.sqrt(weight / (2.0 - weight))
    beyond = np.abs(values - limits.centre) > half_width
    return EwmaChart(weight, multiple, limits.centre - half_width, limits.centre + half_width, values, beyond)


def ewma(values: ArrayLike, weight: float, start: float = 0.0) -> Array:
    """Return the exponentially weighted moving average of a series, [unit of the values], of its shape.

    values : Values in their order along the last axis, [any unit].
    weight : Weight λ of the newest value, [-], above 0 up to 1.
    start : Average before the first value, [unit of the values].
    Raises ValueError : The weight is outside its range.
    Source : Roberts, S. W.: Technometrics 1 (1959) 239.

    >>> ewma([52.0, 47.0, 53.0], 0.3, 50.0).round(2)
    array([50.6 , 49.52, 50.56])
    """
    if not 0.0 < weight <= 1.0:
        raise ValueError(f"EWMA weight {weight:g}: more than 0, up to 1 was expected")
    averages = weight * (np.asarray(values, dtype=float) - start)
    # Each pass doubles the stretch that a value has seen, until what lies further back has no weight left.
    kept, stretch = 1.0 - weight, 1
    while stretch < averages.shape[-1] and kept > _NEGLIGIBLE:
        averages[..., stretch:] += kept * averages[..., :-stretch]
        kept, stretch = kept * kept, 2 * stretch
    return start + averages
