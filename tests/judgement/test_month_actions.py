"""A month's lines and actions by hand: bias, index and change of each oil, what is urgent, and every number told.

Densities of an invented reference oil: a chart is the result less 850 kg/m³. ISO 12185 as shipped (memory): r = 0.2,
R = 0.5 kg/m³; D445 as shipped (memory), base oils at 40 °C: r = 1.01 %, R = 1.36 %.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from labcalc.errors import ExportError, PeriodError
from labcalc.exports import TIDY_COLUMNS, Reading, Refusal
from labcalc.judgement import COMPARISON_COLUMNS, Action, Material, control_charts, month_of, report_month
from labcalc.judgement.control.watch import watched
from labcalc.judgement.duplicates.report import DuplicateReport
from labcalc.judgement.month.actions import ranked_actions
from labcalc.judgement.month.checks import Checks, biased_of
from labcalc.judgement.month.moved import growth_of, moved_in
from labcalc.judgement.month.oils import OilSummary, summarise_oils
from labcalc.judgement.month.report import notices_of, workload_of
from labcalc.judgement.period import days_of
from labcalc.lab import Decision, Laboratory, Precision, PrecisionFunction
from tests.judgement.test_chart_states import STEADY, decision, densities, lab
from tests.judgement.test_control import KV, ZONE, moment, series

JANUARY, FEBRUARY = (month_of(name, ZONE) for name in ("2026-01", "2026-02"))

NOTHING = pd.DataFrame(columns=list(COMPARISON_COLUMNS))

FEB = (0.10, 0.14, 0.12, 0.20)
"""Mean 0.14, deviations -0.04, 0, -0.02, 0.06: s² = 0.0056 / 3."""


def oils(
    *tables: pd.DataFrame, of: Laboratory | None = None, decisions: Sequence[Decision] = ()
) -> tuple[OilSummary, ...]:
    laboratory = of or lab()
    charts = control_charts(pd.concat(list(tables)).sort_values("measured_at", kind="stable"), laboratory, decisions)
    return summarise_oils(charts, FEBRUARY, laboratory)


def february(*values: float, **more: Any) -> pd.DataFrame:
    return densities(*values, start="2026-02-01", **more).assign(run=[f"F{n}" for n in range(len(values))])


def one(*tables: pd.DataFrame, **more: Any) -> OilSummary:
    (found,) = oils(*tables, **more)
    return found


def rows(*runs: tuple[str, str | None, str]) -> pd.DataFrame:
    """Rows of a month: run, instrument, role."""
    table = [{"run": run, "instrument": instrument, "role": role} for run, instrument, role in runs]
    return pd.DataFrame(table, columns=list(TIDY_COLUMNS))


QUIET = rows(("R1", "VD", "reference"))


def checks(summaries: Sequence[OilSummary] = (), comparisons: pd.DataFrame = NOTHING) -> Checks:
    """What a month's reference oils show, by the charts of some summaries."""
    charts = [one.chart for one in summaries]
    streams = {
        name: watched([one for one in charts if one.instrument == name]) for name in {c.instrument for c in charts}
    }
    moved = moved_in(charts, streams, FEBRUARY)
    touched = [chart for by in moved for chart in by.touched]
    comparisons = comparisons if "carried" in comparisons else comparisons.assign(carried=0.0, carried_u=0.0)
    biased, _ = biased_of([one for one in summaries if one.chart not in touched], comparisons)
    return Checks(FEBRUARY, lab(), tuple(summaries), comparisons, moved, biased, instruments={}, gaps=(), repairs=())


def actions(
    summaries: Sequence[OilSummary] = (),
    *,
    month: pd.DataFrame = QUIET,
    comparisons: pd.DataFrame = NOTHING,
    duplicates: Sequence[Action] = (),
    refusals: Sequence[Refusal] = (),
    failures: Sequence[ExportError] = (),
) -> list[Action]:
    found = cast(DuplicateReport, SimpleNamespace(findings=tuple(duplicates)))
    return list(ranked_actions(month, checks(summaries, comparisons), found, (), refusals, failures, FEBRUARY))


def told(found: Sequence[Action], about: str) -> Action:
    (action,) = (one for one in found if one.about == about)
    return action


# --- A line for each oil ---


def test_bias_and_index_by_hand() -> None:
    """u² = s²/4 + 0.05²; t with ν = u⁴ / (s⁴/16/3), cut to a whole number; index R / 2.77 s, ends by chi-square."""
    found = one(densities(*STEADY), february(*FEB))
    s = math.sqrt(0.0056 / 3.0)
    u = math.hypot(s / 2.0, 0.05)
    degrees = math.floor(u**4 / ((s / 2.0) ** 4 / 3.0))
    assert (found.number, found.excluded) == (4, 0)
    assert (found.mean, found.deviation) == pytest.approx((0.14, s))
    assert found.bias is not None
    assert found.bias.bias == pytest.approx(0.14)
    assert found.bias.standard_uncertainty == pytest.approx(u)
    assert found.bias.expanded_uncertainty == pytest.approx(u * stats.t.ppf(0.975, degrees))
    assert found.index is not None
    assert found.index.index == pytest.approx(0.5 / (2.77 * s))
    ends = [0.5 / (2.77 * s) * math.sqrt(stats.chi2.ppf(p, 3) / 3.0) for p in (0.025, 0.975)]
    assert found.index.interval == pytest.approx(ends)
    assert found.precision is not None
    assert found.precision.method == "ISO 12185"


def test_the_index_of_a_viscosity_is_in_percent() -> None:
    """At 50 mm²/s R is 0.68 mm²/s, and the results lie 0.1 mm²/s apart: 1.36 % against 2.77 s of 0.2 %."""
    table = series([50.0, 50.1, 50.0, 50.1], start="2026-02-01")
    s = float(np.std([0.0, 0.2, 0.0, 0.2], ddof=1))
    found = one(table)
    assert found.index is not None
    assert found.index.index == pytest.approx(1.36 / (2.77 * s))
    bare = one(table.assign(certified=math.nan))
    assert bare.index is not None
    level = 50.05
    assert bare.index.index == pytest.approx(0.0136 * level / (2.77 * float(np.std([50.0, 50.1, 50.0, 50.1], ddof=1))))
    assert bare.bias is None


def test_a_statement_without_R_leaves_the_published_one() -> None:
    own = Precision("base oils", "density", math.nan, PrecisionFunction(0.1, 0.0, 0.0), "Own study")
    laboratory = replace(lab(), precision=(own,))
    found = one(february(*FEB), of=laboratory)
    assert found.precision is not None
    assert found.precision.method == "ISO 12185"
    wide = replace(own, reproducibility=PrecisionFunction(0.9, 0.0, 0.0))
    better = one(february(*FEB), of=replace(laboratory, precision=(wide,)))
    assert better.index is not None
    assert better.index.index == pytest.approx(0.9 / (2.77 * math.sqrt(0.0056 / 3.0)))
    none = one(series([50.0, 50.1], start="2026-02-01").assign(temperature_C=60.0))
    assert (none.index, none.precision) == (None, None)


def test_a_decision_takes_results_of_the_month_out() -> None:
    excluded = [decision("exclude", run=run) for run in ("A2", "F0", "F3")]
    found = one(densities(*STEADY), february(*FEB), decisions=excluded)
    assert (found.number, found.excluded, found.mean) == (2, 2, pytest.approx(0.13))
    bare = one(february(0.1, 0.2), decisions=[decision("exclude", run=run) for run in ("F0", "F1")])
    assert (bare.number, bare.excluded, math.isnan(bare.mean), bare.bias) == (0, 2, True, None)


def test_a_month_holds_its_first_moment_and_not_its_last() -> None:
    at = [moment(day) for day in ("2026-01-31 23:59:59", "2026-02-01 00:00", "2026-02-28 23:59:59", "2026-03-01 00:00")]
    found = one(densities(0.1, 0.2, 0.3, 0.4).assign(measured_at=at))
    assert (found.number, found.mean) == (2, pytest.approx(0.25))
    assert oils(densities(0.1, 0.2)) == (), "nothing of February"


# --- What moved, and single results ---


def shifted(away: float, number: int = 8, sample: str = "RO-1", **more: Any) -> list[pd.DataFrame]:
    """A steady January, and a February of an even number of results that lies off its centre, by 0.03 less or more."""
    tables = [densities(*STEADY, **more), february(*[0.09 + away, 0.03 + away] * (number // 2), **more)]
    return [table.assign(sample=sample, run=sample + table["run"]) for table in tables]


def test_one_oil_that_moved_on_one_instrument_asks_for_a_second_oil() -> None:
    """All eight are averaged: 2 σ √(1/8 + 1/8) = σ = 0.0798. One oil alone can't tell itself from VD."""
    found = actions(oils(*shifted(0.4)))
    assert [(one.rank, one.about, one.urgent) for one in found] == [(1, "VD, Oil R lot A", True)]
    assert found[0].finding == (
        "since 1 February: it reads +0.40 ± 0.080 kg/m³ on VD: the oil or its bottle; told on 2 February, and still "
        "so; it can't be told from VD as a whole"
    )
    assert found[0].what_to_do.startswith("Stop releasing these results. Run this oil fresh from its bottle, and a")
    assert dict(found[0].facts) == {
        "instrument": "VD",
        "quantity": "density",
        "cause": "oil on one instrument",
        "oil": "Oil R lot A",
        "temperature_C": 40.0,
        "shift": pytest.approx(0.4),
        "limit": pytest.approx(0.2394, abs=1e-4),
        "unit": "kg/m³",
        "since": "2026-02-01",
        "earliest": "2026-02-01",
        "latest": "2026-02-01",
        "runs": "",
    }


@pytest.mark.parametrize(
    ("away", "number", "words"),
    [
        ((0.4, 0.72), 6, "1.8 times as far as at first"),
        ((-0.4, -0.72), 6, "1.8 times as far as at first"),
        ((0.72, 0.4), 6, "shrinking"),
        ((0.4, 0.48), 6, None),
        ((0.4, 0.72), 4, None),  # eight results: five of them would stand on both sides
    ],
)
def test_a_shift_that_lasts_says_how_it_grew(away: tuple[float, float], number: int, words: str | None) -> None:
    """Means of the first and the last five, off the centre of 0.06: 0.72 / 0.4 = 1.8."""
    later = february(*[0.06 + size for size in away for _ in range(number)])
    found = told(actions(oils(densities(*STEADY), later)), "VD, Oil R lot A")
    grown = f", {words}" if words else ""
    assert f"and still so{grown}; it can't be told" in found.finding


def test_a_shift_that_stays_as_large_is_seldom_called_growing() -> None:
    """By simulation of independent results: one in twenty at the most, and the ratio alone would be so far more."""
    noise = np.random.default_rng(3).standard_normal((2000, 20))
    for size in (1.0, 2.0, 3.0):
        told = np.array([growth_of(size + one, 1.0) for one in noise])
        assert ((told >= 1.4) | (told <= 0.7)).mean() < 0.05 + 3.0 * (0.05 * 0.95 / 2000) ** 0.5
    doubled = [growth_of(np.linspace(2.0, 6.0, 20) + one, 1.0) for one in noise]
    assert (np.array(doubled) >= 1.4).mean() > 0.95


def test_two_oils_that_move_together_speak_of_the_instrument() -> None:
    """Both over eight days: (−0.3 − 0.4) / 2; each u = σ / 2, so 2 u of the mean is σ / √2 = 0.0564."""
    both = oils(*shifted(-0.3, sample="Z-1", lot="Z"), *shifted(-0.4, sample="Z-2", lot="Z"))
    (found,) = actions(both)
    assert (found.about, found.urgent) == ("VD, density", True)
    assert "all its oils read −0.35 ± 0.056 kg/m³: the instrument has moved, not an oil" in found.finding
    assert found.finding.endswith("told on 2 February, and still so; 2 further signals by it")


def test_oils_that_move_apart_are_no_move_of_the_instrument() -> None:
    both = oils(*shifted(0.4, sample="Z-1", lot="Z"), *shifted(-0.4, sample="Z-2", lot="Z"))
    found = actions(both)
    assert {one.about for one in found} == {"VD, Z-1 lot Z", "VD, Z-2 lot Z"}
    assert all("it alone reads" in one.finding for one in found)
    assert not any("has moved, not an oil" in one.finding for one in found)


def test_instruments_are_told_apart() -> None:
    summaries = oils(
        *shifted(0.4),
        *shifted(-0.4, instrument="W"),
        *[table.assign(run="X" + table["run"]) for table in shifted(0.0, instrument="X")],
    )
    urgent = [action.about for action in actions(summaries) if action.urgent]
    assert sorted(urgent) == ["VD, Oil R lot A", "W, Oil R lot A"]


def test_an_oil_that_moves_on_every_instrument_leaves_them_alone() -> None:
    (found,) = actions(oils(*shifted(0.4), *shifted(0.4, instrument="W"), *shifted(0.4, instrument="X")))
    assert (found.about, found.urgent) == ("Oil R lot A", False)
    assert "it reads +0.40 ± 0.046 kg/m³ on every instrument: the oil or its bottle" in found.finding
    assert found.what_to_do == "Run it fresh from a new bottle. The instruments stand: don't adjust them."


def test_a_single_result_asks_for_its_oil_again() -> None:
    """1.3 is beyond 3 σ = 0.24 kg/m³; the average of it and one before lies off, but rests on one result."""
    found, *_ = actions(oils(densities(*STEADY), february(0.06, 0.05, 1.3)))
    assert (found.about, found.urgent) == ("VD, single results", False)
    assert found.finding == (
        "the last result signals on 1 chart, alone: Oil R lot A, density at 40 °C (1 beyond 3 s; EWMA beyond its "
        "limits)"
    )
    assert found.what_to_do == "Repeat Oil R, fresh from the bottle."


def test_a_single_result_that_was_repeated_or_accepted_asks_for_nothing() -> None:
    def asked(*values: float, accepted: str = "") -> list[str]:
        decided = [decision("accept", run=accepted)] if accepted else []
        found = actions(oils(densities(*STEADY), february(*values), decisions=decided))
        return [one.about for one in found if "single" in one.about]

    assert asked(0.06, 0.05, 0.6) == ["VD, single results"]
    assert asked(0.06, 0.6, 0.06, 0.05, 0.03, 0.09, 0.06) == []
    assert asked(0.06, 0.05, 0.6, accepted="F2") == []


def test_the_end_of_the_month_is_where_it_ends() -> None:
    """Neither results of March count, nor one that is excluded. The last five: 0.4 + 0.03 / 5; 2 σ √(1/5 + 1/8)."""
    tables = shifted(0.4, 6)
    later = densities(-0.9, -0.9, -0.9, start="2026-03-01").assign(run=["M0", "M1", "M2"])
    five = "it reads +0.41 ± 0.091 kg/m³"
    assert five in actions(oils(*tables, later))[0].finding
    more = february(0.49, 0.43, 0.49, 0.43, 0.49, 0.43, 9.9)
    kept = oils(densities(*STEADY), more, decisions=[decision("exclude", run="F6")])
    assert five in actions(kept)[0].finding


# --- Single checks ---


def comparison(run: str, value: float, limit: float = 0.5, **more: Any) -> pd.DataFrame:
    return february(value - 850.0).assign(run=run, limit=limit, **more)


def test_checks_beyond_their_limit_are_counted_by_run() -> None:
    table = pd.concat(
        [
            comparison("1", 850.6),
            comparison("1", 60.0, 0.3, quantity=KV, certified=50.0),
            comparison("2", 850.5),
            comparison("3", 849.5),
            comparison("4", 849.25),
            comparison("5", 870.0, certified=math.nan),
            comparison("6", 850.6, instrument="W"),
        ],
        ignore_index=True,
    )
    found = [action for action in actions(comparisons=table) if action.urgent]
    assert [action.about for action in found] == ["VD, single checks", "W, single checks"]
    assert found[0].finding == (
        "2 of 4 reference-oil checks lay outside their limit: 2026-02-01, RO-1, kinematic viscosity at 40 °C, +10 "
        "mm²/s, limit ±0.30; 2026-02-01, RO-1, density at 40 °C, −0.75 kg/m³, limit ±0.50; 2026-02-01, RO-1, density "
        "at 40 °C, +0.60 kg/m³, limit ±0.50"
    )
    assert found[1].finding.startswith("1 of 1 reference-oil checks")


def test_instruments_without_a_reference_oil() -> None:
    month = rows(
        ("R1", "VD", "reference"),
        ("S1", "VD", "sample"),
        ("S2", "W", "sample"),
        ("S2", "W", "sample"),
        ("S3", "W", "sample"),
        ("S4", None, "sample"),
    )
    assert [(action.about, action.finding.split(",")[0]) for action in actions(month=month)] == [
        ("an instrument without a name", "1 sample run"),
        ("W", "2 sample runs"),
    ]
    assert all(action.urgent for action in actions(month=month))


def test_a_certificate_that_ran_out_is_told_with_the_most_results_of_a_chart() -> None:
    """Valid to 31 December 2026: results of that day are in time, later ones aren't."""
    laboratory = lab()
    december = month_of("2026-12", ZONE)

    def late(*days: str) -> list[str]:
        at = [moment(f"{day} 08:00") for day in days]
        tables = [densities(*[0.1] * len(days)).assign(measured_at=at)]
        tables.append(series([50.0], quantity=KV).assign(measured_at=at[-1:]))
        charts = control_charts(pd.concat(tables), laboratory)
        summaries = summarise_oils(charts, month, laboratory)
        report = cast(DuplicateReport, SimpleNamespace(findings=()))
        found = ranked_actions(QUIET, checks(summaries), report, (), (), (), month)
        return [action.finding for action in found if action.about == "Oil R lot A"]

    month = december
    assert late("2026-12-30", "2026-12-31") == []
    month = month_of("2027-01", ZONE)
    ran_out = "its certificate ran out on 2026-12-31; "
    assert late("2026-12-31", "2027-01-01", "2027-01-31") == [f"{ran_out}2 results of a chart came after it"]
    assert late("2027-01-01") == [f"{ran_out}1 result of a chart came after it"]


# --- Bias, index, what else ---


def test_a_bias_that_may_be_the_certificate_s_never_asks_to_adjust() -> None:
    """Means -0.4 and 0.3, s = 0.01 each, certificate's U = 0.1: u is hardly more than 0.05, U = 1.96 u."""

    def table(mean: float, sample: str) -> pd.DataFrame:
        return february(mean - 0.01, mean, mean + 0.01).assign(sample=sample, run=[f"{sample}{n}" for n in range(3)])

    two = oils(
        table(0.3, "RO-1"),
        table(-0.4, "RO-2").assign(temperature_C=40.0).assign(lot="B"),
        table(0.0, "RO-3").assign(lot="C"),
    )
    u = math.hypot(0.01 / math.sqrt(3.0), 0.05)
    expanded = u * stats.t.ppf(0.975, math.floor(u**4 / ((0.01 / math.sqrt(3.0)) ** 4 / 2.0)))
    found = told(actions(two), "VD, Oil R lot B")
    assert (found.finding, found.urgent) == (
        f"bias on 1 chart, the largest −0.40 kg/m³ ± {expanded:.2g} (Oil R lot B, density at 40 °C); it can't be told "
        "from the certificate of Oil R lot B".replace("0.1 (", "0.10 ("),
        False,
    )
    assert "Don't adjust the instruments to it" in found.what_to_do
    assert "+0.30 kg/m³" in told(actions(two), "VD, Oil R lot A").finding


def test_an_index_that_is_not_satisfactory_for_certain_is_told() -> None:
    """R / 2.77 s of 0 and 0.6 by turns; satisfactory from 0.8 or 1.2 on (R/r = 2.5; ASTM D6792, memory)."""
    bad, doubtful = one(february(*[0.0, 0.6] * 10)), one(february(0.0, 0.4))
    s = 0.3 * math.sqrt(20.0 / 19.0)
    low, high = (0.5 / (2.77 * s) * math.sqrt(stats.chi2.ppf(p, 19) / 19.0) for p in (0.025, 0.975))

    def index(of: OilSummary) -> list[str]:
        return [action.finding for action in actions([of]) if "performance" in action.finding]

    assert index(bad) == [
        f"Oil R lot A, density at 40 °C: performance index {0.5 / (2.77 * s):.2f} ({low:.2f} to {high:.2f}), not "
        "consistent with the published precision"
    ]
    assert index(doubtful) == [], "0.64, 0.02 to 1.43: two results can't tell"


def test_what_else_is_told_in_its_rank() -> None:
    refused = [Refusal("b.csv", line, None, None, "a number") for line in (2, 3)] + [
        Refusal("a.csv", 9, None, None, "x")
    ]
    found = actions(
        oils(*shifted(0.4)),
        duplicates=[Action("Repeats", "far apart", "measure")],
        refusals=refused,
        failures=[ExportError("c.csv", "it is empty")],
        month=rows(("R1", "VD", "reference"), ("S2", "W", "sample")),
    )
    assert [(one.rank, one.about, one.urgent) for one in found] == [
        (1, "VD, Oil R lot A", True),
        (2, "W", True),
        (3, "Record", False),
        (4, "Repeats", False),
        (5, "Exports", False),
    ]
    by_about = {one.about: one for one in found}
    assert by_about["Record"].finding == "an export could not be read: c.csv: it is empty"
    assert by_about["Exports"].finding == "3 rows refused: b.csv (2), a.csv (1)"
    assert actions(refusals=refused[2:])[0].finding == "1 row refused: a.csv (1)"
    assert actions() == []


def test_limits_that_rest_on_few_results_are_told() -> None:
    control = lab(settled_results=30)
    provisional = oils(densities(*STEADY), february(0.06, 0.05), of=control)
    longer = oils(
        densities(*STEADY[:6]),
        february(*STEADY),
        of=replace(control, control=replace(control.control, baseline_results=12)),
    )
    none = oils(february(0.1, 0.2), of=control)
    assert [
        action.finding for action in actions([*none, *provisional, *longer]) if action.about == "Control limits"
    ] == [
        "none on 1 of 3 charts (2 results in the baseline; limits need 8); provisional on 2 of 3 charts, from 8 "
        "results at the least"
    ]
    settled = oils(densities(*STEADY), february(0.06, 0.05))
    assert not [action for action in actions(settled) if action.about == "Control limits"]


# --- Notices, workload, days ---


def material(table: pd.DataFrame, laboratory: Laboratory, *decisions: Decision) -> Material:
    return Material(laboratory, Reading(table, (), ()), table, (), decisions)


def tidy(*given: dict[str, Any]) -> pd.DataFrame:
    fixed = {
        "sample": "RO-1",
        "lot": "A",
        "instrument": "VD",
        "role": "reference",
        "temperature_C": 40.0,
        "density_kg_m3": 850.1,
    }
    return pd.DataFrame([fixed | {"run": str(n)} | row for n, row in enumerate(given)], columns=list(TIDY_COLUMNS))


def noticed(table: pd.DataFrame, *decisions: Decision, of: Laboratory | None = None) -> tuple[str, ...]:
    known = material(table, of or lab(), *decisions)
    inside = table[FEBRUARY.holds(table["measured_at"])]
    return notices_of(inside, table, summarise_oils(known.charts, FEBRUARY, known.laboratory), known, FEBRUARY)


def at(*days: str) -> list[dict[str, Any]]:
    return [{"measured_at": moment(f"2026-{day} 08:00")} for day in days]


def test_few_runs_are_noticed() -> None:
    sample = {"sample": "S-1", "role": "sample", "lot": None}
    two = [{**one, **sample} for one in at("02-01", "02-02")]
    assert noticed(tidy(*at("02-03", "02-04"), *two)) == ()
    assert noticed(tidy(*at("02-03", "02-04"), two[0])) == ("The month holds one run of a sample.",)
    assert noticed(tidy(*two)) == ("The month holds no run of a reference oil.",)
    assert noticed(tidy(*at("02-03"), *two)) == (
        "The month holds one run of a reference oil.",
        "VD: Oil R lot A, density at 40 °C has one result this month: no spread and no test.",
    )


def test_a_lot_that_begins_in_the_month_is_noticed() -> None:
    def lots(*days: tuple[str, str, str]) -> list[str]:
        given = [{**one, "lot": lot, "instrument": name} for (day, lot, name) in days for one in at(day)]
        return [line for line in noticed(tidy(*given)) if "went over" in line]

    line = "VD: Oil R went over to lot B on 2026-02-{}; the new lot has a chart of its own; beneath the "
    line += "instrument's charts it is compared with the lot before, by the days on which both were measured."
    assert lots(("01-31", "A", "VD"), ("02-01", "B", "VD")) == [line.format("01")]
    assert lots(("02-02", "A", "VD"), ("02-28", "B", "VD")) == [line.format("28")]
    assert lots(("01-30", "A", "VD"), ("01-31", "B", "VD"), ("02-02", "B", "VD")) == []
    assert lots(("02-02", "A", "VD"), ("03-01", "B", "VD")) == []
    assert lots(("02-02", "B", "VD")) == [], "its first lot is no change"
    assert lots(("02-01", "A", "W"), ("02-02", "B", "VD")) == [], "each instrument by itself"


@pytest.mark.parametrize(
    ("valid_to", "word"),
    [
        (date(2026, 1, 31), "is valid to 2026-01-31: results after that day prove nothing about bias."),
        (date(2026, 2, 28), "is valid to 2026-02-28: results after that day prove nothing about bias; run the next"),
        (date(2026, 3, 1), "is valid to 2026-03-01: results"),
        (date(2026, 4, 29), "is valid to 2026-04-29: results"),
        (date(2026, 4, 30), ""),
    ],
)
def test_a_certificate_is_noticed_60_days_before_its_end(valid_to: date, word: str) -> None:
    """The month ends where 1 March begins; 60 days later it is 30 April."""
    oil = lab().references[0]
    laboratory = replace(lab(), references=(replace(oil, lots=(replace(oil.lots[0], valid_to=valid_to),)),))
    found = [line for line in noticed(tidy(*at("02-03", "02-04")), of=laboratory) if "certificate" in line]
    assert [line.startswith(f"The certificate of Oil R lot A {word}") for line in found] == [True] * bool(word)


def test_what_has_no_time_or_no_run_is_noticed() -> None:
    undated = [{"measured_at": pd.NaT}, {"measured_at": pd.NaT}]
    base = at("02-03", "02-04")
    assert noticed(tidy(*base, undated[0]))[-1] == "Without a time, and so in no month: 1 row of the record."
    assert noticed(tidy(*base, *undated))[-1] == "Without a time, and so in no month: 2 rows of the record."
    known, unknown = decision("exclude", run="0"), decision("accept", run="Z9")
    assert noticed(tidy(*base), known, unknown)[-1] == (
        "A decision of I. Duarte (accept) is about run Z9, which the record does not hold."
    )
    assert not [
        line
        for line in noticed(tidy(*base), known, decision("corrective action", instrument="VD"))
        if "decision" in line
    ]


def test_workload_counts_each_run_once() -> None:
    given = [
        {**at("02-03")[0], "run": "1", "operator": "Ana"},
        {**at("02-03")[0], "run": "1", "operator": "Ana"},
        {**at("02-03")[0], "run": "2", "operator": "Ana"},
        {**at("02-04")[0], "run": "3"},
        {**at("02-03")[0], "run": "4", "operator": "Ana", "instrument": None, "role": "sample"},
    ]
    found = workload_of(tidy(*given))
    assert [*found.itertuples(name=None)] == [(("", "VD"), 0, 1), (("Ana", ""), 1, 0), (("Ana", "VD"), 0, 2)]
    assert workload_of(tidy(*given)[:0]).shape == (0, 2)


def test_a_period_holds_its_days() -> None:
    period = days_of("2026-02-03", "2026-02-04", ZONE)
    moments = pd.Series([moment(f"2026-02-{text}") for text in ("02 23:59:59", "03 00:00", "04 23:59:59", "05 00:00")])
    assert period.holds(pd.concat([moments, pd.Series([pd.NaT]).dt.tz_localize(ZONE)])).tolist() == [
        False,
        True,
        True,
        False,
        False,
    ]
    assert period.name == "2026-02-03 to 2026-02-04"
    one_day = days_of("2026-02-03", "2026-02-03", ZONE)
    assert one_day.last - one_day.first == pd.Timedelta(days=1)
    with pytest.raises(PeriodError, match="the period ends on 2026-02-02, before it begins on 2026-02-03"):
        days_of("2026-02-03", "2026-02-02", ZONE)


def test_the_report_of_a_month_counts_and_ranks() -> None:
    """Four results on one chart with limits; alarms of chance by the sights of the report."""
    given = [
        {**row, "density_kg_m3": 850.0 + value}
        for row, value in zip(at(*(f"01-{n + 10}" for n in range(8))), STEADY, strict=True)
    ]
    of_february = zip(at("02-01", "02-02", "02-03", "02-04"), (850.01, 850.09, 850.02, 850.1), strict=True)
    given += [{**row, "density_kg_m3": value} for row, value in of_february]
    given += [{**at("02-05")[0], "sample": "S-1", "role": "sample", "lot": None}]
    about = [decision("accept", run="9"), decision("accept", run="0"), decision("corrective action", instrument="VD")]
    outside = replace(about[2], when=FEBRUARY.last.to_pydatetime())
    found = report_month(material(tidy(*given), lab(), *about, outside), "2026-02")
    assert (found.runs, found.reference_runs) == (1, 4)
    assert found.expected_false_alarms == pytest.approx(4.0 * found.sights[0].figures.begun)
    assert found.decisions == (about[0], about[1], about[2]), "about a run of the month, or written in it"
    assert (found.rank, found.verdict, found.reason) == (
        1,
        "to be watched",
        "VD, action of 2026-02-20: because: too few checks since to tell (density −0.0050 kg/m³ before, – after)",
    )
    assert report_month(material(tidy(*given), lab()), "2026-02").reason == (
        "4 reference-oil runs and 1 sample runs: nothing stands out"
    )
