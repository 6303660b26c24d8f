"""When a shift began: a step, or a drift, somewhere in a series that stood on its centre before."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from labcalc.statistics.series import finite_series

_KNOWN = 1e9  # results, or degrees of freedom, from which on a centre or a sigma is taken as known, [-]


@dataclass(frozen=True)
class Onset:
    """Places of the first shifted result, [-], from 0: the median, and the ends of the interval."""

    place: int
    earliest: int
    latest: int


def onset_of(
    away: ArrayLike, sigma: float, number: float, degrees_of_freedom: float, *, confidence: float = 0.95
) -> Onset:
    r"""Date the beginning of a step or of a drift that lasts to the end of a series.

    .. math:: y_t = \mu + \delta f_\tau(t), \qquad f_\tau(t \ge \tau) = 1 \text{ or } (t - \tau + 1)/(n - \tau)

    away : Results less the centre in the order of measurement, [any unit], 1 or more.
    sigma : Standard deviation of a result, [unit of the results], above 0.
    number : Results that set the centre, [-]: it lies off by sigma / √number.
    degrees_of_freedom : Of sigma, [-].
    confidence : Of the interval, [-].
    Returns : Places of the beginning, [-]: median and interval; all places and both forms equally likely at first, size
        and centre integrated out.
    Source : Smith, A. F. M.: Biometrika 62 (1975) 407 (one change point, from memory); the drift is our own addition.

    >>> onset_of([0.1, -0.2, 0.1, 2.0, 1.8, 2.2], 0.3, 30, 29)
    Onset(place=3, earliest=3, latest=3)
    """
    y = finite_series(away, 1, "a date of a shift")
    count, freedom = min(number, _KNOWN), min(degrees_of_freedom, _KNOWN)
    since = np.clip(np.arange(y.size) - np.arange(y.size)[:, np.newaxis] + 1.0, 0.0, None)
    logs = []
    for form in (np.minimum(since, 1.0), since / since[:, -1:]):
        a, b, c = y.size + count, form.sum(axis=1), (form**2).sum(axis=1)
        r, q = y.sum(), form @ y
        determinant = a * c - b * b
        rest = y @ y - (c * r * r - 2.0 * b * r * q + a * q * q) / determinant
        log_fit = np.log1p(np.maximum(rest, 0.0) / (freedom * sigma**2))
        logs.append(-(freedom + y.size - 1.0) / 2.0 * log_fit - np.log(determinant) / 2.0)
    weight = np.exp(np.array(logs) - np.max(logs)).sum(axis=0)
    ends = np.searchsorted(np.cumsum(weight) / weight.sum(), [0.5, (1.0 - confidence) / 2.0, (1.0 + confidence) / 2.0])
    return Onset(*np.minimum(ends, y.size - 1).tolist())
