"""Which results repeat each other, under which conditions, and what they say: small records by hand, the sample one."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, strategies as st
from scipy import stats

from labcalc.errors import PeriodError
from labcalc.exports import TIDY_COLUMNS, Reading
from labcalc.judgement import NOT_ENOUGH, DuplicateReport, Material, gather_record, report_duplicates
from labcalc.judgement.duplicates.pairing import CONDITIONS, RESULT_COLUMNS, repeated_results
from labcalc.lab import (
    Decision,
    DuplicateChoices,
    Instrument,
    Laboratory,
    Precision,
    PrecisionFunction,
    Product,
    ReferenceMaterial,
    ReportChoices,
)

ZONE = ZoneInfo("Europe/Lisbon")
PRODUCTS = (Product("Oil 46", ("S-*",), "formulated oils"), Product("Special", ("X-*",)))
LABORATORY = Laboratory(
    time_zone="Europe/Lisbon", products=PRODUCTS, references=(ReferenceMaterial("Reference oil", ("RO-*",), ()),)
)

DETERMINABILITY, REPEATABILITY, INTERMEDIATE = CONDITIONS


def result(sample: str | None = "S-1", at: str = "02 08:00", **more: Any) -> dict[str, Any]:
    """One determination of February 2026."""
    when = pd.Timestamp(f"2026-02-{at}", tz=ZONE)
    given = {"measured_at": when, "sample": sample, "instrument": "A", "operator": "Ana", "temperature_C": 40.0}
    given |= {"replicate": 1, "role": "reference" if str(sample).startswith("RO") else "sample", "source_file": "x.csv"}
    given |= {"kinematic_viscosity_mm2_s": 46.0, "density_kg_m3": 858.0, "run": f"{sample} {at}"}
    return given | more


def material(rows: Sequence[dict[str, Any]], laboratory: Laboratory = LABORATORY, *decisions: Decision) -> Material:
    table = pd.DataFrame(list(rows), columns=list(TIDY_COLUMNS))
    return Material(laboratory, Reading(table, (), ()), table, (), decisions)


def report(
    rows: Sequence[dict[str, Any]], laboratory: Laboratory = LABORATORY, *decisions: Decision
) -> DuplicateReport:
    return report_duplicates(material(rows, laboratory, *decisions))


def conditions(found: DuplicateReport) -> list[tuple[str, str, int]]:
    density = found.sets[found.sets["quantity"] == "density"]
    return [(row["condition"], row["changed"], row["number"]) for _, row in density.iterrows()]


def decision(what: str, day: int = 3, **about: Any) -> Decision:
    return Decision("I. Duarte", datetime(2026, 2, day, 12, tzinfo=ZONE), what, "because", **about)


# --- Pairing ---


def test_fills_of_a_run_and_runs_of_a_day_are_repeats() -> None:
    rows = [result(), result(at="02 08:20", run="S-1 02 08:00", replicate=2), result(at="02 15:00")]
    assert conditions(report(rows)) == [(REPEATABILITY, "", 3)]


@pytest.mark.parametrize(
    ("other", "changed"),
    [
        ({"operator": "Rui"}, "operator"),
        ({"instrument": "B"}, "equipment"),
        ({"instrument": "B", "operator": "Rui"}, "operator, equipment"),
        ({"at": "03 08:00"}, "time"),
        ({"at": "05 08:00", "instrument": "B"}, "time, equipment"),
        ({"operator": None}, "operator"),
    ],
)
def test_what_changed_is_named(other: dict[str, Any], changed: str) -> None:
    assert conditions(report([result(), result(**{"at": "02 09:00", **other})])) == [(INTERMEDIATE, changed, 2)]


def test_another_lot_of_reference_oil_is_another_calibration() -> None:
    rows = [
        result("RO-1", "02 07:00", lot="A"),
        result(at="02 08:00"),
        result("RO-1", "02 09:00", lot="B"),
        result(at="02 10:00"),
    ]
    assert conditions(report(rows)) == [(INTERMEDIATE, "calibration", 2)]
    assert conditions(report([*rows[:2], rows[2] | {"lot": "A"}, rows[3]])) == [(REPEATABILITY, "", 2)]


def test_an_adjustment_in_between_is_another_calibration() -> None:
    rows = [result(at="03 11:00"), result(at="03 13:00")]
    adjusted = decision("corrective action", instrument="A", quantity="density")
    found = report(rows, LABORATORY, adjusted).sets.set_index("quantity")
    assert found.loc["density", ["condition", "changed"]].tolist() == [INTERMEDIATE, "calibration"]
    assert found.loc["kinematic viscosity", ["condition", "changed"]].tolist() == [REPEATABILITY, ""]


def test_a_window_begins_with_its_first_result() -> None:
    """Three runs six hours apart: the third lies twelve hours after the first, and opens a window of its own."""
    rows = [result(at=f"02 {hour}:00") for hour in ("06", "12", "18")]
    assert conditions(report(rows)) == [(REPEATABILITY, "", 2), (INTERMEDIATE, "time", 2)]


def test_a_sample_of_long_ago_is_no_repeat() -> None:
    rows = [result(), result(measured_at=pd.Timestamp("2026-03-06", tz=ZONE), run="later")]
    assert report(rows).sets.empty
    longer = Laboratory(time_zone="Europe/Lisbon", duplicates=DuplicateChoices(intermediate_window_d=90))
    assert conditions(report(rows, longer)) == [(INTERMEDIATE, "time", 2)]


@pytest.mark.parametrize("name", ["S-1/2", "s-1 /2", "S-1 B", "S-1B"])
def test_endings_that_mark_a_second_fill(name: str) -> None:
    rows = [result(), result(name, "02 09:00")]
    assert report(rows).sets.empty
    choices = DuplicateChoices(second_fill_endings=("/2", "b"))
    marked = Laboratory(time_zone="Europe/Lisbon", products=PRODUCTS, duplicates=choices)
    assert conditions(report(rows, marked)) == [(REPEATABILITY, "", 2)]


def test_one_name_in_two_lots_is_two_samples() -> None:
    assert report([result(lot="L1"), result(at="02 09:00", lot="L2")]).sets.empty
    assert conditions(report([result(lot="L1"), result(at="02 09:00")])) == [(REPEATABILITY, "", 2)]


def test_which_repeats_count_is_a_choice() -> None:
    rows = [
        result(),
        result(at="02 08:20", run="S-1 02 08:00", replicate=2),
        result(at="02 10:00"),
        result("RO-1", "02 07:00"),
        result("RO-1", "02 07:30"),
    ]

    def counted(*kinds: str) -> list[int]:
        choices = DuplicateChoices(count=kinds)
        laboratory = Laboratory(time_zone="Europe/Lisbon", products=PRODUCTS, duplicates=choices)
        return sorted(number for _, _, number in conditions(report(rows, laboratory)))

    assert counted("within a run", "between runs") == [3]
    assert counted("within a run") == [2]
    assert counted("between runs") == [2]
    assert counted("reference oils between runs") == [2]
    assert counted("within a run", "between runs", "reference oils between runs") == [2, 3]


def test_determinations_of_one_fill_are_held_against_d() -> None:
    """They are one result; the precision of results is that of the means: here 46.05 and 46.25."""
    laboratory = Laboratory(
        time_zone="Europe/Lisbon", products=PRODUCTS, report=ReportChoices(replicates="determinations")
    )
    rows = [
        result(at=f"02 {hour}:{minute}", run=hour, replicate=n, kinematic_viscosity_mm2_s=value)
        for hour, values in (("08", (46.0, 46.1)), ("10", (46.0, 46.5)))
        for n, (minute, value) in enumerate(zip(("00", "10"), values, strict=True), 1)
    ]
    found = report(rows, laboratory)
    viscosity = found.sets[found.sets["quantity"] == "kinematic viscosity"]
    assert viscosity["condition"].tolist() == [DETERMINABILITY, DETERMINABILITY, REPEATABILITY]
    assert viscosity["mean"].tolist() == pytest.approx([46.05, 46.25, 46.15])
    assert viscosity["limit"].tolist() == pytest.approx([0.0037 * 46.05, 0.0037 * 46.25, 0.0074 * 46.15])
    (beyond,) = (one for one in found.beyond if one.quantity == "kinematic viscosity")
    assert beyond.values == (46.0, 46.5)
    assert beyond.what_to_do.startswith("Clean, fill and determine again")


def test_results_without_a_time_a_name_or_a_value_are_no_part_of_it() -> None:
    rows = [result(), result(at="02 09:00", measured_at=pd.NaT), result(at="02 10:00", sample=None)]
    rows += [result(at="02 11:00", kinematic_viscosity_mm2_s=np.nan, density_kg_m3=np.nan)]
    assert report(rows).sets.empty


def test_a_decision_takes_a_run_out_or_one_of_its_quantities() -> None:
    rows = [result(), result(at="02 09:00", density_kg_m3=850.0)]
    assert len(report(rows).beyond) == 1
    run = rows[1]["run"]
    assert report(rows, LABORATORY, decision("exclude", run=run)).sets.empty
    narrow = decision("exclude", run=run, quantity="density", temperature_C=40.0)
    assert report(rows, LABORATORY, narrow).sets["quantity"].tolist() == ["kinematic viscosity"]
    elsewhere = decision("exclude", run=run, quantity="density", temperature_C=100.0)
    assert len(report(rows, LABORATORY, elsewhere).beyond) == 1


def test_a_set_belongs_to_the_period_of_its_last_result() -> None:
    held = material([result(), result(at="05 09:00")])
    assert report_duplicates(held, "2026-02-02", "2026-02-04").sets.empty
    assert len(report_duplicates(held, "2026-02-05", "2026-02-05").sets) == 2


times = st.integers(0, 200).map(lambda hour: pd.Timestamp("2026-02-01", tz=ZONE) + pd.Timedelta(hours=hour))
results = st.builds(
    lambda number, at, instrument, operator: (f"S-{number}", at, instrument, operator),
    st.integers(1, 3),
    times,
    st.sampled_from("AB"),
    st.sampled_from(["Ana", "Rui"]),
)


@given(st.lists(results, min_size=2, max_size=12, unique=True), st.randoms())
def test_sets_hold_what_they_promise(given_results: list[tuple[str, pd.Timestamp, str, str]], random: Any) -> None:
    """Alike within repeatability, within the window, each result in one set; the order of the rows doesn't matter."""
    rows = [
        result(sample, measured_at=at, instrument=instrument, operator=operator, run=str(n))
        for n, (sample, at, instrument, operator) in enumerate(given_results)
    ]
    table = pd.DataFrame(rows, columns=list(TIDY_COLUMNS))
    found = repeated_results(table, table, LABORATORY, ())
    assert list(found.columns) == list(RESULT_COLUMNS)
    for (condition, _), rows_of_set in found.groupby(["condition", "set"]):
        assert len(rows_of_set) > 1
        assert rows_of_set["sample"].nunique() == 1
        assert rows_of_set["measured_at"].is_monotonic_increasing
        span = rows_of_set["measured_at"].max() - rows_of_set["measured_at"].min()
        alike = rows_of_set[["instrument", "operator"]].drop_duplicates().shape[0] == 1
        assert condition == INTERMEDIATE or (alike and span <= pd.Timedelta(hours=8))
        assert condition == REPEATABILITY or (not alike or span > pd.Timedelta(hours=8))
    assert not found.duplicated(["condition", "quantity", "run"]).any()
    shuffled = table.sample(frac=1.0, random_state=random.randrange(2**31))
    again = repeated_results(shuffled, shuffled, LABORATORY, ())
    keys = ["condition", "quantity", "run"]
    if len(set(table["measured_at"])) == len(table):
        assert sorted(map(tuple, again[keys].to_numpy())) == sorted(map(tuple, found[keys].to_numpy()))


# --- Precision ---


def pairs(densities: Sequence[tuple[float, float]], **more: Any) -> list[dict[str, Any]]:
    return [
        result(f"S-{n}", f"{1 + n // 20:02} {n % 20:02}:{fill}0", run=f"S-{n}", replicate=fill + 1, density_kg_m3=value)
        | more
        for n, pair in enumerate(densities, 1)
        for fill, value in enumerate(pair)
    ]


def test_the_precision_of_pairs_and_its_comparison_with_the_published_one() -> None:
    """s_r by the root of Σd²/2n; the p-value by scipy; ISO 12185 states r = 0.2 kg/m³ [memory].

    Results have a step of 0.1, which adds 0.1² / 12 to the variance that is to be met.
    """
    densities = [(858.0, 858.1), (857.0, 856.9), (860.0, 860.1), (850.0, 849.8)]
    found = report(pairs(densities))
    (summary,) = (one for one in found.summaries if one.quantity == "density")
    squares = sum((one - other) ** 2 for one, other in densities)
    assert summary.precision.deviation == pytest.approx(math.sqrt(squares / 8))
    assert (summary.precision.number, summary.limit_in_force, summary.letter) == (4, pytest.approx(0.2), "r")
    assert summary.comparison is not None
    ratio = squares / 8 / ((0.2 / (1.959963984540054 * math.sqrt(2))) ** 2 + 0.1**2 / 12.0)
    assert summary.comparison.p_worse == pytest.approx(stats.chi2.sf(4 * ratio, 4), rel=1e-6)
    assert summary.verdict == NOT_ENOUGH
    assert summary.name == "formulated oils, density at 40 °C"
    assert found.verdict == "as it should be"
    assert found.reason == "nothing to do; 0 of 8 sets of repeats beyond their limit"


def test_a_statement_of_the_laboratorys_own_is_an_estimate_too() -> None:
    own = Precision("formulated oils", "density", 40.0, PrecisionFunction(0.1, 0.0, 0.0), "own", degrees_of_freedom=20)
    laboratory = Laboratory(time_zone="Europe/Lisbon", products=PRODUCTS, precision=(own,))
    densities = [(858.0 + 1e-5 * n, 858.0 + 1e-5 * n + 0.2 * (-1) ** n) for n in range(8)]
    (summary,) = (one for one in report(pairs(densities), laboratory).summaries if one.quantity == "density")
    assert summary.comparison is not None
    ratio = 0.04 / 2 * (1.959963984540054 * math.sqrt(2) / 0.1) ** 2
    assert summary.comparison.p_worse == pytest.approx(stats.f.sf(ratio, 8, 20), rel=1e-5)
    assert summary.verdict == "worse than stated"
    assert summary.is_worse


def test_viscosity_is_relative_and_knows_no_unit() -> None:
    rows = pairs([(858.0, 858.0)] * 3)
    for place, factor in enumerate((1.0, 1.002, 10.0, 9.98, 3.0, 3.006)):
        rows[place]["kinematic_viscosity_mm2_s"] = 46.0 * factor
    (summary,) = (one for one in report(rows).summaries if one.quantity == "kinematic viscosity")
    logs = 100 * np.log([1.002, 0.998, 1.002])
    assert summary.unit == "%"
    assert summary.precision.deviation == pytest.approx(math.sqrt(np.mean(logs**2) / 2))


def test_the_first_result_that_is_always_lower_is_named_with_its_cause() -> None:
    densities = [(858.0 + n, 858.1 + n + 0.01 * (n % 3)) for n in range(8)]
    found = report(pairs(densities))
    (bias,) = found.biased
    assert bias.about == "Density"
    assert bias.finding.startswith("first minus second −0.11 kg/m³ (")
    assert "air, solvent, or residue of a lighter sample" in bias.what_to_do
    assert found.verdict == "to be watched"


def test_two_temperatures_of_a_fill_are_no_two_proofs_of_an_order() -> None:
    """What the fill shares shows at both temperatures: the mean of each pair of fills is tested, by scipy here."""
    cold = pairs([(858.0, 858.1), (857.0, 857.15), (860.0, 860.1), (850.0, 850.1), (851.0, 851.12)])
    hot = [row | {"temperature_C": 100.0, "density_kg_m3": row["density_kg_m3"] - 40.0} for row in cold]
    d = np.array([-0.1, -0.15, -0.1, -0.1, -0.12])
    reach = stats.t.ppf(0.975, 4) * d.std(ddof=1) / math.sqrt(5)
    (bias,) = report([*cold, *hot]).biased
    assert (
        bias.finding
        == f"first minus second −0.11 kg/m³ (−{-d.mean() + reach:.2f} to −{-d.mean() - reach:.3f}) from 5 pairs"
    )


def test_instruments_are_compared_where_nothing_else_can_be_meant() -> None:
    rows = [
        result(
            f"S-{n}", f"02 {8 + n:02}:{10 * turn:02}", instrument=name, density_kg_m3=858.0 + n + 0.1 * (name == "B")
        )
        for n in range(6)
        for turn, name in enumerate("AB" if n % 2 else "BA")
    ]
    found = report(rows)
    (summary,) = (one for one in found.summaries if one.quantity == "density")
    assert (summary.changed, summary.verdict) == (("equipment",), "within R")
    assert summary.precision.deviation == pytest.approx(0.1 / math.sqrt(2))  # the instruments' difference is part of it
    assert [(one.about, one.finding[:21]) for one in found.biased] == [("Density", "A minus B −0.10 kg/m³")]


def test_three_and_more_repeats_are_pooled_and_held_against_the_critical_range() -> None:
    """ISO 5725-6: the range of three is to be within 3.314/2.772 r; here 0.23 is, and 0.25 isn't (r = 0.2)."""
    rows = [
        result(f"S-{n}", f"02 0{8 - fill}:00", run=f"{n}", replicate=fill, density_kg_m3=858.0 + value)
        for n, values in enumerate([(0.0, 0.1, 0.23), (0.0, 0.1, 0.25)])
        for fill, value in enumerate(values)
    ]
    found = report(rows)
    (summary,) = (one for one in found.summaries if one.quantity == "density")
    assert summary.precision.degrees_of_freedom == 4
    (beyond,) = found.beyond
    assert beyond.limit == pytest.approx(0.2 * 3.314 / 2.772)
    assert beyond.what_to_do == ("Measure 1 more: report the mean of four within 0.262 kg/m³, else their median.")


def test_what_to_do_with_four_and_with_more_that_do_not_agree() -> None:
    def of(*values: float) -> str:
        rows = [
            result(at=f"02 08:{10 + n}", run="one", replicate=n, density_kg_m3=value) for n, value in enumerate(values)
        ]
        (beyond,) = report(rows).beyond
        return beyond.what_to_do

    assert of(858.0, 858.1, 858.2, 859.0).startswith("Report the median, 858.15 kg/m³")
    assert of(858.0, 858.1, 858.2, 858.3, 859.0).startswith("Find out why")


def test_a_product_without_a_class_has_no_limit_and_says_why() -> None:
    (viscosity, density) = report([result("X-1"), result("X-1", "02 09:00", density_kg_m3=859.0)]).summaries
    assert (density.precision_class, density.verdict) == ("Special", "no limit")
    assert density.compared == "2.77 s 2.0 kg/m³"
    assert density.why_not == "no precision statement for density of Special at 40 °C"
    assert math.isnan(viscosity.limit_in_force)


def test_an_instrument_whose_method_states_no_precision_is_held_to_no_other_method() -> None:
    """D7042 as shipped states nothing for formulated oils: the pairs of B have no limit, those of A keep theirs."""
    methods = {"A": ("ASTM D445", "ISO 12185"), "B": ("ASTM D7042",)}
    instruments = tuple(Instrument(name, methods=of) for name, of in methods.items())
    laboratory = replace(LABORATORY, instruments=instruments)
    alike = [(858.0, 858.1), (857.0, 856.9), (860.0, 860.1), (850.0, 849.8)]
    of_b = [row | {"sample": f"{row['sample']}b", "run": f"{row['run']}b"} for row in pairs(alike, instrument="B")]
    found = report([*pairs(alike), *of_b], laboratory)
    held, free = (one for one in found.summaries if one.quantity == "density")
    assert (held.name, held.limit_in_force) == ("formulated oils, density at 40 °C, A", pytest.approx(0.2))
    assert (free.name, free.verdict, free.precision.number) == ("formulated oils, density at 40 °C, B", "no limit", 4)
    assert free.comparison is None
    assert free.why_not.startswith("no precision of ASTM D7042")
    assert found.sets.loc[found.sets["instruments"] == "B", ["limit", "pair_limit"]].isna().all(axis=None)
    assert found.reason == "nothing to do; 0 of 8 sets of repeats beyond their limit; 8 without a limit"


# --- The sample laboratory ---


@pytest.fixture(scope="module")
def quarter() -> DuplicateReport:
    return report_duplicates(gather_record())


def test_planted_faults_show_and_stay_in_the_precision(quarter: DuplicateReport) -> None:
    """The air bubble of planted_faults.csv, -3.8 kg/m³ in a first fill, and the two bottles that were swapped."""
    (bubble,) = (one for one in quarter.beyond if one.sample == "HX68-26-0512")
    assert (bubble.quantity, bubble.temperature_C, bubble.values) == ("density", 40.0, (859.2, 863.0))
    assert bubble.what_to_do.startswith("Measure 2 more: report the mean of four within 0.262 kg/m³")
    swapped = [one for one in quarter.beyond if one.sample == "BH-26-0584"]
    assert len(swapped) == 4
    assert {(one.condition, one.changed) for one in swapped} == {(INTERMEDIATE, "operator, equipment")}
    summary = next(one for one in quarter.summaries if "HX68-26-0512" in one.beyond)
    assert summary.verdict == "1 of 22 beyond r", "one bubble is not the method"
    assert summary.precision.deviation > 0.5
    assert summary.robust_limit < 0.15
    assert quarter.verdict == "needs action"
    assert quarter.reason.startswith("measure BH-26-0584, HX68-26-0512 again; rinse once more after thicker samples; ")


def test_the_residue_that_was_put_in_is_told_from_the_method(quarter: DuplicateReport) -> None:
    """README of sample_runs: 0.2 % and 0.35 % of a thicker sample before stay in the cell; the second fill has less."""
    gas_oils = [one for one in quarter.beyond if one.sample.startswith("GO-")]
    assert len(gas_oils) == 4
    assert all(one.carried > 0.0 for one in gas_oils)
    assert gas_oils[0].what_to_do.startswith("Residue of the sample before explains it (+")
    for one in (each for each in quarter.summaries if each.condition == REPEATABILITY and each.carried_over):
        assert one.verdict != "worse than published"
    assert (quarter.spreads[0].stands_out, quarter.biased) == (False, ())


def test_a_fill_by_another_person_is_no_repeatability(quarter: DuplicateReport) -> None:
    runs = quarter.sets[quarter.sets["runs"] == "VD-1-260306-07"]
    assert set(runs["changed"]) == {"operator"}


def test_one_product_one_class_one_person(quarter: DuplicateReport) -> None:
    record = gather_record()
    oils = report_duplicates(record, product="gas OILS")
    assert (oils.only["product"], set(oils.sets["precision_class"])) == ("gas oils", {"gas oils"})
    product = report_duplicates(record, product="Hydraulic oil HX 68")
    assert set(product.sets["product"]) == {"Hydraulic oil HX 68"}
    person = report_duplicates(record, operator="leilani bose")
    assert all("Leilani Bose" in names for names in person.sets["operators"])
    assert 0 < len(person.sets) < len(quarter.sets)
    cell = report_duplicates(record, instrument="vd-2")
    assert all("VD-2" in names for names in cell.sets["instruments"])
    assert (cell.about, len(cell.sets) < len(quarter.sets)) == ("2026-01-02 to 2026-03-31, VD-2", True)
    assert len({one.digest for one in (quarter, oils, product, person, cell)}) == 5


@pytest.mark.parametrize(
    ("words", "problem"),
    [
        ({"product": "gas oil s"}, "the record holds no product or class 'gas oil s'; did you mean 'gas oils'?"),
        ({"instrument": "VD"}, "the record holds no instrument 'VD'; did you mean 'VD-2'?"),
        ({"operator": "Nobody"}, "the record holds no operator 'Nobody'"),
        ({"first_day": "2026-02-30"}, "'2026-02-30' is no day; year, month and day are expected, such as 2026-03-31"),
        ({"last_day": "1.2.26"}, "'1.2.26' is no day; year, month and day are expected, such as 2026-03-31"),
        (
            {"first_day": "2026-03-01", "last_day": "2026-02-01"},
            "the period ends on 2026-02-01, before it begins on 2026-03-01",
        ),
    ],
)
def test_what_the_record_does_not_hold_is_refused(words: dict[str, str], problem: str) -> None:
    with pytest.raises(PeriodError) as refused:
        report_duplicates(gather_record(), **words)
    assert str(refused.value) == problem


def test_a_record_without_a_dated_run_is_refused() -> None:
    with pytest.raises(PeriodError, match="the record holds no dated run"):
        report([result(measured_at=pd.NaT)])
    assert report_duplicates(gather_record(), "2026-07-01", "2026-07-31").reason == "no sample was measured twice"
