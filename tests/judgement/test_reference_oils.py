"""Reference oils against their certificates, number by number: limits, ages, lots, charts at a run.

The oils are invented. A difference may be the root of squares of the laboratory's own limit and the certificate's
expanded uncertainty (k = 2): with 0.3 and 0.4 it is 0.5, with 0.6 and 0.8 it is 1, exactly.
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date

import pandas as pd
import pytest

from labcalc.exports import TIDY_COLUMNS
from labcalc.judgement import COMPARISON_COLUMNS, Check, Judgement
from labcalc.judgement.certificates import certificates_in_use, compare_with_certificates
from labcalc.judgement.control.status import ChartState
from labcalc.judgement.precision import precision_of_class
from labcalc.judgement.run.validity import control_chart_check
from labcalc.lab import (
    CertifiedValue,
    Laboratory,
    Precision,
    PrecisionFunction,
    ReferenceLot,
    ReferenceMaterial,
    ReportChoices,
)
from tests.judgement.conftest import LAB, REFERENCE, Judge

KV = "kinematic viscosity"
ZONE = "Europe/Lisbon"


def lot(name: str, *certified: CertifiedValue, first: date = date(2026, 1, 1)) -> ReferenceLot:
    return ReferenceLot(name, first, date(2026, 12, 31), certified)


VALUES = (CertifiedValue(KV, 40.0, 60.0, 0.6, 3.0), CertifiedValue("density", 40.0, 850.0, 0.8))
LABORATORY = Laboratory(
    references=(ReferenceMaterial("Oil R", ("RO-*",), (lot("A", *VALUES),)),),
    report=ReportChoices(reference_viscosity_percent=0.5, reference_density_kg_m3=0.6),
)


def table(*rows: dict[str, object]) -> pd.DataFrame:
    """Determinations of reference oils, each half an hour after the one before."""
    given = [
        {
            "run": "R1",
            "sample": "RO-1",
            "instrument": "VD",
            "role": "reference",
            "lot": "A",
            "temperature_C": 40.0,
            "measured_at": pd.Timestamp("2026-03-02 07:00", tz=ZONE) + pd.Timedelta(minutes=30 * n),
        }
        | row
        for n, row in enumerate(rows)
    ]
    return pd.DataFrame(given, columns=list(TIDY_COLUMNS))


def check(judgement: Judgement, name: str) -> Check:
    (found,) = (one for one in judgement.checks if one.name == name)
    return found


# --- Beside the certificate ---


def test_the_mean_of_the_repeats_stands_beside_the_certified_value() -> None:
    """U = 0.6 with k = 3 is 0.4 with k = 2; 0.5 % of 60 is 0.3: the limit is 0.5. Density: 0.6 and 0.8, so 1."""
    rows = table(
        {"kinematic_viscosity_mm2_s": 60.2, "density_kg_m3": 850.1},
        {"kinematic_viscosity_mm2_s": 60.4, "temperature_C": 40.02},
    )
    found = compare_with_certificates(rows, LABORATORY)
    assert list(found.columns) == list(COMPARISON_COLUMNS)
    viscosity, density = (found[found["quantity"] == name].iloc[0] for name in (KV, "density"))
    assert viscosity["value"] == pytest.approx((60.2 + 60.4) / 2.0)
    assert (viscosity["certified"], viscosity["limit"]) == (60.0, pytest.approx(0.5, rel=1e-12))
    assert (density["value"], density["certified"], density["limit"]) == (850.1, 850.0, pytest.approx(1.0, rel=1e-12))
    assert viscosity["measured_at"] == pd.Timestamp("2026-03-02 07:30", tz=ZONE), "of the last repeat"
    assert len(found) == 2


def test_what_no_certificate_gives_has_no_certified_value() -> None:
    """Another temperature, another quantity, another lot, a day before or after, a sample of no oil."""
    value = {"kinematic_viscosity_mm2_s": 60.2}
    late = {"measured_at": pd.Timestamp("2027-01-01 00:00", tz=ZONE)}
    last = {"measured_at": pd.Timestamp("2026-12-31 23:59", tz=ZONE)}
    rows = table(
        value | {"run": "1", "temperature_C": 40.1},
        value | {"run": "2", "lot": "B"},
        value | {"run": "3"} | late,
        value | {"run": "4", "sample": "S-1"},
        {"run": "5", "dynamic_viscosity_mPa_s": 51.0},
        value | {"run": "6"} | last,
    )
    certified = compare_with_certificates(rows, LABORATORY).set_index("run")["certified"]
    assert {run: value for run, value in certified.items() if not math.isnan(value)} == {"6": 60.0}


@pytest.mark.parametrize(("temperature", "known"), [(40.0, True), (39.95, True), (40.05, True), (40.06, False)])
def test_a_certified_temperature_is_met_within_0_05_kelvin(temperature: float, known: bool) -> None:
    oil = ReferenceMaterial("Oil R", ("RO-*",), (lot("A", CertifiedValue(KV, temperature, 60.0, 0.4)),))
    found = compare_with_certificates(
        table({"kinematic_viscosity_mm2_s": 60.2}), replace(LABORATORY, references=(oil,))
    )
    assert found["certified"].notna().tolist() == [known]


def test_samples_are_no_reference_oils() -> None:
    rows = table({"kinematic_viscosity_mm2_s": 60.2, "role": "sample"})
    assert compare_with_certificates(rows, LABORATORY).empty
    both = pd.concat([rows, table({"kinematic_viscosity_mm2_s": 60.3, "run": "R2"})])
    assert compare_with_certificates(both, LABORATORY)["run"].tolist() == ["R2"]


def test_lots_are_told_apart_and_each_has_its_own_certificate() -> None:
    lots = (lot("A", *VALUES), lot("B", CertifiedValue(KV, 40.0, 70.0, 0.4)))
    laboratory = replace(LABORATORY, references=(ReferenceMaterial("Oil R", ("RO-*",), lots),))
    rows = table(
        {"run": "1", "kinematic_viscosity_mm2_s": 60.2},
        {"run": "2", "kinematic_viscosity_mm2_s": 70.2, "lot": "b "},
        {"run": "3", "kinematic_viscosity_mm2_s": 60.3},
    )
    assert compare_with_certificates(rows, laboratory)["certified"].tolist() == [60.0, 70.0, 60.0]


def test_certificates_in_use_are_those_of_the_last_lots() -> None:
    newer = lot("B", CertifiedValue(KV, 40.0, 70.0, 0.4), first=date(2026, 3, 1))
    laboratory = replace(LABORATORY, references=(ReferenceMaterial("Oil R", ("RO-*",), (lot("A", *VALUES), newer)),))
    rows = table({"run": "1", "lot": "A"}, {"run": "2", "lot": "B"})
    assert [(name, one.value) for name, one in certificates_in_use(rows, laboratory).values] == [("RO-1 lot B", 70.0)]
    assert [one.value for _, one in certificates_in_use(rows[::-1], laboratory).values] == [60.0, 850.0]
    assert certificates_in_use(rows[:0], laboratory).why_none == (
        "the record holds no reference-oil result of this instrument in 30 days"
    )
    none = certificates_in_use(table({"sample": "RO-1", "lot": "Z"}, {"sample": "X"}), laboratory)
    assert (none.values, none.why_none) == ((), "no certificate was valid on the day for RO-1, X")
    assert certificates_in_use(rows, replace(laboratory, references=())).why_none == "lab.toml names no reference oils"


# --- Agreement and age, in a run's report ---

EXACT = LAB.replace("value = 50.00, expanded_uncertainty = 0.10", "value = 60.00, expanded_uncertainty = 0.40").replace(
    "value = 850.00, expanded_uncertainty = 0.10", "value = 850.00, expanded_uncertainty = 0.40"
)
"""Limits: viscosity hypot(0.3, 0.4) = 0.5 mm²/s, density by default hypot(0.3, 0.4) = 0.5 kg/m³."""


@pytest.mark.parametrize(
    ("viscosity", "density", "state", "said"),
    [
        ("60.5", "850.1", "met", "kinematic viscosity at 40 °C, 60.50 mm²/s, is +0.50 from the certified 60"),
        ("60.51", "850.1", "not met", "kinematic viscosity at 40 °C, 60.51 mm²/s, is +0.51 from the certified 60"),
        ("59.5", "850.1", "met", "kinematic viscosity at 40 °C, 59.50 mm²/s, is −0.50 from the certified 60"),
        ("59.49", "850.1", "not met", "kinematic viscosity at 40 °C, 59.49 mm²/s, is −0.51 from the certified 60"),
        ("60.1", "850.5", "met", "density at 40 °C, 850.5 kg/m³, is +0.50 from the certified 850"),
        ("60.1", "849.4", "not met", "density at 40 °C, 849.4 kg/m³, is −0.60 from the certified 850"),
    ],
)
def test_a_reference_result_may_be_its_limit_away(
    judged: Judge, viscosity: str, density: str, state: str, said: str
) -> None:
    judgement = judged(record=f"R1,RO-1,2026-03-02 07:00,VD,40,{viscosity},{density}\n", lab=EXACT)
    found = check(judgement, "Reference oils of this instrument: agreement")
    assert (found.state, found.finding) == (state, f"RO-1 lot A, {said}; limit ±0.50 (the worst of 2)")


def test_one_compared_value_is_not_called_the_furthest(judged: Judge) -> None:
    judgement = judged(record="R1,RO-1,2026-03-02 07:00,VD,40,60.1,\n", lab=EXACT)
    assert check(judgement, "Reference oils of this instrument: agreement").finding.endswith(
        "certified 60; limit ±0.50"
    )


def test_a_certificate_for_other_temperatures_compares_nothing(judged: Judge) -> None:
    """The record's RO-1 ran at 40 °C; one oil with and one without a certificate: the one without is named."""
    other = check(judged(record=REFERENCE.replace("VD,40", "VD,100")), "Reference oils of this instrument: agreement")
    assert other.state == "doubtful"
    both = judged(record=REFERENCE + "R2,RO-9,2026-03-02 07:10,VD,100,9.0,800.0\n")
    assert check(both, "Reference oils of this instrument: agreement").finding == (
        "no certificate in lab.toml was valid on the day for RO-9"
    )


@pytest.mark.parametrize(
    ("at", "state", "hours"),
    [
        ("01 20:00", "met", "12.0"),
        ("01 19:59", "doubtful", "12.0"),
        ("01 19:00", "doubtful", "13.0"),
        ("02 08:05", "met", "0.0"),
    ],
)
def test_the_last_reference_result_may_be_12_hours_old(judged: Judge, at: str, state: str, hours: str) -> None:
    """From it to the first determination of the run, at 08:00; one between its first and last is 0 h old."""
    judgement = judged(record=f"R1,RO-1,2026-03-{at},VD,40,50.05,850.05\n")
    found = check(judgement, "Reference oils of this instrument: age")
    assert (found.state, found.finding) == (state, f"RO-1 {hours} h before; limit 12 h")


def test_each_oil_counts_with_its_last_run_and_the_newest_of_them_tells_the_age(judged: Judge) -> None:
    lines = (
        "R1,RO-1,2026-03-01 09:00,VD,40,55.00,850.05\n"
        "R2,RO-1,2026-03-02 07:30,VD,40,50.05,850.05\n"
        "R3,RO-2,2026-03-02 06:00,VD,40,50.10,850.05\n"
    )
    judgement = judged(record=lines)
    assert check(judgement, "Reference oils of this instrument: agreement").finding.endswith("(the worst of 4)")
    assert check(judgement, "Reference oils of this instrument: age").finding == "RO-1 0.5 h before; limit 12 h"


def test_a_reference_oil_has_no_age_and_no_instrument_to_prove(judged: Judge) -> None:
    judgement = judged("R9,RO-1,2026-03-02 09:00,VD,40,50.05,850.05\n", run="R9")
    assert [one.name for one in judgement.checks if one.name.startswith(("Reference", "Agreement"))] == [
        "Agreement with the certificate"
    ]


def test_the_record_reaches_30_days_back(judged: Judge) -> None:
    """The run ends on 2 March at 08:10: 31 January 08:10 is 30 days before."""
    for minute, number in (("10", 1), ("09", 0)):
        judgement = judged(record=f"R1,RO-1,2026-01-31 08:{minute},VD,40,50.05,850.05\n")
        assert judgement.dossier.references["run"].nunique() == number
        assert len(judgement.dossier.charts) == 2 * number
    assert check(judgement, "Reference oils of this instrument").finding == (
        "the record holds no reference-oil result of this instrument in 30 days"
    )


# --- Charts at a run ---


def state(name: str, status: str, distance: float = math.nan) -> ChartState:
    return ChartState(name, status, f"finding of {name}", distance)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("charts", "expected"),
    [
        ((), ("not checked", "the record holds no reference-oil result of this instrument in 30 days")),
        (
            (state("a", "signal", 1.2), state("b", "signal", 1.1), state("c", "in control", 0.2)),
            ("doubtful", "a: finding of a (2 of 3 charts signal)"),
        ),
        (
            (state("a", "too few"), state("b", "too few")),
            ("not checked", "a: finding of a (the same or alike on 2 charts)"),
        ),
        (
            (state("a", "too few"), state("b", "provisional", 0.4), state("c", "in control", 0.6)),
            ("met", "c: finding of c (the worst of 2 with limits, 1 without)"),
        ),
        (
            (state("a", "provisional", 0.4), state("b", "in control")),
            ("met", "a: finding of a (the worst of 2 charts)"),
        ),
    ],
)
def test_the_charts_of_the_instrument_in_one_check(
    judged: Judge, charts: tuple[ChartState, ...], expected: tuple[str, str]
) -> None:
    found = control_chart_check(replace(judged().dossier, charts=charts))
    assert (found.state, found.finding) == expected
    assert found.basis == ("limits from the baseline, [control] of lab.toml" if charts else "")


# --- Which precision statement is in force ---


def stated(**more: float) -> Laboratory:
    own = Precision("Class", KV, 40.0, PrecisionFunction(0.01, -5.0), "Own study", **more)  # type: ignore[arg-type]
    return Laboratory(precision=(own,))


@pytest.mark.parametrize(
    ("laboratory", "value", "why_not"),
    [
        (stated(lowest=10.0, highest=20.0), 10.0, ""),
        (stated(lowest=10.0, highest=20.0), 20.0, ""),
        (stated(lowest=10.0, highest=20.0), 9.99, "Own study states its precision for 10 to 20 mm²/s only"),
        (stated(lowest=10.0, highest=20.0), 20.01, "Own study states its precision for 10 to 20 mm²/s only"),
        (stated(lowest=10.0), 9.99, "Own study states its precision for 10 mm²/s and above only"),
        (stated(highest=20.0), 20.01, "Own study states its precision for up to 20 mm²/s only"),
        (stated(), 5.01, ""),
        (stated(), 5.0, "Own study gives no repeatability at 5.000 mm²/s"),
        (stated(), 4.0, "Own study gives no repeatability at 4.000 mm²/s"),
    ],
)
def test_a_statement_holds_in_its_range(laboratory: Laboratory, value: float, why_not: str) -> None:
    found = precision_of_class(laboratory, "class", KV, 40.0, value)
    assert (found.why_not, found.statement is None) == (why_not, bool(why_not))


def test_where_nothing_is_stated_the_place_is_named() -> None:
    laboratory = Laboratory()
    assert (
        precision_of_class(laboratory, "", KV, 40.0, 10.0).why_not == "lab.toml gives this product no precision_class"
    )
    assert precision_of_class(laboratory, "base oils", KV, 60.0, 10.0).why_not == (
        "no precision statement for kinematic viscosity of base oils at 60 °C"
    )
    assert precision_of_class(laboratory, "base oils", "viscosity index", math.nan, 95.0).why_not == (
        "no precision statement for viscosity index of base oils"
    )
