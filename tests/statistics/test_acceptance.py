"""Use of r and R. ISO 4259:2006 (limits memory, dispute clause seen in a public copy); every limit by simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from labcalc.statistics import (
    ONE_SIDED_FACTOR,
    accepted_results,
    best_estimate,
    between_laboratories_limit,
    critical_range,
    delivery_limits,
    deviation_limit,
    limits_leave_room,
    one_sided_margin,
    settle_dispute,
)

R_SMALL, R_LARGE = 0.1, 0.3
SETS = 40_000

Z = 1.9599639845400545


def laboratory_averages(laboratories: int, results: int) -> NDArray[np.float64]:
    """Averages of true value 0, from the definitions r = 1.96 √2 s_r, R = 1.96 √2 s_R."""
    generator = np.random.default_rng(20261125)
    within = R_SMALL / (Z * math.sqrt(2.0))
    between = math.sqrt(R_LARGE**2 - R_SMALL**2) / (Z * math.sqrt(2.0))
    bias = generator.normal(0.0, between, (SETS, laboratories))
    return np.asarray(bias + generator.normal(0.0, within, (SETS, laboratories, results)).mean(axis=-1))


def repeats(results: int) -> NDArray[np.float64]:
    generator = np.random.default_rng(20261126)
    return generator.normal(10.0, R_SMALL / (Z * math.sqrt(2.0)), (SETS, results))


def one_in_twenty(beyond: NDArray[np.bool_]) -> None:
    """Within three standard errors of the simulation."""
    assert float(beyond.mean()) == pytest.approx(0.05, abs=3.0 * math.sqrt(0.05 * 0.95 / beyond.size))


def test_numbers_written_down_elsewhere() -> None:
    """r = 0.1, R = 0.3, computed elsewhere from the same definitions: r₁/r, R₁ for k = 1, 2, 3, limits at A₁ = 10."""
    assert deviation_limit(1.0, [2, 3, 4, 5]) == pytest.approx([1.0, 0.866, 0.8165, 0.7906], abs=5e-5)
    k = [1, 2, 3]
    assert between_laboratories_limit(R_SMALL, R_LARGE, k, k) == pytest.approx([0.3, 0.2915, 0.2887], abs=5e-5)
    # 9.823 and 10.177 with the printed 0.59, which is 0.6 % less than the computed factor
    supplier, recipient = (delivery_limits(np.nan, 10.0, R_LARGE, one)[1] for one in ("supplier", "recipient"))
    assert supplier == pytest.approx(9.823, abs=0.0011)
    assert recipient == pytest.approx(10.177, abs=0.0011)


def test_the_one_sided_factor_rounds_to_the_printed_one() -> None:
    """ISO 4259 prints 0.59 (seen, quoted in a public document)."""
    assert round(ONE_SIDED_FACTOR, 4) == 0.5934
    assert round(ONE_SIDED_FACTOR, 2) == 0.59


def test_two_sided_limits_of_one_result_as_printed() -> None:
    """ISO 4259 (memory): X ± 0.707 R."""
    assert best_estimate(10.0, R_SMALL, R_LARGE).half_width / R_LARGE == pytest.approx(0.707, abs=5e-4)


@pytest.mark.parametrize("results", [2, 3, 4, 5])
def test_one_result_is_beyond_the_others_in_one_case_of_twenty(results: int) -> None:
    sets = repeats(results)
    one_in_twenty(np.abs(sets[:, 0] - sets[:, 1:].mean(axis=1)) > deviation_limit(R_SMALL, results))


@pytest.mark.parametrize("results", [3, 4, 5])
def test_the_range_is_beyond_the_critical_range_in_one_case_of_twenty(results: int) -> None:
    one_in_twenty(np.ptp(repeats(results), axis=1) > critical_range(R_SMALL, results))


@pytest.mark.parametrize(("results", "rejected"), [(4, 0.168), (5, 0.209)])
def test_the_most_divergent_of_a_good_set_is_rejected_far_too_often(results: int, rejected: float) -> None:
    """The two shares were simulated elsewhere; the docstrings of deviation_limit and accepted_results name them."""
    sets = repeats(results)
    others = (sets.sum(axis=1, keepdims=True) - sets) / (results - 1)
    beyond = np.abs(sets - others).max(axis=1) > deviation_limit(R_SMALL, results)
    assert beyond.mean() == pytest.approx(rejected, abs=0.006)
    some = [sum(accepted_results(one, R_SMALL).accepted) < results for one in sets[:300]]
    assert some == beyond[:300].tolist()


@pytest.mark.parametrize(("first", "second"), [(1, 1), (2, 2), (3, 1)])
def test_two_laboratories_disagree_in_one_case_of_twenty(first: int, second: int) -> None:
    one, other = laboratory_averages(2, first)[:, 0], laboratory_averages(2, second)[::-1, 1]
    one_in_twenty(np.abs(one - other) > between_laboratories_limit(R_SMALL, R_LARGE, first, second))


@pytest.mark.parametrize(("laboratories", "results"), [(1, 1), (1, 3), (3, 1), (3, 2)])
def test_the_interval_covers_the_true_value_in_nineteen_of_twenty(laboratories: int, results: int) -> None:
    found = best_estimate(laboratory_averages(laboratories, results), R_SMALL, R_LARGE, results=results)
    low, high = found.interval
    one_in_twenty((low > 0.0) | (high < 0.0))


@pytest.mark.parametrize("results", [1, 3])
def test_a_supplier_at_the_margin_is_wrong_in_one_case_of_twenty(results: int) -> None:
    """A product exactly at its limit passes the supplier, and is refused by the recipient, once in twenty."""
    averages = laboratory_averages(1, results)[:, 0]
    precise = {"repeatability": R_SMALL, "results": results}
    one_in_twenty(averages <= delivery_limits(np.nan, 0.0, R_LARGE, "supplier", **precise)[1])
    one_in_twenty(averages > delivery_limits(np.nan, 0.0, R_LARGE, "recipient", **precise)[1])


def test_a_margin_with_one_result_needs_no_repeatability() -> None:
    assert one_sided_margin(R_LARGE) == one_sided_margin(R_LARGE, repeatability=R_SMALL, results=1)
    assert one_sided_margin(R_LARGE, repeatability=R_SMALL, results=4) < one_sided_margin(R_LARGE)


def test_delivery_limits_of_arrays_keep_open_sides() -> None:
    low, high = delivery_limits([np.nan, 1.0], [10.0, np.nan], R_LARGE, "supplier")
    assert np.isnan(low).tolist() == [True, False]
    assert np.isnan(high).tolist() == [False, True]


def test_limits_too_tight_for_the_method() -> None:
    """ISO 4259, as quoted in public notes (seen): 4 R between two limits, 2 R above zero for one; equal is enough."""
    low, high = [10.0, 10.0, np.nan, np.nan, 0.5], [11.2, 11.1, 0.6, 0.5, np.nan]
    assert limits_leave_room(low, high, R_LARGE).tolist() == [True, False, True, False, False]


def test_repeats_that_disagree_ask_for_three_more() -> None:
    """ISO 4259:2006 (memory)."""
    found = accepted_results([10.0, 10.2], 0.1)
    assert (math.isnan(found.value), found.more) == (True, 3)
    assert accepted_results([10.0, 10.1], 0.1).value == pytest.approx(10.05)
    assert accepted_results([10.0, 10.2], 0.1, more=2).more == 2


def test_results_are_rejected_one_by_one() -> None:
    found = accepted_results([10.00, 10.02, 10.40, 9.99, 9.60], 0.1)
    assert found.accepted == (True, True, False, True, False)
    assert found.value == pytest.approx(np.mean([10.00, 10.02, 9.99]))


def test_results_of_which_no_two_agree_give_nothing() -> None:
    found = accepted_results([10.0, 11.0, 12.5, 15.0], 0.1)
    assert math.isnan(found.value)
    assert sum(found.accepted) < 2


AT, OVER = [9.95, 9.93, 9.97], [10.10, 10.12, 10.08]


@pytest.mark.parametrize(
    ("supplier", "recipient", "third", "outcome", "value"),
    [
        (AT, AT, None, "conforms", 9.95),
        (OVER, OVER, None, "does not conform", 10.10),
        (AT, OVER, None, "third laboratory", math.nan),
        (AT, OVER, [9.90, 9.91, 9.92], "conforms", (9.95 + 10.10 + 9.91) / 3),
        (AT, OVER, [10.20, 10.22, 10.18], "does not conform", (9.95 + 10.10 + 10.20) / 3),
        (AT, OVER, [10.40, 10.42, 10.38], "does not conform", (9.95 + 10.10) / 2),
        (AT, OVER, [9.50, 9.51, 9.52], "does not conform", (9.95 + 10.10) / 2),
        ([9.95, 9.93, 10.30], OVER, None, "repeat", math.nan),
    ],
)
def test_a_dispute(
    supplier: list[float], recipient: list[float], third: list[float] | None, outcome: str, value: float
) -> None:
    """ISO 4259:2006, clause 10 (seen in a public copy). By hand: R₃ = √(3/4 · (0.3² - 0.1² · 2/3)) = 0.25."""
    found = settle_dispute(supplier, recipient, math.nan, 10.0, 0.1, 0.3, third=third)
    assert found.outcome == outcome
    assert found.value == pytest.approx(value, nan_ok=True)


def test_a_third_laboratory_is_left_out_in_one_case_of_twenty_if_chosen_beforehand() -> None:
    averages = laboratory_averages(3, 3)
    limit = deviation_limit(between_laboratories_limit(R_SMALL, R_LARGE, 3, 3), 3)
    assert limit == pytest.approx(0.25, abs=1e-12)
    one_in_twenty(np.abs(averages[:, 0] - averages[:, 1:].mean(axis=1)) > limit)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: deviation_limit(0.1, [2, 1]), "1 results: 2 or more are needed"),
        (lambda: between_laboratories_limit(0.3, 0.1, 1, 1), "r is at most R"),
        (lambda: accepted_results([1.0, 2.0], 0.0), "repeatability 0: more than 0 was expected"),
        (lambda: delivery_limits(1.0, 2.0, 0.1, "buyer"), "party 'buyer'"),  # type: ignore[arg-type]
        (lambda: settle_dispute([1.0, 1.0], [1.0] * 3, 0.0, 2.0, 0.1, 0.3), "the supplier needs 3 or more"),
    ],
)
def test_refusals(call: object, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()  # type: ignore[operator]


def test_limits_by_hand() -> None:
    """ISO 4259 (memory), by hand: √(0.09 - 0.01 (1 - 1/2 - 1/6)); with r = R it is r √((1/k₁ + 1/k₂)/2)."""
    assert between_laboratories_limit(0.1, 0.3, 1, 3) == pytest.approx(math.sqrt(0.09 - 0.01 / 3.0))
    assert between_laboratories_limit(0.2, 0.2, 2, 4) == pytest.approx(0.2 * math.sqrt(0.375))
    assert deviation_limit(0.4, 2) == pytest.approx(0.4)
    found = best_estimate([10.0, 11.0], 0.1, 0.3, results=[1, 3])
    half = math.sqrt((0.09 + 0.09 - 0.02 / 3.0) / 2.0) / 2.0
    assert (found.value, found.half_width) == (10.5, pytest.approx(half))
    assert found.interval == (pytest.approx(10.5 - half), pytest.approx(10.5 + half))
    rows = best_estimate([[1.0, 3.0], [5.0, 5.0]], [0.1, 0.2], [0.3, 0.2])
    assert rows.value.tolist() == [2.0, 5.0]
    assert rows.half_width == pytest.approx([0.15, 0.1])


def test_the_further_of_two_that_are_left_goes_too() -> None:
    """By hand: 15 is 3.83 from the mean of the others, then 12.5 is 2 from 10.5, and 10 and 11 don't agree."""
    found = accepted_results([10.0, 11.0, 12.5, 15.0], 0.1, more=2)
    assert (found.accepted, found.more) == ((False, True, False, False), 2)
    agreed = accepted_results([10.0, 10.05, 10.02], 0.1)
    assert (agreed.accepted, agreed.more) == ((True, True, True), 0)
    assert accepted_results([1.0, 2.0], 0.5).accepted == (True, True), "none of two is the odd one"
    for r in (-0.1, math.inf, math.nan):
        with pytest.raises(ValueError, match="more than 0 was expected"):
            accepted_results([1.0, 2.0], r)


@pytest.mark.parametrize(
    ("third", "far", "outcome"),
    [(12, 10.12, "mean of two: the other is beyond R3 = 0.106 of it"), (3, 10.12, "mean of all three laboratories")],
)
def test_many_results_of_the_third_laboratory_bind_it_closer(third: int, far: float, outcome: str) -> None:
    """By hand for r = R = 0.3: variances 0.045/k; √(0.045/12 + 2·0.015/4) = 0.106, √(0.015 + 2·0.00375/4) = 0.130."""
    others = 15 - third
    found = settle_dispute([9.98] * others, [10.02] * others, math.nan, 10.0, 0.3, 0.3, third=[far] * third)
    assert found.reason == outcome
    assert found.value == pytest.approx(10.0 if third == 12 else 10.04)
    assert found.outcome == ("conforms" if third == 12 else "does not conform")


def test_reasons_of_a_dispute_and_the_limits_themselves() -> None:
    at = settle_dispute([10.0] * 3, [10.0] * 3, 10.0, 10.0, 0.1, 0.3)
    assert (at.outcome, at.value, at.reason) == ("conforms", 10.0, "both averages meet the limits")
    below = settle_dispute([9.9] * 3, [9.7] * 3, 10.0, math.nan, 0.1, 0.3)
    assert (below.outcome, below.value) == ("does not conform", pytest.approx(9.8))
    assert below.reason == "both averages are outside the limits"
    assert settle_dispute(AT, OVER, math.nan, 10.0, 0.1, 0.3).reason == "the averages contradict each other"
    again = settle_dispute([9.0, 9.5, 9.9], [9.0, 9.5, 9.9], math.nan, 10.0, 0.1, 0.3)
    assert again.reason == "fewer than 3 acceptable results: supplier, recipient"


def test_room_of_one_limit_and_of_none() -> None:
    low, high = [0.6, 0.5999, math.nan, 0.1], [math.nan, math.nan, math.nan, 1.3]
    assert limits_leave_room(low, high, R_LARGE).tolist() == [True, False, False, True]
    assert limits_leave_room([-11.2, -11.1, -0.6], [-10.0, -10.0, math.nan], R_LARGE).tolist() == [True, False, False]
