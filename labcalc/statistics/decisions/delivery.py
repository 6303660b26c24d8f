"""Supplier and recipient: when is a delivery sure to conform, when may it be refused, who settles it (ISO 4259)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.statistics.decisions.acceptance import accepted_results, between_laboratories_limit, one_sided_margin
from labcalc.statistics.decisions.conformity import acceptance_interval
from labcalc.statistics.precision.repeats import lie_within
from labcalc.statistics.series import finite_series


def delivery_limits(
    lowest: ArrayLike,
    highest: ArrayLike,
    reproducibility: ArrayLike,
    party: Literal["supplier", "recipient"],
    *,
    repeatability: ArrayLike = 0.0,
    results: ArrayLike = 1,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    r"""Return between which results a supplier is 95 % sure that a product conforms, or a recipient can't refuse it.

    .. math:: \text{supplier: } X \le A_1 - 0.59\,R \qquad \text{recipient: refuses only } X > A_1 + 0.59\,R

    and the mirror image at a lower limit. With k results, R is that of their average, √(R² - r²(1 - 1/k)).

    Parameters
    ----------
    lowest : array_like of float
        Lower specification limit A₂, [any unit]; NaN where that side is open.
    highest : array_like of float
        Upper specification limit A₁, [unit of the lower one]; NaN where that side is open.
    reproducibility : array_like of float
        Reproducibility R, [unit of the limits].
    party : {"supplier", "recipient"}
        Who decides, [-].
    repeatability : array_like of float
        Repeatability r, [unit of the limits]; of no effect with one result.
    results : array_like of int
        Number of results k behind the average, [-].

    Returns
    -------
    tuple of numpy.ndarray of float
        Lower and upper limit of such results, [unit of the limits]; NaN where open. The factor is the computed
        0.5934, not the printed 0.59: 0.6 % of the distance.

    Raises
    ------
    ValueError
        R is below r, or the party is neither of the two.

    References
    ----------
    .. [1] ISO 4259:2006 (0.59 R seen in a public document that quotes it; the rest memory); derivation.

    Examples
    --------
    >>> [float(delivery_limits(np.nan, 10.0, 0.3, party)[1].round(3)) for party in ("supplier", "recipient")]
    [9.822, 10.178]
    """
    if party not in ("supplier", "recipient"):
        raise ValueError(f"party {party!r}: 'supplier' or 'recipient' was expected")
    margin = one_sided_margin(reproducibility, repeatability=repeatability, results=results)
    return acceptance_interval(lowest, highest, margin if party == "supplier" else -margin)


def limits_leave_room(lowest: ArrayLike, highest: ArrayLike, reproducibility: ArrayLike) -> NDArray[np.bool_]:
    """Tell whether specification limits are wide enough for the method.

    Two limits are to be 4 R apart at least, a single one 2 R above zero. Narrower ones can't be kept to by any
    product: the method doesn't see it.

    Parameters
    ----------
    lowest : array_like of float
        Lower limit A₂, [any unit]; NaN where that side is open.
    highest : array_like of float
        Upper limit A₁, [unit of the lower one]; NaN where that side is open.
    reproducibility : array_like of float
        Reproducibility R at the limits, [unit of the limits].

    Returns
    -------
    numpy.ndarray of bool
        Whether they leave room, [-].

    References
    ----------
    .. [1] ISO 4259 as quoted in public notes on reference fuels (seen): 4 R between two limits, 2 R above zero.

    Examples
    --------
    >>> limits_leave_room([41.4, 45.0, np.nan], [50.6, 46.0, 1.0], 0.56).tolist()
    [True, False, False]
    """
    low, high, big_r = (np.asarray(one, dtype=float) for one in (lowest, highest, reproducibility))
    single = np.where(np.isnan(low), high, low)
    two = ~np.isnan(low) & ~np.isnan(high)
    room, least = np.where(two, high - low, single), np.where(two, 4.0, 2.0) * big_r
    return np.asarray(room >= least - 1e-12 * np.abs(np.where(two, high, single)))


@dataclass(frozen=True)
class Dispute:
    """What a dispute between supplier and recipient comes to, and why."""

    outcome: Literal["conforms", "does not conform", "third laboratory", "repeat"]
    value: float
    """The average that decides; NaN while nothing is decided."""
    reason: str


def settle_dispute(
    supplier: ArrayLike,
    recipient: ArrayLike,
    lowest: float,
    highest: float,
    repeatability: float,
    reproducibility: float,
    *,
    third: ArrayLike | None = None,
) -> Dispute:
    r"""Settle a dispute over a delivery by new results: three or more acceptable ones of each laboratory.

    Averages that both meet the limits, or both don't, decide. If they contradict each other, a third, neutral
    laboratory measures. If the average furthest from the mean of the other two is within R₃ of it, the mean of all
    three decides, else the mean of those two.

    .. math:: R_3 = \sqrt{\tfrac{3}{4}\left[R^2 - r^2 (1 - 1/k)\right]}

    Parameters
    ----------
    supplier : array_like of float
        The supplier's new results, [any unit], 3 or more; the first results are discarded.
    recipient : array_like of float
        The recipient's new results, [unit of the supplier's], 3 or more.
    lowest : float
        Lower specification limit, [unit of the results]; NaN where that side is open.
    highest : float
        Upper specification limit, [unit of the results]; NaN where that side is open.
    repeatability : float
        Repeatability r, [unit of the results].
    reproducibility : float
        Reproducibility R, [unit of the results].
    third : array_like of float or None
        The neutral laboratory's results, [unit of the results], 3 or more; None before it has measured.

    Returns
    -------
    Dispute
        Outcome and reason; the average that decides, [unit of the results].

    Raises
    ------
    ValueError
        A laboratory has fewer than 3 results, or R is below r.

    References
    ----------
    .. [1] ISO 4259:2006, clause 10 (seen in a public copy); what its later editions changed is not known here.

    Examples
    --------
    >>> settle_dispute([9.9, 9.9, 9.9], [10.1, 10.1, 10.1], np.nan, 10.0, 0.1, 0.3).outcome
    'third laboratory'
    """
    named = {"supplier": supplier, "recipient": recipient, **({} if third is None else {"third laboratory": third})}
    sets = {who: accepted_results(finite_series(one, 3, f"the {who}"), repeatability) for who, one in named.items()}
    short = [who for who, one in sets.items() if sum(one.accepted) < 3]
    if short:
        return Dispute("repeat", math.nan, f"fewer than 3 acceptable results: {', '.join(short)}")
    averages = [one.value for one in sets.values()]
    meets = [_meets(one, lowest, highest) for one in averages[:2]]
    if meets[0] == meets[1]:
        side = "meet the limits" if meets[0] else "are outside the limits"
        return _decided(averages[:2], lowest, highest, f"both averages {side}")
    if third is None:
        return Dispute("third laboratory", math.nan, "the averages contradict each other")
    return _by_three(
        averages, [sum(one.accepted) for one in sets.values()], lowest, highest, repeatability, reproducibility
    )


def _by_three(
    averages: Sequence[float], counts: Sequence[int], lowest: float, highest: float, r: float, big_r: float
) -> Dispute:
    values, variances = np.asarray(averages), between_laboratories_limit(r, big_r, counts, counts) ** 2 / 2.0
    others = (np.sum(values) - values) / 2.0
    far = int(np.argmax(np.abs(values - others)))
    limit = math.sqrt(variances[far] + (np.sum(variances) - variances[far]) / 4.0)
    if lie_within([values[far], others[far]], limit):
        return _decided(values, lowest, highest, "mean of all three laboratories")
    return _decided(np.delete(values, far), lowest, highest, f"mean of two: the other is beyond R3 = {limit:.3g} of it")


def _decided(averages: ArrayLike, lowest: float, highest: float, reason: str) -> Dispute:
    value = float(np.mean(np.asarray(averages)))
    return Dispute("conforms" if _meets(value, lowest, highest) else "does not conform", value, reason)


def _meets(value: float, lowest: float, highest: float) -> bool:
    return not (value < lowest or value > highest)
