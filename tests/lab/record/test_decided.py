"""Decisions in the record: added, corrected, moved over from the file."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime

import pytest

from labcalc.errors import DecisionError
from labcalc.lab import (
    Laboratory,
    add_decision,
    checked_decisions,
    find_entries,
    move_decisions,
    verify_record,
)

WHEN = datetime(2026, 3, 19, 16, 20, tzinfo=UTC)


def test_a_decision_comes_back_as_it_was_written(laboratory: Laboratory) -> None:
    narrow = add_decision(
        laboratory, who="I. Duarte", what="exclude", why="bubble, ü", run="R1", quantity="density", temperature_C=15.6,
        when=WHEN,
    )  # fmt: skip
    wide = add_decision(laboratory, who="I. Duarte", what="corrective action", why="cleaned", instrument="VD-1")
    found = checked_decisions(laboratory).decisions
    assert found[0] == narrow
    assert (found[0].when, found[0].temperature_C) == (WHEN, 15.6)
    assert (found[1].who, found[1].instrument, math.isnan(found[1].temperature_C)) == (wide.who, "VD-1", True)
    entry = find_entries(laboratory, kind="decision")[0]
    assert (entry.who, entry.content["temperature_C"], entry.content["when"]) == (
        "I. Duarte", "15.6", "2026-03-19T16:20:00+00:00",
    )  # fmt: skip


@pytest.mark.parametrize("probability", [0.0, 0.9730000000000001])
def test_a_conclusion_keeps_what_can_be_learned_from_it(laboratory: Laboratory, probability: float) -> None:
    learned = {"cause": "residue", "size": 3.4, "probability": probability, "leading_probability": 0.9730000000000001}
    told = {"decided_by": "refill and repeat: density at 40 °C 844.9 kg/m³", **learned}
    one = add_decision(laboratory, who="A", what="conclusion", why="second fill as usual", run="R1", **told)
    (found,) = checked_decisions(laboratory).decisions
    assert {name: getattr(found, name) for name in told} == told == {name: getattr(one, name) for name in told}
    assert verify_record(laboratory)[1] is None
    with pytest.raises(DecisionError, match=r"probability: 1\.2: "):
        add_decision(laboratory, who="A", what="conclusion", why="x", run="R1", probability=1.2)


def test_a_correction_takes_the_place_of_what_it_points_at(laboratory: Laboratory) -> None:
    add_decision(laboratory, who="A", what="exclude", why="bubble", run="R1")
    n = find_entries(laboratory, kind="decision")[0].n
    add_decision(laboratory, who="B", what="conclusion", why="no bubble after all", run="R1", corrects=n)
    assert [one.why for one in checked_decisions(laboratory).decisions] == ["no bubble after all"]
    assert [one.corrects for one in find_entries(laboratory, kind="decision")] == [None, n]
    for wrong in (n, 1, 99):
        with pytest.raises(DecisionError, match=f"{wrong} is no decision in force"):
            add_decision(laboratory, who="B", what="conclusion", why="again", run="R1", corrects=wrong)


def test_a_decision_to_count_names_the_export(laboratory: Laboratory) -> None:
    add_decision(laboratory, who="A", what="count", why="the clock was right", file="run_001.csv")
    assert [(one.what, one.file) for one in checked_decisions(laboratory).decisions] == [("count", "run_001.csv")]
    assert verify_record(laboratory)[1] is None


def test_a_garbage_line_of_the_file_is_told_beside_a_record(laboratory: Laboratory) -> None:
    add_decision(laboratory, who="A", what="conclusion", why="seen", run="R1")
    assert laboratory.file is not None
    (laboratory.file.parent / "decisions.jsonl").write_text("garbage\n", encoding="utf-8")
    decided = checked_decisions(laboratory)
    (problem,) = decided.unusable
    assert ([one.run for one in decided.decisions], problem.line) == (["R1"], 1)


def test_a_wrong_decision_leaves_nothing(laboratory: Laboratory) -> None:
    with pytest.raises(DecisionError, match="what: 'ignore': one of"):
        add_decision(laboratory, who="A", what="ignore", why="bubble", run="R1")
    assert move_decisions(laboratory) == 0
    assert find_entries(laboratory, kind="decision") == []


def test_the_file_moves_over_once_and_nothing_of_it_is_passed_over(laboratory: Laboratory) -> None:
    assert laboratory.file is not None
    file = laboratory.file.parent / "decisions.jsonl"
    line = {"who": "A", "when": WHEN.isoformat(), "what": "exclude", "why": "bubble", "run": "R1", "temperature_C": 40}
    file.write_text(json.dumps(line) + "\n", encoding="utf-8")
    assert move_decisions(laboratory) == 1
    assert move_decisions(laboratory) == 0
    assert [(one.run, one.temperature_C) for one in checked_decisions(laboratory).decisions] == [("R1", 40.0)]
    with file.open("a", encoding="utf-8") as end:
        end.write(json.dumps({**line, "run": "R2"}) + "\n")
    decided = checked_decisions(laboratory)
    (beside,) = decided.unusable
    assert [one.run for one in decided.decisions] == ["R1"]
    assert beside.problem == "1 of its decisions is not in the record; `labcalc record add` moves them"
    assert move_decisions(laboratory) == 1
    assert [one.run for one in checked_decisions(laboratory).decisions] == ["R1", "R2"]
