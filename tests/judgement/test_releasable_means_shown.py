"""What could not be shown holds a run back, or is said beside its verdict; limits and slopes by hand."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from labcalc.judgement import Check, Judgement, gather, judge
from tests.judgement.conftest import GOOD, HEADER, LAB, REFERENCE, Judge

FALLS = "Viscosity falls with temperature"


def check(judgement: Judgement, name: str) -> Check:
    (found,) = (one for one in judgement.checks if one.name == name)
    return found


def at(cold: str, hot: str, cold_C: float = 40.0, hot_C: float = 100.0) -> str:
    rows = ((cold_C, cold, "858.1"), (hot_C, hot, "819.9"))
    return "".join(f"S1,S-1,2026-03-02 08:00,VD,{t:g},{nu},{rho}\n" for t, nu, rho in rows)


def test_exchanged_viscosities_are_not_released(judged: Judge) -> None:
    """A liquid's viscosity falls with temperature; no limit of lab.toml is needed for that."""
    judgement = judged(at("4.156", "20.46"), lab=LAB.replace("limit = [", "limit = []\nunused = [").split("unused")[0])
    found = check(judgement, FALLS)
    assert (judgement.verdict, found.state) == ("not releasable", "not met")
    assert found.finding.startswith("20.46 mm²/s at 100 °C is not below 4.156 mm²/s at 40 °C")


def test_neighbours_within_5_K_may_be_exchanged_by_noise(judged: Judge) -> None:
    judgement = judged(at("46.12", "46.20", 40.0, 44.9))
    assert FALLS not in {one.name for one in judgement.checks}
    assert check(judged(at("46.12", "46.20", 40.0, 45.0)), FALLS).state == "not met"


@pytest.mark.parametrize(("cold_C", "hot_C", "state"), [(40, 100, "met"), (313.15, 373.15, "doubtful")])
def test_kelvin_typed_as_celsius_is_doubtful(judged: Judge, cold_C: float, hot_C: float, state: str) -> None:
    """ASTM D341: B = [lglg(Z40) − lglg(Z100)] / (lg 373.15 − lg 313.15) = 3.66; 6.589 where kelvin stands for °C."""
    judgement = judged(at("46.12", "6.870", cold_C, hot_C))
    found = check(judgement, FALLS)
    assert found.state == state
    assert ("are the temperatures in °C" in found.finding) == (state == "doubtful")
    assert found.finding.startswith("slope 3.66" if state == "met" else "slope 6.589")


def test_a_limit_that_was_not_measured_holds_a_run_back(judged: Judge) -> None:
    judgement = judged(GOOD.splitlines(keepends=True)[1])
    found = check(judgement, "Specification: kinematic viscosity at 40 °C")
    assert (judgement.verdict, found.state) == ("needs a second look", "doubtful")
    assert found.finding == "the limit could not be held: not measured in this run"
    index = check(judgement, "Specification: viscosity index")
    assert index.finding.endswith("needs the kinematic viscosities at 40 °C and 100 °C")


def test_a_limit_says_why_the_formula_refused(judged: Judge) -> None:
    """ASTM D2270 holds from 2 mm²/s at 100 °C; 1.5 is below, and the formula says so."""
    lab = LAB.replace("lowest = 41.4, highest = 50.6", "lowest = 4.0, highest = 5.0")
    judgement = judged(at("4.500", "1.500"), lab=lab)
    found = check(judgement, "Specification: viscosity index")
    assert (judgement.verdict, found.state) == ("needs a second look", "doubtful")
    assert "1.5 mm²/s" in found.finding
    assert "not measured" not in found.finding


def test_an_unknown_product_is_said_beside_the_verdict(judged: Judge) -> None:
    judgement = judged(GOOD.replace("S-1", "X-1"))
    assert judgement.verdict == "releasable"
    assert "nothing was held against a specification: lab.toml knows no product of this name" in judgement.reason


def test_what_a_decision_excludes_is_not_released(tmp_path: Path) -> None:
    (tmp_path / "record").mkdir()
    (tmp_path / "record" / "reference.csv").write_text(HEADER + REFERENCE, "utf-8")
    (tmp_path / "lab.toml").write_text(LAB, "utf-8")
    (tmp_path / "today.csv").write_text(HEADER + GOOD, "utf-8")
    exclude = {"who": "I. Duarte", "when": "2026-03-02T16:20:00+00:00", "what": "exclude", "why": "bubble", "run": "S1"}
    clean = judge(gather([tmp_path / "today.csv"], tmp_path / "lab.toml").dossier("S1"))
    (tmp_path / "decisions.jsonl").write_text(json.dumps(exclude) + "\n", "utf-8")
    judgement = judge(gather([tmp_path / "today.csv"], tmp_path / "lab.toml").dossier("S1"))
    assert (clean.verdict, judgement.verdict) == ("releasable", "not releasable")
    assert judgement.reason == "Decision: the run is excluded by I. Duarte, 2026-03-02: bubble"
    assert judgement.dossier.digest != clean.dossier.digest
