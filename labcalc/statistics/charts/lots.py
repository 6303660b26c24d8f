"""One time axis over several lots of a reference oil, and the way from an old lot to a new one."""

import math
from dataclasses import dataclass, replace

from numpy.typing import ArrayLike

from labcalc.statistics.charts.control_limits import ChartLimits, individuals_limits


@dataclass(frozen=True)
class NewLot:
    """Limits of a new lot from runs parallel to the old one.

    ``sigma_carried`` says whether the old chart's spread still holds (F-test); it is pooled with the new results' then.
    """

    limits: ChartLimits
    centre_half_width: float
    f: float
    critical_f: float
    sigma_carried: bool


def lot_change(new_results: ArrayLike, old: ChartLimits, *, confidence: float = 0.95, settled_at: int = 30) -> NewLot:
    """Set the limits of a new lot from results that were run beside the old lot while its chart was in control.

    new_results : Results of the new lot, [unit of the old limits], 2 or more.
    old : Limits of the old lot, [unit of the results].
    confidence : Confidence of the F-test (two-sided) and of the new centre's interval, [-].
    settled_at : Number of new results below which the limits are provisional, [-].
    Returns : New limits, half width of the new centre's interval, [unit of the results], and the F-test, [-].
    Raises ValueError : Fewer than two results, one that is not finite, or no spread.
    Source : ASTM D6299, parallel runs of the old and the new lot (memory); prediction limits by derivation.

    >>> old = individuals_limits([10.0, 10.2, 10.1, 10.0, 10.3, 10.1, 9.9, 10.1])
    >>> new = lot_change([20.1, 20.0, 20.2, 20.1, 20.3], old)
    >>> new.sigma_carried, round(new.limits.centre, 2), new.limits.provisional
    (True, 20.14, True)
    """
    from scipy.special import stdtrit

    fresh = individuals_limits(
        new_results, sigma_from="standard deviation", constants=old.constants.name, settled_at=settled_at
    )
    f, critical_f = _compared(fresh, old, confidence)
    carried = f <= critical_f
    limits = replace(_pooled(fresh, old) if carried else fresh, as_known=old.as_known)
    limits = replace(limits, centre_uncertainty=limits.sigma / math.sqrt(fresh.number))
    factor = float(stdtrit(limits.sigma_degrees_of_freedom, 0.5 + confidence / 2.0))
    return NewLot(limits, factor * limits.centre_uncertainty, f, critical_f, carried)


def _pooled(fresh: ChartLimits, old: ChartLimits) -> ChartLimits:
    """Return the new limits with the spread of both lots together, a little of the old where little of it is known."""
    of_old = min(old.sigma_degrees_of_freedom, 1e9)
    degrees = of_old + fresh.sigma_degrees_of_freedom
    sigma = math.sqrt((of_old * old.sigma**2 + fresh.sigma_degrees_of_freedom * fresh.sigma**2) / degrees)
    tail = old.tail_degrees_of_freedom + fresh.tail_degrees_of_freedom
    ranges = old.mean_moving_range * sigma / old.sigma
    both = replace(fresh, sigma=sigma, sigma_from="old lot", mean_moving_range=ranges)
    return replace(both, sigma_degrees_of_freedom=degrees, tail_degrees_of_freedom=tail)


def _compared(fresh: ChartLimits, old: ChartLimits, confidence: float) -> tuple[float, float]:
    """Return the ratio of the larger to the smaller variance and what it may be."""
    from scipy.special import fdtri

    larger, smaller = (fresh, old) if fresh.sigma > old.sigma else (old, fresh)
    # The quantile is finite for finite degrees of freedom only; 1e9 stand for a known sigma.
    degrees = (min(limits.sigma_degrees_of_freedom, 1e9) for limits in (larger, smaller))
    return (larger.sigma / smaller.sigma) ** 2, float(fdtri(*degrees, 0.5 + confidence / 2.0))
