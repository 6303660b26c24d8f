"""What the spread of a repeated sample is made of: layouts by hand, planted components, and what is not enough."""

from __future__ import annotations

import itertools
import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from labcalc.figures import show_components
from labcalc.judgement import (
    ComponentsOfVariance,
    Material,
    components_of_variance,
    components_side_by_side,
    gather_record,
)
from labcalc.wording import numeral, percent
from tests.judgement.conftest import LAB

HEADER = "Run,Sample,Date,Instrument,Operator,Repeat,Temperature (°C),Kinematic viscosity (mm²/s),Density (kg/m³)\n"

Study = Callable[..., tuple[ComponentsOfVariance, ...]]


def recorded(folder: Path, record: str, decisions: tuple[dict[str, str], ...] = ()) -> Material:
    """Read a record that is written inline."""
    (folder / "lab.toml").write_text(LAB, encoding="utf-8")
    (folder / "record").mkdir(exist_ok=True)
    (folder / "record" / "all.csv").write_text(HEADER + record, encoding="utf-8")
    lines = "".join(json.dumps(one) + "\n" for one in decisions)
    (folder / "decisions.jsonl").write_text(lines, encoding="utf-8")
    return gather_record(folder / "lab.toml")


@pytest.fixture
def studied(tmp_path: Path) -> Study:
    """Study a record that is written inline."""

    def call(record: str, decisions: tuple[dict[str, str], ...] = ()) -> tuple[ComponentsOfVariance, ...]:
        return components_of_variance(recorded(tmp_path, record, decisions))

    return call


def row(
    run: str, day: int, value: float, *, instrument: str = "A", operator: str = "Kim", repeat: int = 1, hour: int = 8
) -> str:
    return f"{run},RO-1,2026-03-{day:02} {hour:02}:00,{instrument},{operator},{repeat},40,{value:.4f},850.0\n"


def planted(counts: tuple[int, int, int, int], deviations: tuple[float, ...], seed: int) -> str:
    """A record with so many instruments, operators, days and runs within each other; deviations in percent."""
    generator = np.random.default_rng(seed)
    instruments, operators, days, runs = counts
    lines = []
    for instrument in range(instruments):
        at = generator.normal(0.0, deviations[0])
        for operator in range(operators):
            by = at + generator.normal(0.0, deviations[1])
            for day in range(days):
                on = by + generator.normal(0.0, deviations[2])
                for run in range(runs):
                    value = 50.0 * (1.0 + (on + generator.normal(0.0, deviations[3])) / 100.0)
                    name = f"{instrument}-{operator}-{day}-{run}"
                    date = 1 + operator * days + day
                    lines.append(
                        row(name, date, value, instrument=f"I{instrument}", operator=f"O{operator}", hour=7 + run)
                    )
    return "".join(lines)


def test_components_by_hand(studied: Study) -> None:
    """Hand calculation: days 50.0/50.2, 50.4/50.4, 50.1/50.3; mean squares 0.14/3 and 0.04/3, (mm²/s)²."""
    values = (50.0, 50.2, 50.4, 50.4, 50.1, 50.3)
    viscosity, density = studied(
        "".join(row(f"R{n}", 1 + n // 2, value, hour=8 + n % 2) for n, value in enumerate(values))
    )
    assert (viscosity.quantity, density.quantity) == ("kinematic viscosity", "density")
    percent = 100.0 / np.mean(values)
    assert viscosity.components is not None
    day, run = viscosity.components.components
    assert (day.name, run.name, viscosity.unit, viscosity.number) == ("day", "run", "%", 6)
    assert run.variance == pytest.approx(0.04 / 3 * percent**2, rel=1e-9)
    assert day.variance == pytest.approx((0.14 / 3 - 0.04 / 3) / 2 * percent**2, rel=1e-9)
    assert [symbol for symbol, _ in viscosity.intermediate_precisions] == ["s_I(T)", "s_r"]
    assert density.components is not None
    assert density.components.total.variance == 0.0
    assert density.sentence == "RO-1 lot A, density at 40 °C: 6 results, all alike: no spread to split."


def test_levels_and_their_symbols(studied: Study) -> None:
    """ISO 5725-3: the letters of what changes between results, time, operator, equipment; nothing within a day."""
    study, _ = studied(planted((2, 3, 3, 2), (0.1, 0.1, 0.1, 0.1), 5))
    assert [(level.name, level.groups, level.degrees_of_freedom) for level in study.levels] == [
        ("instrument", 2, 1),
        ("operator", 6, 4),
        ("day", 18, 12),
        ("run", 36, 18),
    ]
    assert [symbol for symbol, _ in study.intermediate_precisions] == ["s_I(TOE)", "s_I(TO)", "s_I(T)", "s_r"]
    assert study.not_enough[0].startswith("instrument: 2 give 1 degree of freedom; 9 would give the 8 from which on")
    assert study.not_enough[1].startswith("operator: 6 give 4 degrees of freedom; 10 would give the 8 from which on")
    assert len(study.not_enough) == 2


def test_repeats_within_a_run_are_the_lowest_level(studied: Study) -> None:
    record = "".join(
        row(f"R{day}-{run}", day, 50.0 + 0.1 * ((3 * day + run + 5 * repeat) % 7), repeat=repeat, hour=7 + run)
        for day, run, repeat in itertools.product(range(1, 4), range(2), (1, 2))
    )
    study, _ = studied(record)
    assert [level.name for level in study.levels] == ["day", "run", "determination"]
    assert [symbol for symbol, _ in study.intermediate_precisions] == ["s_I(T)", "s_r", "s_d"]


def test_planted_components_come_back(studied: Study) -> None:
    """Simulated records, 3 instruments, 3 operators, 3 days, 2 runs: 95 % intervals hold what was planted.

    Of 20 records with four components each, 76 are expected to; 69 or fewer have a chance of 0.1 %.
    """
    deviations, held = (0.3, 0.2, 0.1, 0.15), 0
    for seed in range(20):
        study, _ = studied(planted((3, 3, 3, 2), deviations, seed))
        assert study.components is not None
        for one, truth in zip(study.components.components, deviations, strict=True):
            held += one.deviation_interval[0] <= truth <= one.deviation_interval[1]
    assert held >= 70


def test_what_cannot_be_told_apart_is_said(studied: Study) -> None:
    study, _ = studied("".join(row(f"R{day}", day, 50.0 + 0.1 * (day % 3)) for day in range(1, 7)))
    assert [level.name for level in study.levels] == ["day and run"]
    assert study.not_enough == (
        "day and run: 6 give 5 degrees of freedom; 9 would give the 8 from which on the interval's upper end is less "
        "than twice the standard deviation",
        "instrument: there is one only, so what another would add can't be seen; 9 would show it well",
        "operator: there is one only, so what another would add can't be seen; 9 would show it well",
        "day and run: each of 6 holds one of the next, so what the one adds can't be told from what the other adds; a "
        "second run within 6 of them would tell a little, within 8 it would tell well",
    )
    assert study.components is not None
    assert study.components.total.deviation == pytest.approx(100.0 * np.std([0, 1, 2, 0, 1, 2], ddof=1) / 501.0)
    assert [symbol for symbol, _ in study.intermediate_precisions] == ["s_I(T)"]


def test_a_level_that_some_results_do_not_name_is_left_out(studied: Study) -> None:
    lines = [
        row(f"R{n}", 1 + n // 2, 50.0 + 0.1 * (n % 3), operator="Kim" if n else "", hour=8 + n % 2) for n in range(6)
    ]
    study, _ = studied("".join(lines))
    assert "operator: 1 of 6 results don't name one: the level is left out" in study.not_enough
    assert [level.name for level in study.levels] == ["day", "run"]


def test_one_result_says_how_many_are_needed(studied: Study) -> None:
    study, _ = studied(row("R1", 1, 50.0))
    assert (study.components, study.not_enough) == (None, ("1 result: a spread needs 2, a useful one 9",))
    assert study.sentence == "RO-1 lot A, kinematic viscosity at 40 °C: 1 result: a spread needs 2, a useful one 9."


def test_excluded_runs_are_left_out_and_counted(studied: Study) -> None:
    record = "".join(row(f"R{day}", day, 50.0 + 0.1 * (day % 3)) for day in range(1, 7)) + row("R9", 9, 70.0)
    decision = {
        "who": "QA",
        "when": "2026-03-10T10:00:00+00:00",
        "run": "R9",
        "what": "exclude",
        "quantity": "kinematic viscosity",
        "why": "wrong bottle",
    }
    viscosity, density = studied(record, decisions=(decision,))
    assert (viscosity.number, viscosity.excluded) == (6, 1)
    assert (density.number, density.excluded) == (7, 0)


def side_by_side(days: int, deviations: tuple[float, float], seed: int) -> str:
    """Two oils a day, 50 and 10 mm²/s; deviations of days and runs in percent."""
    generator = np.random.default_rng(seed)
    lines = []
    for day in range(1, days + 1):
        on = generator.normal(0.0, deviations[0])
        for oil, level in (("RO-1", 50.0), ("RO-2", 10.0)):
            value = level * (1.0 + (on + generator.normal(0.0, deviations[1])) / 100.0)
            lines.append(row(f"{oil}-{day}", day, value).replace("RO-1,", f"{oil},", 1))
    return "".join(lines)


@pytest.fixture
def together(tmp_path: Path) -> Study:
    """Study the oils of a record that is written inline side by side."""

    def call(record: str) -> tuple[ComponentsOfVariance, ...]:
        return components_side_by_side(recorded(tmp_path, record))

    return call


def test_two_oils_tell_the_day_from_the_run(together: Study) -> None:
    """Simulated records of 25 days: 95 % intervals hold what was planted, 0.2 % and 0.1 %; of 60, 52 or more do."""
    held = 0
    for seed in range(30):
        study, _ = together(side_by_side(25, (0.2, 0.1), seed))
        assert study.components is not None
        assert [(one.name, round(one.degrees_of_freedom)) for one in study.components.components] == [
            ("day", 24),
            ("run", 24),
        ]
        for one, truth in zip(study.components.components, (0.2, 0.1), strict=True):
            held += one.deviation_interval[0] <= truth <= one.deviation_interval[1]
    assert held >= 52
    assert study.samples == ("RO-1 lot A", "RO-2 lot A")


def test_a_day_with_one_oil_is_left_out_and_counted(
    together: Study,
) -> None:
    study, _ = together(side_by_side(6, (0.2, 0.1), 1) + row("R9", 9, 50.0))
    assert study.number == 12
    assert "1 results are left out: on their day an oil was missing or measured twice" in study.remarks
    assert together("".join(row(f"R{day}", day, 50.0) for day in range(1, 9))) == ()


def test_planted_days_and_runs_of_the_sample_laboratory() -> None:
    """Viscosity as the sample laboratory's README and its maker plant it: fills 0.10 and 0.14 %, days 0.05 and 0.06 %.

    The lots of January and February, before the planted drift; both instruments together, so in mean squares.
    """
    study = components_side_by_side(gather_record())[0]
    assert study.name == "REF-THICK lot K-2503 and REF-THIN lot T-2504, kinematic viscosity at 40 °C"
    assert study.components is not None
    _, _, day, run = study.components.components
    assert day.deviation_interval[0] <= float(np.hypot(0.05, 0.06)) / 2**0.5 <= day.deviation_interval[1]
    assert run.deviation_interval[0] <= float(np.hypot(0.10, 0.14)) / 2**0.5 <= run.deviation_interval[1]
    assert [symbol for symbol, _ in study.intermediate_precisions] == ["s_I(TOE)", "s_I(TO)", "s_I(T)", "s_r"]


@pytest.fixture(scope="module")
def studies() -> tuple[ComponentsOfVariance, ...]:
    return components_of_variance(gather_record())


def test_reference_oils_of_the_sample_laboratory(studies: tuple[ComponentsOfVariance, ...]) -> None:
    """Two oils, two lots, two quantities, two temperatures; every component against the statistics room's own."""
    assert len(studies) == 16
    assert all([level.name for level in one.levels] == ["instrument", "operator", "day and run"] for one in studies)
    assert {one.number for one in studies} == {62, 64}
    for one in studies:
        assert one.components is not None
        assert sum(each.share for each in one.components.components) == pytest.approx(1.0)


def test_the_page_gives_each_level_with_its_interval(studies: tuple[ComponentsOfVariance, ...]) -> None:
    html = show_components(studies[2:3]).html
    assert "<summary>REF-THICK lot K-2503, density at 40 °C: 62 results spread by s_I(TOE) = 0.045" in html
    parts = studies[2].components
    assert parts is not None
    for one in parts.components:
        low, high = map(numeral, one.deviation_interval)
        assert f"{one.name} {percent(one.share, 0)}, {numeral(one.deviation)} ({low} to {high})" in html
