"""The risk of being wrong about conformity: for one result, and for a whole production (JCGM 106:2012).

JCGM 106 was not at hand: its clause numbers are memory. The formulas are derivations, checked by integration and by
simulation.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from labcalc.statistics.decisions.conformity import acceptance_interval
from labcalc.statistics.series import Array, above_zero

_FAR = 40.0  # so many standard deviations stand for infinity: the normal tail beyond is 0 in doubles


@dataclass(frozen=True)
class ConformityProbability:
    """Where the true value lies, given a result: probabilities, in the shape of the input."""

    inside: Array  # probability that the item conforms; the specific producer's risk where it is rejected
    below: Array
    above: Array

    @property
    def outside(self) -> Array:
        """Probability that the item does not conform; the specific consumer's risk where it is accepted."""
        return np.asarray(self.below + self.above)


def conformity_probability(
    value: ArrayLike,
    standard_uncertainty: ArrayLike,
    lowest: ArrayLike,
    highest: ArrayLike,
    *,
    degrees_of_freedom: ArrayLike = np.inf,
) -> ConformityProbability:
    r"""Return the probability, [-], that the true value is inside, below and above a tolerance interval.

    .. math:: p_c = \Phi\!\left(\frac{T_U - y}{u}\right) - \Phi\!\left(\frac{T_L - y}{u}\right)

    Nothing but the result is taken to be known of the item.

    value : Best estimate y, [any unit].
    standard_uncertainty : Standard uncertainty u, [unit of the value], above 0; NaN where unknown gives NaN.
    lowest, highest : Tolerance limits, [unit of the value]; NaN where that side is open.
    degrees_of_freedom : Of the standard uncertainty, [-]; finite ones take Student's distribution for the normal one.
    Raises ValueError : A standard uncertainty is not above 0.
    Source : JCGM 106:2012, 7.2 to 7.5 (memory).
    """
    from scipy.special import stdtr

    y, low, high = (np.asarray(one, dtype=float) for one in (value, lowest, highest))
    u, degrees = above_zero(standard_uncertainty, "standard uncertainty"), np.asarray(degrees_of_freedom, dtype=float)
    open_side = np.where(np.isnan(y) | np.isnan(u) | np.isnan(degrees), np.nan, 0.0)
    below = np.where(np.isnan(low), open_side, stdtr(degrees, (low - y) / u))
    above = np.where(np.isnan(high), open_side, stdtr(degrees, (y - high) / u))
    below, above = np.broadcast_arrays(below, above)
    return ConformityProbability(np.asarray(1.0 - below - above), np.asarray(below), np.asarray(above))


@dataclass(frozen=True)
class GlobalRisks:
    """How often a decision rule errs over a whole production: shares of all items, in the shape of the input."""

    consumer: Array  # items that don't conform and are accepted
    producer: Array  # items that conform and are rejected


def global_risks(
    process_mean: ArrayLike,
    process_deviation: ArrayLike,
    standard_uncertainty: ArrayLike,
    lowest: ArrayLike,
    highest: ArrayLike,
    guard_band: ArrayLike = 0.0,
) -> GlobalRisks:
    r"""Return the consumer's and the producer's risk, [-], of a decision rule for items of a normal process.

    .. math:: R_C = P(\eta \notin T,\; y \in A), \qquad R_P = P(\eta \in T,\; y \notin A)

    True value η and result y are normal together, with correlation u₀/√(u₀² + u²); their probabilities over a
    rectangle are exact, by Owen's T function.

    process_mean : Mean y₀ of the true values, [any unit].
    process_deviation, standard_uncertainty : Of the true values u₀ and of a result u, [unit of the mean], above 0.
    lowest, highest : Tolerance limits, [unit of the mean]; NaN where that side is open.
    guard_band : Width w as ``acceptance_interval`` takes it, [unit of the mean].
    Raises ValueError : A deviation or a standard uncertainty is not above 0.
    Source : JCGM 106:2012, 9.5 (memory).
    Source : Owen, D. B. (1956), Ann. Math. Statist. 27, 1075: bivariate normal probabilities (memory).

    >>> risks = global_risks(1500.0, 0.12, 0.04, 1499.8, 1500.2)
    >>> float(risks.consumer.round(3)), float(risks.producer.round(3))
    (0.019, 0.037)
    """
    from scipy.special import ndtr

    u0, u = above_zero(process_deviation, "process deviation"), above_zero(standard_uncertainty, "uncertainty")
    spread = np.sqrt(u0**2 + u**2)
    mean, correlation = np.asarray(process_mean, dtype=float), u0 / spread
    limits = (np.asarray(lowest, dtype=float), np.asarray(highest, dtype=float))
    true = _scores(limits, mean, u0)
    found = _scores(acceptance_interval(*limits, guard_band), mean, spread)
    found = found[0], np.maximum(*found)  # an interval that accepts nothing
    corners = ((1, 1, 1), (-1, 0, 1), (-1, 1, 0), (1, 0, 0))
    both = sum(sign * _both_below(true[h], found[k], correlation) for sign, h, k in corners)
    accepted, conforming = ndtr(found[1]) - ndtr(found[0]), ndtr(true[1]) - ndtr(true[0])
    return GlobalRisks(*(np.asarray(np.maximum(one - both, 0.0)) for one in (accepted, conforming)))


def _scores(limits: tuple[Array, Array], mean: Array, spread: Array) -> tuple[Array, Array]:
    """Return the limits in standard deviations; an open side lies at infinity, where the tails are 0."""
    low, high = (np.where(np.isnan(limit), end, limit) for limit, end in zip(limits, (-np.inf, np.inf), strict=True))
    return np.clip((low - mean) / spread, -_FAR, _FAR), np.clip((high - mean) / spread, -_FAR, _FAR)


def _both_below(h: Array, k: Array, rho: Array) -> Array:
    """Return the bivariate normal distribution function (Owen 1956, equation 2.1)."""
    from scipy.special import ndtr, owens_t

    with np.errstate(divide="ignore", invalid="ignore"):
        root = np.sqrt(1.0 - rho**2)
        of_h = np.where((h == 0.0) & (k == 0.0), (1.0 - rho) / root, (k / h - rho) / root)
        of_k = np.where((h == 0.0) & (k == 0.0), (1.0 - rho) / root, (h / k - rho) / root)
    apart = (h * k < 0.0) | ((h * k == 0.0) & (h + k < 0.0))
    return np.asarray(0.5 * (ndtr(h) + ndtr(k) - apart) - owens_t(h, of_h) - owens_t(k, of_k))
