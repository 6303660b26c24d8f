"""The state of the page: what moves with the sliders and what doesn't, added measurements, conclusions, the file."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from labcalc import formulae
from labcalc.errors import DecisionError, LabcalcError, UnknownRunError
from labcalc.figures import show_explanations
from labcalc.judgement import Material, gather
from labcalc.judgement.causes import PRIOR_ODDS
from labcalc.lab import add_decision, checked_decisions
from labcalc.widgets import Added, Problem, WhatIfSettings, open_problem, problem_of
from labcalc.widgets.actions import OTHER_CAUSE, conclude, conclusions_offered, export_page
from tests.widgets.conftest import RESIDUE


def test_the_planted_residue_leads_and_explains(residue: Problem) -> None:
    """3.0 % gas oil was planted, and sample_runs/planted_faults.csv names the conclusion."""
    first = residue.explanations[0]
    assert first.cause == "residue"
    assert first.lowest < 3.0 < first.highest
    assert "not explained" in residue.left
    assert "the numbers are explained" in residue.with_settings(WhatIfSettings(residue_percent=3.0)).left


def test_a_warmer_cell_thins_the_oil_as_its_line_says(residue: Problem) -> None:
    """Derivation: at the true temperature T + d the oil shows ν(T + d) of its own line (ASTM D341)."""
    assert residue.evidence is not None
    assert residue.what is not None
    moved = residue.with_settings(WhatIfSettings(temperature_offset_K=0.5)).what
    assert moved is not None
    evidence = residue.evidence
    thick = [i for i, quantity in enumerate(evidence.quantity) if quantity == "kinematic viscosity"]
    line = formulae.fit_viscosity_temperature(evidence.temperature_C[thick], evidence.expected[thick])
    assert moved.predicted[thick[0]] == pytest.approx(line.kinematic_viscosity_at(40.5), rel=1e-6)


def test_sliders_change_only_what_depends_on_them(residue: Problem) -> None:
    moved = residue.with_settings(WhatIfSettings(bubble_percent=0.4))
    assert moved.explanations is residue.explanations
    assert moved.evidence is residue.evidence
    assert residue.settings == WhatIfSettings()


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        (WhatIfSettings(), "nothing is wrong"),
        (WhatIfSettings(-0.3), "the cell is 0.30 K colder than it says"),
        (WhatIfSettings(0.3, 1.5), "the cell is 0.30 K warmer than it says and 1.5 % of the sample before is in it"),
        (WhatIfSettings(dilution_percent=2.0, bubble_percent=0.25), "2.0 % fuel is in it and 0.25 % of the density"),
    ],
)
def test_the_sliders_in_words(settings: WhatIfSettings, words: str) -> None:
    assert settings.words.startswith(words)


def test_an_added_measurement_turns_the_ranking_and_can_be_taken_back(residue: Problem) -> None:
    """A second fill of a clean cell that is as usual speaks for residue; one that stays thin speaks against."""
    usual = residue.with_added([Added("refill and repeat", "kinematic viscosity", 40.0, 20.42)])
    thin = residue.with_added([Added("refill and repeat", "kinematic viscosity", 40.0, 19.06)])
    assert [one.cause for one in (usual.explanations[0], thin.explanations[0])] == ["residue", "dilution"]
    assert usual.explanations[0].probability > residue.explanations[0].probability
    assert usual.first_explanations[0].probability == residue.explanations[0].probability
    back = usual.with_added([])
    assert back.first_explanations == ()
    assert [one.probability for one in back.explanations] == [one.probability for one in residue.explanations]


def test_a_value_that_no_oil_has_adds_nothing(residue: Problem) -> None:
    with pytest.raises(LabcalcError, match="300 to 2000 at −100 °C to 400 °C is expected"):
        residue.with_added([Added("refill and repeat", "density", 40.0, -1.0)])
    assert residue.added == ()


def test_earlier_runs_are_earlier_and_of_the_product(material: Material, residue: Problem) -> None:
    means = material.dossier(RESIDUE).earlier_means
    start = residue.judgement.dossier.rows["measured_at"].min()
    record = material.record.set_index("run")
    for run in means["run"].unique():
        assert (record.loc[[run], "measured_at"] < start).all()
        assert set(record.loc[[run], "product"]) == {"Base oil light"}
    one = means[(means["quantity"] == "density") & (means["temperature_C"] == 40.0)]
    assert one["run"].is_unique
    assert abs(one["value"].mean() - 844.9) < 0.5, "the typical density of lab.toml"


def test_without_a_time_or_a_product_there_is_no_history(tmp_path: Path) -> None:
    path = tmp_path / "week.csv"
    path.write_text("Sample,Date,Temperature (°C),Kinematic viscosity (mm²/s)\nA-1,,40,46.1\n", encoding="utf-8")
    problem = open_problem([path])
    assert problem.earlier.empty
    assert list(problem.earlier.columns) == ["run", "quantity", "temperature_C", "value"]


def test_an_unknown_run_is_refused(material: Material) -> None:
    with pytest.raises(UnknownRunError, match="no run 'X-1'"):
        problem_of(material, "X-1")


def test_every_sample_run_can_be_opened_or_says_why_not(material: Material) -> None:
    for run in material.runs[::9]:
        problem = problem_of(material, run)
        assert problem.explanations or problem.why_not
        assert problem.left
        if problem.evidence is not None:
            assert problem.what is not None
            assert np.isfinite(problem.what.predicted).all()


def opened(lab: Path) -> Problem:
    return problem_of(gather([], lab), RESIDUE)


def test_a_conclusion_stands_in_the_laboratorys_file_and_on_the_page(lab: Path) -> None:
    problem = opened(lab)
    title = problem.explanations[0].title
    assert conclusions_offered(problem)[0] == title
    conclude(problem, who=" Teresa  Rocha ", concluded=title, why="Second fill as\nusual.")
    last = checked_decisions(problem.material.laboratory).decisions[-1]
    assert (last.who, last.what, last.why) == ("Teresa Rocha", "conclusion", f"{title}. Second fill as usual.")
    assert (last.run, last.instrument) == (RESIDUE, "VD-1")
    assert problem.decisions == (last,)
    first = problem.explanations[0]
    assert (last.cause, last.size, last.decided_by) == (first.cause, first.size, "")
    assert last.probability == last.leading_probability == first.probability
    conclude(problem, who="T. Rocha", concluded=OTHER_CAUSE, why="Wrong bottle.")
    assert problem.decisions[-1].why == "Wrong bottle."
    assert (problem.decisions[-1].cause, problem.decisions[-1].probability) == ("something else", 0.0)


def test_a_conclusion_tells_what_was_thought_first_and_what_decided(lab: Path) -> None:
    problem = opened(lab)
    more = problem.with_added([Added("refill and repeat", "kinematic viscosity", 40.0, 20.42)])
    conclude(more, who="T", concluded=more.explanations[0].title, why="Second fill as usual.")
    last = more.decisions[-1]
    assert last.probability == problem.explanations[0].probability < more.explanations[0].probability
    assert last.size == more.explanations[0].size
    assert last.decided_by == "refill and repeat: kinematic viscosity at 40 °C 20.42 mm²/s"


def test_conclusions_about_other_runs_move_the_odds_and_the_page_says_so(lab: Path) -> None:
    """20 conclusions for the catalogue's odds, 30 for the laboratory's: only fuel gains, by (its own + 30)/own."""
    problem, others = opened(lab), [run for run in gather([], lab).runs if run != RESIDUE][:30]
    before = {one.cause: one.probability for one in problem.explanations}
    for run in others:
        given = {"what": "conclusion", "why": "flash point", "run": run, "cause": "dilution"}
        add_decision(problem.material.laboratory, who="T", probability=0.95, leading_probability=0.95, **given)
    add_decision(problem.material.laboratory, who="T", what="conclusion", why="x", run=RESIDUE, cause="water")
    again = opened(lab)
    after = {one.cause: one.probability for one in again.explanations}
    faults = sum(PRIOR_ODDS.values()) - PRIOR_ODDS["noise"]
    share = PRIOR_ODDS["dilution"] / faults * 20.0
    gained = (after["dilution"] / after["residue"]) / (before["dilution"] / before["residue"])
    assert gained == pytest.approx((share + 30.0) / share)
    html = show_explanations(again.explanations, (), again.laboratory_odds).html
    assert "yours: 30 of 30" in html
    assert "yours: 0 of 30" in html
    assert "90 % or more was said of 30 of them, and was right in 30." in html


@pytest.mark.parametrize(
    ("who", "why", "expected"),
    [
        ("", "seen", "who concludes: a name is expected; nothing was written"),
        ("  ", "seen", "who concludes"),
        ("T", " \n", "why: what speaks for it is expected; nothing was written"),
    ],
)
def test_an_empty_field_is_refused_and_nothing_is_written(who: str, why: str, expected: str, lab: Path) -> None:
    before = (lab.parent / "decisions.jsonl").read_bytes()
    with pytest.raises(DecisionError, match=re.escape(expected)):
        conclude(opened(lab), who=who, concluded=OTHER_CAUSE, why=why)
    assert (lab.parent / "decisions.jsonl").read_bytes() == before


def test_a_torn_line_of_decisions_stops_no_conclusion(lab: Path) -> None:
    problem, file = opened(lab), lab.parent / "decisions.jsonl"
    file.write_bytes(file.read_bytes() + b'{"who": "T')
    before = file.read_bytes()
    conclude(problem, who="T", concluded=OTHER_CAUSE, why="seen")
    assert file.read_bytes().startswith(before + b"\n")
    assert [one.why for one in problem.decisions][-1] == "seen"


def test_without_a_lab_toml_there_is_nowhere_to_write(tmp_path: Path) -> None:
    path = tmp_path / "week.csv"
    path.write_text("Sample,Date,Temperature (°C),Kinematic viscosity (mm²/s)\nA-1,2026-03-02 08:10,40,46.1\n", "utf-8")
    with pytest.raises(DecisionError, match=r"opened without a lab\.toml, and conclusions stand beside one"):
        conclude(open_problem([path]), who="T", concluded=OTHER_CAUSE, why="seen")


def test_the_file_shows_the_state_of_the_page_and_never_replaces_another(lab: Path, tmp_path: Path) -> None:
    problem = opened(lab).with_added([Added("refill and repeat", "kinematic viscosity", 40.0, 20.4)])
    problem = problem.with_settings(WhatIfSettings(residue_percent=3.2))
    first, second = (export_page(problem, [], lab, tmp_path) for _ in range(2))
    assert [one.path.name for one in (first, second)] == [f"problem-{RESIDUE}.html", f"problem-{RESIDUE}-2.html"]
    assert first.digest == second.digest
    assert first.figures == 3
    text = re.sub(r"<[^>]+>", "", first.path.read_text("utf-8")).replace("\u00a0", " ")
    assert "If 3.2 % of the sample before is in it" in text
    assert "refill and repeat: kinematic viscosity at 40 °C 20.4 mm²/s" in text
    assert not re.search(r'(?:src|href)="https?:', first.path.read_text("utf-8"))


def test_the_frame_of_earlier_means_is_what_the_picture_asks_for(residue: Problem) -> None:
    assert isinstance(residue.earlier, pd.DataFrame)
    assert residue.earlier["value"].gt(0.0).all()
