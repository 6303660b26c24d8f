"""Does it comply? Decision rules by name (JCGM 106:2012, ASTM E29), r and R at a limit, the risk of being wrong.

JCGM 106 was not at hand: its clause numbers are memory. The formulas of risk are derivations, checked by integration
and by simulation.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, owens_t, stdtr

from labcalc.statistics.rounding import complies
from labcalc.statistics.series import Array, above_zero

Conformity = Literal["met", "doubtful", "not met"]
_TWO_SIDED, _ONE_SIDED = 1.9599639845400545, 1.6448536269514722  # normal quantiles of 97.5 % and of 95 %
ONE_SIDED_FACTOR = _ONE_SIDED / (_TWO_SIDED * math.sqrt(2.0))
"""From the reproducibility to what one result must be inside a limit for 95 %: 0.5934; ISO 4259 prints 0.59."""


@dataclass(frozen=True)
class DecisionRule:
    """How a result is held against limits, by a band of width w.

    A result is met inside the limits drawn in by ``accept`` · w, not met outside the limits drawn in by ``reject`` · w
    (a negative number widens them), and doubtful in between.
    """

    name: str
    accept: float
    reject: float
    band: Literal["U", "R"]  # what w is made of: the laboratory's expanded uncertainty, or the method's reproducibility
    rounded_first: bool  # whether the result is rounded to the limit's decimals before it is refused
    basis: str  # standard with edition, and what the rule does in words


_RULES: Mapping[str, tuple[tuple[float, float, Literal["U", "R"], bool], str]] = {
    "rounding, second look": (
        (1.0, 0.0, "U", True),
        "value rounded to the limit's decimals (ASTM E29-22, rounding method); within a limit by less than the "
        "guard band: second look",
    ),
    "rounding": ((0.0, 0.0, "U", True), "value rounded to the limit's decimals (ASTM E29-22, rounding method)"),
    "simple acceptance": (
        (0.0, 0.0, "U", False),
        "value as it stands, no guard band: the risk is shared (JCGM 106:2012, 8.2 [memory])",
    ),
    "guarded acceptance": (
        (1.0, 1.0, "U", False),
        "met only inside the limits by the guard band or more (JCGM 106:2012, 8.3.2 [memory])",
    ),
    "guarded rejection": (
        (-1.0, -1.0, "U", False),
        "not met only outside the limits by more than the guard band (JCGM 106:2012, 8.3.3 [memory])",
    ),
    "guarded both ways": (
        (1.0, -1.0, "U", False),
        "met inside and not met outside the limits by the guard band, second look in between (ILAC-G8:09/2019, "
        "non-binary statement [memory])",
    ),
    "supplier, 0.59 R": (
        (1.0, 0.0, "R", False),
        "the supplier is 95 % sure only inside a limit by 0.59 R (ISO 4259, one result; edition 2006 [memory])",
    ),
    "recipient, 0.59 R": (
        (0.0, -1.0, "R", False),
        "the recipient may refuse only beyond a limit by more than 0.59 R (ISO 4259, one result; edition 2006 "
        "[memory])",
    ),
}
DECISION_RULES: Mapping[str, DecisionRule] = MappingProxyType(
    {name: DecisionRule(name, *numbers, basis) for name, (numbers, basis) in _RULES.items()}
)
"""Decision rules by name; the first is the one that labcalc takes where nobody says otherwise."""


def acceptance_interval(lowest: ArrayLike, highest: ArrayLike, guard_band: ArrayLike) -> tuple[Array, Array]:
    r"""Return the interval in which results are accepted: the tolerance interval less a guard band at each end.

    .. math:: [T_L + w,\; T_U - w]

    NaN where a side is open; w is above 0 for guarded acceptance, below for guarded rejection. One of more than half
    the tolerance leaves an interval that accepts nothing. JCGM 106:2012, 8.3.1 (memory).
    """
    band = np.asarray(guard_band, dtype=float)
    return np.asarray(np.asarray(lowest, float) + band), np.asarray(np.asarray(highest, float) - band)


def decide_conformity(
    value: float, lowest: float, highest: float, rule: DecisionRule, width: float, decimals: int
) -> Conformity:
    """Decide by a rule whether a result meets its limits: ``met``, ``doubtful`` or ``not met``, [-].

    value : Result, not rounded, [any unit].
    lowest, highest : Limits, [unit of the result]; NaN where that side is open.
    rule : One of ``DECISION_RULES``, or a rule of one's own, [-].
    width : Guard band w, [unit of the result]; it may be NaN only for a rule that has no band.
    decimals : Decimals to which the limits are written, [-].
    Source : JCGM 106:2012, clause 8 (memory); ASTM E29-22.

    >>> decide_conformity(50.4, 41.4, 50.6, DECISION_RULES["rounding, second look"], 0.25, 1)
    'doubtful'
    """

    def inside(share: float) -> bool:
        ends = acceptance_interval(lowest, highest, share * width if share else 0.0)
        low, high = (None if np.isnan(limit) else float(limit) for limit in ends)
        method: Literal["rounding", "absolute"] = "rounding" if rule.rounded_first and not share else "absolute"
        return complies(value, low, high, decimals, method=method)

    if not np.isfinite(width) and (rule.accept or rule.reject):
        raise ValueError(f"guard band {width:g}: the rule '{rule.name}' needs a finite one")
    if inside(rule.accept) and inside(rule.reject):
        return "met"
    return "doubtful" if inside(rule.reject) else "not met"


def one_sided_margin(reproducibility: ArrayLike, *, repeatability: ArrayLike = 0.0, results: ArrayLike = 1) -> Array:
    r"""Return how far inside a limit a result must be for 95 % certainty that the true value is inside.

    .. math:: \frac{1.645}{1.96\sqrt 2} \sqrt{R^2 - r^2 (1 - 1/k)}

    reproducibility : Reproducibility R, [unit of the result].
    repeatability : Repeatability r, [unit of the result], at most R; of no effect with one result.
    results : Number of results k behind the laboratory's average, [-], 1 or more.
    Returns : Margin, [unit of the result]: 0.5934 R for one result. The standard prints 0.59, which is 0.6 % less.
    Source : ISO 4259:2006 (0.59 R seen in a public document that quotes it; k results: derivation).
    """
    r, big_r, k = (np.asarray(one, dtype=float) for one in (repeatability, reproducibility, results))
    if np.any(r > big_r):
        raise ValueError("a repeatability above the reproducibility: r is at most R")
    if np.any(k < 1.0):
        raise ValueError(f"{float(k[k < 1.0].flat[0]):g} results: 1 or more are needed")
    return np.asarray(ONE_SIDED_FACTOR * np.sqrt(big_r**2 - r**2 * (1.0 - 1.0 / k)))


def limits_leave_room(lowest: ArrayLike, highest: ArrayLike, reproducibility: ArrayLike) -> NDArray[np.bool_]:
    """Tell whether specification limits are wide enough, [-], for the method.

    Two limits are to be 4 R apart at least, a single one 2 R above zero. Narrower ones can't be kept to by any
    product: the method doesn't see it.

    lowest, highest : Limits A₂ and A₁, [any unit]; NaN where that side is open.
    reproducibility : Reproducibility R at the limits, [unit of the limits].
    Source : ISO 4259 as quoted in public notes on reference fuels (seen): 4 R between two limits, 2 R above zero.
    """
    low, high, big_r = (np.asarray(one, dtype=float) for one in (lowest, highest, reproducibility))
    single = np.where(np.isnan(low), high, low)
    two = ~np.isnan(low) & ~np.isnan(high)
    room, least = np.where(two, high - low, single), np.where(two, 4.0, 2.0) * big_r
    return np.asarray(room >= least - 1e-12 * np.abs(np.where(two, high, single)))


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
    Source : JCGM 106:2012, 7.2 to 7.5 (memory).
    """
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
    Source : JCGM 106:2012, 9.5 (memory).
    Source : Owen, D. B. (1956), Ann. Math. Statist. 27, 1075: bivariate normal probabilities (memory).
    """
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
    with np.errstate(divide="ignore", invalid="ignore"):
        root = np.sqrt(1.0 - rho**2)
        of_h = np.where((h == 0.0) & (k == 0.0), (1.0 - rho) / root, (k / h - rho) / root)
        of_k = np.where((h == 0.0) & (k == 0.0), (1.0 - rho) / root, (h / k - rho) / root)
    apart = (h * k < 0.0) | ((h * k == 0.0) & (h + k < 0.0))
    return np.asarray(0.5 * (ndtr(h) + ndtr(k) - apart) - owens_t(h, of_h) - owens_t(k, of_k))
