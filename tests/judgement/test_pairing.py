"""Which results repeat each other, at the edges: windows, temperatures, lots, adjustments; and each set by hand.

ISO 12185 as shipped (memory): r = 0.2, R = 0.5 kg/m³. D445 as shipped (memory), formulated oils at 40 °C: r = 0.0074 x,
R = 0.0122 x. The samples are invented.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pandas as pd
import pytest

from labcalc.exports import TIDY_COLUMNS
from labcalc.judgement.duplicates.pairing import CONDITIONS, repeated_results
from labcalc.judgement.duplicates.sets import SET_COLUMNS, sets_of, statement_for
from labcalc.lab import Decision, DuplicateChoices, Laboratory, Precision, PrecisionFunction, ReportChoices
from tests.judgement.test_duplicates import LABORATORY, ZONE, decision, result

DETERMINABILITY, REPEATABILITY, INTERMEDIATE = CONDITIONS

Rows = Sequence[dict[str, Any]]


def paired(rows: Rows, laboratory: Laboratory = LABORATORY, *decisions: Decision) -> pd.DataFrame:
    table = pd.DataFrame(list(rows), columns=list(TIDY_COLUMNS))
    return repeated_results(table, table, laboratory, decisions)


def density(found: pd.DataFrame) -> pd.DataFrame:
    return found[found["quantity"] == "density"]


def kinds(rows: Rows, laboratory: Laboratory = LABORATORY, *decisions: Decision) -> list[tuple[str, str, int]]:
    """Condition, what changed, and number of results of each set of densities."""
    sets = density(paired(rows, laboratory, *decisions)).groupby("set")
    return [(one["condition"].iloc[0], one["changed"].iloc[0], len(one)) for _, one in sets]


def sets(rows: Rows, laboratory: Laboratory = LABORATORY) -> pd.DataFrame:
    return sets_of(paired(rows, laboratory), laboratory)


def at(moment: str) -> dict[str, Any]:
    return {"measured_at": pd.Timestamp(moment, tz=ZONE), "run": moment}


def choices(**more: Any) -> Laboratory:
    return replace(LABORATORY, duplicates=replace(DuplicateChoices(), **more))


# --- Windows ---


@pytest.mark.parametrize(
    ("later", "expected"),
    [
        ("2026-02-02 15:59:59", (REPEATABILITY, "", 2)),
        ("2026-02-02 16:00:00", (REPEATABILITY, "", 2)),
        ("2026-02-02 16:00:01", (INTERMEDIATE, "time", 2)),
        ("2026-03-05 08:00:00", (INTERMEDIATE, "time", 2)),
        ("2026-03-05 08:00:01", None),
    ],
)
def test_both_windows_include_their_end(later: str, expected: tuple[str, str, int] | None) -> None:
    """8 hours from 2 February 08:00 are 16:00; 31 days are 5 March 08:00 (February has 28)."""
    assert kinds([result(), result(**at(later))]) == ([expected] if expected else [])


@pytest.mark.parametrize(("later", "changed"), [("16:00:00", "operator"), ("16:00:01", "time, operator")])
def test_time_is_changed_beyond_the_shorter_window(later: str, changed: str) -> None:
    assert kinds([result(), result(operator="Rui", **at(f"2026-02-02 {later}"))]) == [(INTERMEDIATE, changed, 2)]


def test_the_windows_are_choices() -> None:
    rows = [result(), result(**at("2026-02-02 10:00")), result(**at("2026-02-04 10:00"))]
    assert kinds(rows, choices(repeatability_window_h=2.0, intermediate_window_d=2.0)) == [(REPEATABILITY, "", 2)]
    assert kinds(rows, choices(repeatability_window_h=1.9, intermediate_window_d=2.0)) == [
        (INTERMEDIATE, "time", 2),
    ], "2 h apart, and the third lies 2 d and 2 h after the first"


def test_a_run_is_not_cut_in_two_by_a_window() -> None:
    """It begins 7:50 h after the first result; its second fill lies 8:20 h after it, and belongs to the set."""
    run = [
        result(**at(f"2026-02-02 {clock}") | {"run": "two", "replicate": n})
        for n, clock in ((1, "15:50"), (2, "16:20"))
    ]
    assert kinds([result(), *run]) == [(REPEATABILITY, "", 3)]


def test_the_first_of_each_set_stands_for_it_in_an_intermediate_precision() -> None:
    rows = [
        result(density_kg_m3=858.0),
        result(at="02 08:30", density_kg_m3=858.1),
        result(at="03 08:00", density_kg_m3=858.2),
        result(at="03 08:30", density_kg_m3=858.3),
    ]
    found = density(paired(rows))
    assert [(kind, one["value"].tolist()) for kind, one in found.groupby("condition", sort=True)] == [
        (INTERMEDIATE, [858.0, 858.2]),
        (REPEATABILITY, [858.0, 858.1, 858.2, 858.3]),
    ]
    assert found["set"].nunique() == 3


# --- What is the same ---


def test_temperatures_are_the_same_to_a_tenth() -> None:
    assert kinds([result(temperature_C=40.02), result(at="02 09:00", temperature_C=39.96)]) == [(REPEATABILITY, "", 2)]
    assert kinds([result(temperature_C=40.0), result(at="02 09:00", temperature_C=40.06)]) == []


def test_without_its_lot_a_sample_of_several_lots_stands_alone() -> None:
    lots = [result(lot="L1"), result(at="02 09:00", lot="L2"), result(at="02 10:00"), result(at="02 11:00")]
    assert kinds(lots) == [(REPEATABILITY, "", 2)]
    assert density(paired(lots))["run"].tolist() == ["S-1 02 10:00", "S-1 02 11:00"]


def test_of_the_fills_of_a_run_the_first_counts_where_only_runs_do() -> None:
    rows = [
        result(density_kg_m3=858.0, run="A", replicate=2),
        result(at="02 08:10", density_kg_m3=858.1, run="A", replicate=1),
        result(at="02 09:00", density_kg_m3=858.2, run="B"),
        result(at="02 09:00", density_kg_m3=858.3, run="B", replicate=2),
        result(at="02 09:00", density_kg_m3=820.0, run="B", temperature_C=100.0),
    ]
    found = density(paired(rows, choices(count=("between runs",))))
    assert found["value"].tolist() == [858.0, 858.2], "by time, then by replicate"


def test_endings_are_no_part_of_a_name() -> None:
    """The longest that fits is taken off, once, and only at the end; a name that is nothing else is none."""

    def together(one: str, other: str, *endings: str) -> bool:
        return bool(kinds([result(one), result(other, "02 09:00")], choices(second_fill_endings=endings)))

    assert together("S-1", "S-1/B", "b", "/b")
    assert together("S-1", "S-1/B", "/b", "b")
    assert not together("S-1", "S-1BB", "b")
    assert not together("S-1", "BS-1", "b")
    assert not together("S-1", "S-1x2", ".2"), "no pattern"
    assert not together("/2", "/2", "/2")
    assert not together("S-1", "S-1/2")
    assert together("s-1 ", "S-1")


# --- What changed ---


@pytest.mark.parametrize(
    ("about", "changed"),
    [
        ({"instrument": "A"}, "calibration"),
        ({"instrument": "A", "quantity": "density"}, "calibration"),
        ({"instrument": "A", "quantity": "kinematic viscosity"}, None),
        ({"instrument": "B"}, None),
        ({}, None),
    ],
)
@pytest.mark.parametrize(("second", "before"), [("03 12:00", False), ("03 11:59", True)])
def test_an_adjustment_counts_from_its_moment_on(
    about: dict[str, str], changed: str | None, second: str, before: bool
) -> None:
    rows = [result(at="03 11:00"), result(at=second)]
    found = kinds(rows, LABORATORY, decision("corrective action", **about))
    alike = changed is None or before
    assert found == [(REPEATABILITY, "", 2) if alike else (INTERMEDIATE, changed, 2)]


def test_two_adjustments_in_between_are_one_change_and_no_decision_of_another_kind_is() -> None:
    rows = [result(at="03 11:00"), result(at="03 14:00")]
    two = [decision("corrective action", instrument="A"), decision("corrective action", instrument="A")]
    assert kinds(rows, LABORATORY, *two) == [(INTERMEDIATE, "calibration", 2)]
    assert kinds(rows, LABORATORY, decision("accept", instrument="A")) == [(REPEATABILITY, "", 2)]


def test_adjusting_one_of_two_instruments_is_no_other_calibration_of_the_pair() -> None:
    rows = [result(at="03 11:00"), result(at="03 14:00", instrument="B")]
    adjusted = decision("corrective action", instrument="B")
    assert kinds(rows, LABORATORY, adjusted) == [(INTERMEDIATE, "equipment", 2)]


def test_the_lot_in_use_is_that_of_the_last_check_of_the_instrument() -> None:
    """A check at the very time of a result counts for it; one of another instrument, or without a lot, doesn't."""
    rows = [result(), result(at="02 10:00")]
    check = result("RO-1", "02 10:00", lot="B")
    assert kinds([*rows, check]) == [(INTERMEDIATE, "calibration", 2)]
    for other in (
        {"instrument": "B"},
        {"lot": None},
        {"measured_at": pd.NaT},
        {"measured_at": check["measured_at"] + pd.Timedelta(seconds=1)},
    ):
        assert kinds([*rows, check | other]) == [(REPEATABILITY, "", 2)]
    assert kinds([*rows, check, result("RO-1", "02 07:00", lot="B")]) == [(REPEATABILITY, "", 2)]


def test_lots_of_two_oils_are_looked_at_apart() -> None:
    """Oil 1 keeps its lot; oil 2, named by its sample as lab.toml knows it not, goes over to another."""
    rows = [result(at="02 08:00"), result(at="02 12:00")]
    checks = [result("RO-1", "02 07:00", lot="A"), result("RO-1", "02 11:00", lot="A")]
    second = [
        result("Z-9", "02 07:10", lot="A", role="reference"),
        result("Z-9", "02 11:10", lot="C", role="reference"),
    ]
    assert kinds([*rows, *checks]) == [(REPEATABILITY, "", 2)]
    assert kinds([*rows, *checks, *second]) == [(INTERMEDIATE, "calibration", 2)]


# --- What a decision takes out ---


@pytest.mark.parametrize(
    ("about", "left"),
    [
        ({"temperature_C": 40.04}, []),
        ({"temperature_C": 39.96}, []),
        ({"temperature_C": 40.06}, ["density", "kinematic viscosity"]),
        ({"quantity": "kinematic viscosity"}, ["density"]),
        ({"quantity": "density", "temperature_C": 40.0}, ["kinematic viscosity"]),
        ({}, []),
    ],
)
def test_an_exclusion_is_about_its_temperature_and_quantity(about: dict[str, Any], left: list[str]) -> None:
    rows = [result(), result(at="02 09:00")]
    found = paired(rows, LABORATORY, decision("exclude", run=rows[1]["run"], **about))
    assert sorted(set(found["quantity"])) == left
    assert len(paired(rows, LABORATORY, decision("exclude", run="another", **about))) == 4
    assert len(paired(rows, LABORATORY, decision("accept", run=rows[1]["run"], **about))) == 4


# --- Sets by hand ---


def test_a_pair_by_hand() -> None:
    """100 ln(46.2 / 46.0) = 0.434 %; r = 0.0074 · 46.1 = 0.34114 mm²/s, 0.74 %; 858.0 - 858.1 against 0.2 kg/m³."""
    rows = [
        result(kinematic_viscosity_mm2_s=46.2, density_kg_m3=858.0, product="Oil"),
        result(at="02 09:00", kinematic_viscosity_mm2_s=46.0, density_kg_m3=858.1, product="Oil"),
    ]
    found = sets(rows).set_index("quantity")
    assert list(sets(rows).columns) == list(SET_COLUMNS)
    viscosity, heavy = found.loc["kinematic viscosity"], found.loc["density"]
    apart = 100.0 * math.log(46.2 / 46.0)
    assert (viscosity["mean"], viscosity["difference"], viscosity["spread"]) == pytest.approx((46.1, apart, apart))
    assert (viscosity["limit"], viscosity["pair_limit"]) == pytest.approx((0.34114, 0.74))
    assert viscosity["share"] == pytest.approx(0.2 / 0.34114)
    assert (heavy["mean"], heavy["difference"], heavy["spread"]) == pytest.approx((858.05, -0.1, 0.1))
    assert (heavy["limit"], heavy["pair_limit"], heavy["share"]) == pytest.approx((0.2, 0.2, -0.5))
    assert (heavy["number"], heavy["sample"], heavy["product"]) == (2, "S-1", "Oil")
    assert (heavy["runs"], heavy["instruments"], heavy["operators"]) == ("S-1 02 08:00, S-1 02 09:00", "A", "Ana")
    assert heavy["ended"] == pd.Timestamp("2026-02-02 09:00", tz=ZONE)


@pytest.mark.parametrize(
    ("other", "beyond"), [(858.2, False), (858.2000001, True), (857.8, False), (857.7999999, True)]
)
def test_a_set_is_beyond_its_limit_by_more_than_binary_dust(other: float, beyond: bool) -> None:
    found = sets([result(density_kg_m3=858.0), result(at="02 09:00", density_kg_m3=other)])
    assert found.loc[found["quantity"] == "density", "beyond"].tolist() == [beyond]


def test_three_in_another_order() -> None:
    """First minus second; largest minus smallest; limit of three: 0.2 · 3.314 / 2.772 (ISO 5725-6, table 1)."""
    rows = [result(at=f"02 0{8 + n}:00", density_kg_m3=value) for n, value in enumerate((858.1, 858.0, 858.25))]
    found = sets(rows).set_index("quantity").loc["density"]
    limit = 0.2 * 3.314 / 2.772
    assert (found["difference"], found["spread"], found["mean"]) == pytest.approx((0.1, 0.25, 2574.35 / 3.0))
    assert (found["limit"], found["pair_limit"], found["share"]) == pytest.approx((limit, 0.2, 0.25 / limit))
    assert found["beyond"]


def test_a_difference_of_zero_has_no_sign_of_its_own() -> None:
    rows = [result(at=f"02 0{8 + n}:00", density_kg_m3=value) for n, value in enumerate((858.0, 858.0, 857.9))]
    assert sets(rows).set_index("quantity").loc["density", "share"] == pytest.approx(0.1 / (0.2 * 3.314 / 2.772))


def own(**more: float) -> Laboratory:
    repeatability = PrecisionFunction(1e-3, -800.0)
    statement = Precision("formulated oils", "density", math.nan, repeatability, "Own", **more)  # type: ignore[arg-type]
    return replace(LABORATORY, precision=(statement,))


@pytest.mark.parametrize(
    ("laboratory", "value", "limit"),
    [
        (own(), 858.0, 0.058),
        (own(lowest=858.0), 858.0, 0.058),
        (own(lowest=858.1), 858.0, math.nan),
        (own(highest=858.0), 858.0, 0.058),
        (own(highest=857.9), 858.0, math.nan),
        (own(), 800.0, math.nan),
        (own(), 799.0, math.nan),
    ],
)
def test_a_limit_holds_in_its_range_and_above_0(laboratory: Laboratory, value: float, limit: float) -> None:
    found = sets([result(density_kg_m3=value), result(at="02 09:00", density_kg_m3=value)], laboratory)
    assert found.set_index("quantity").loc["density", "limit"] == pytest.approx(limit, nan_ok=True)


def test_more_results_than_ten_have_no_limit() -> None:
    rows = [result(at=f"02 08:{10 + n}") for n in range(11)]
    assert sets(rows)["limit"].isna().all()
    ten = sets(rows[:10]).set_index("quantity").loc["density"]
    assert ten["limit"] == pytest.approx(0.2 * 4.474 / 2.772, rel=1e-3), "ISO 5725-6, table 1: f(10) = 4.5"


def test_which_class_a_set_belongs_to() -> None:
    def of(*names: str | None, **more: Any) -> str:
        rows = [result(name, f"02 0{8 + n}:00", **more) for n, name in enumerate(names)]
        (found,) = set(sets(rows, choices(count=("between runs", "reference oils between runs")))["precision_class"])
        return str(found)

    assert of("S-1", "S-1") == "formulated oils"
    assert of("X-1", "X-1") == "Special"
    assert of("Y-1", "Y-1") == "no product"
    assert of("Y-1", "Y-1", product="Bunker") == "Bunker"
    assert of("RO-1", "RO-1") == "reference oils"


def test_a_reference_oil_is_held_against_base_oils_and_r_of_the_published_where_the_own_says_none() -> None:
    """D445 as shipped (memory): base oils at 40 °C r = 0.0101 x; an own r without R leaves the published R."""
    found = statement_for(Laboratory(), "reference oils", "kinematic viscosity", 40.0, REPEATABILITY)
    assert found is not None
    assert found.repeatability.factor == 0.0101
    kinds_of = {
        condition: statement_for(own(), "formulated oils", "density", 40.0, condition)
        for condition in (REPEATABILITY, INTERMEDIATE)
    }
    assert {condition: one and one.method for condition, one in kinds_of.items()} == {
        REPEATABILITY: "Own",
        INTERMEDIATE: "ISO 12185",
    }
    assert statement_for(own(), "unheard of", "density", 40.0, REPEATABILITY) is None


def test_determinations_are_sets_of_their_own_and_their_means_are_the_results() -> None:
    laboratory = replace(LABORATORY, report=ReportChoices(replicates="determinations"))
    rows = [
        result(at=f"02 0{hour}:{n}0", run=f"{hour}", replicate=n, density_kg_m3=value)
        for hour, values in ((8, (858.0, 858.3)), (9, (858.2,)))
        for n, value in enumerate(values)
    ]
    found = density(paired(rows, laboratory))
    assert [(kind, one["value"].tolist()) for kind, one in found.groupby("condition", sort=True)] == [
        (DETERMINABILITY, [858.0, 858.3]),
        (REPEATABILITY, [pytest.approx(858.15), 858.2]),
    ]
    assert found.loc[found["condition"] == REPEATABILITY, "measured_at"].iloc[0] == rows[0]["measured_at"]
    table = sets(rows, laboratory).set_index(["quantity", "condition"])
    assert table.loc[("density", DETERMINABILITY), "limit"] == pytest.approx(0.2), "no d is stated: r holds"
    assert table.loc[("kinematic viscosity", DETERMINABILITY), "limit"] == pytest.approx(0.0037 * 46.0)


def test_no_results_are_no_sets() -> None:
    assert paired([result()]).empty
    assert list(sets([result()]).columns) == list(SET_COLUMNS)
