"""Decisions: added at the end and never rewritten, every line checked, a torn one named."""

from __future__ import annotations

import math
from datetime import datetime
from pathlib import Path

import pytest

from labcalc.errors import DecisionError
from labcalc.lab import Laboratory, add_decision, decisions_file, read_decisions
from tests.lab.conftest import Load

WHEN = datetime.fromisoformat("2026-03-19T16:20:00+00:00")
WHOLE = '{"who": "I. Duarte", "when": "2026-03-19T16:20:00+00:00", "what": "exclude", "why": "bubble", "run": "R7"}\n'


def written(load: Load, tmp_path: Path, content: str | bytes) -> Laboratory:
    (tmp_path / "decisions.jsonl").write_bytes(content if isinstance(content, bytes) else content.encode())
    return load()


def test_what_is_added_is_read_and_what_stood_there_stays(load: Load, tmp_path: Path) -> None:
    laboratory = written(load, tmp_path, WHOLE)
    added = add_decision(
        laboratory,
        who="M. Rocha",
        when=WHEN,
        what="corrective action",
        why="cell cleaned;\nadjustment checked: ν ±0.1 %",
        instrument="VD-1",
        quantity="kinematic viscosity",
        temperature_C=40,
    )
    first, second = read_decisions(laboratory)
    assert (first.run, first.what, math.isnan(first.temperature_C)) == ("R7", "exclude", True)
    assert second == added
    assert (tmp_path / "decisions.jsonl").read_bytes().startswith(WHOLE.encode())


def test_a_decision_is_timed_now_in_the_time_zone_of_the_laboratory(load: Load) -> None:
    laboratory = load()
    decision = add_decision(laboratory, who="M. Rocha", what="accept", why="new lot", run="R8")
    assert decision.when.tzinfo is not None
    assert read_decisions(laboratory)[0].when == decision.when


def test_no_file_is_no_decision(load: Load) -> None:
    assert read_decisions(load()) == ()
    assert read_decisions(Laboratory()) == ()


WRONG = [
    (WHOLE + '{"who": "I. Du', "line 2: the line has no end: it was torn while it was written. "),
    (WHOLE + "exclude R7\n", "line 2: 'exclude R7': a decision in braces is expected"),
    (WHOLE.replace('"who": "I. Duarte", ', ""), "line 1: who: missing, and must be given"),
    (WHOLE.replace("bubble", "  "), "line 1: why: '  ': a text in quotes, not empty, is expected"),
    (WHOLE.replace('"R7"', '"R7", "wy": 1'), "line 1: wy: unknown key; known here: "),
    (WHOLE.replace(', "run": "R7"', ""), "line 1: run: missing, and must be given to exclude"),
    (
        WHOLE.replace("exclude", "conclusion").replace('"run": "R7"', '"quantity": "density"'),
        "line 1: run: missing: a run",
    ),
    (WHOLE.replace('"exclude"', '"exlude"'), "did you mean 'exclude'?"),
    (WHOLE.replace("+00:00", ""), "line 1: when: '2026-03-19T16:20:00': a time with its time zone"),
    ("\n" + WHOLE.replace("2026-03-19T16:20:00+00:00", "yesterday"), "line 2: when: 'yesterday': a time"),
    (b'{"who": "\xff"}\n', "line 1: not UTF-8"),
    ("[1]\n", "line 1: a list: a table is expected"),
]


@pytest.mark.parametrize(("content", "problem"), WRONG)
def test_a_line_that_cant_be_used_is_named(load: Load, tmp_path: Path, content: str | bytes, problem: str) -> None:
    laboratory = written(load, tmp_path, content)
    with pytest.raises(DecisionError) as refused:
        read_decisions(laboratory)
    assert str(refused.value).startswith(f"{decisions_file(laboratory)}: ")
    assert problem in str(refused.value)


def test_nothing_is_added_behind_a_torn_line(load: Load, tmp_path: Path) -> None:
    laboratory = written(load, tmp_path, WHOLE[:-5])
    with pytest.raises(DecisionError, match="torn"):
        add_decision(laboratory, who="M. Rocha", what="accept", why="new lot", run="R8")
    assert (tmp_path / "decisions.jsonl").read_bytes() == WHOLE[:-5].encode()


def test_a_wrong_decision_is_not_written(load: Load, tmp_path: Path) -> None:
    with pytest.raises(DecisionError, match="run: missing, and must be given to accept"):
        add_decision(load(), who="M. Rocha", what="accept", why="new lot")
    assert not (tmp_path / "decisions.jsonl").exists()


def test_without_a_lab_toml_there_is_no_place_for_a_decision() -> None:
    with pytest.raises(DecisionError, match=r"^a decision stands beside a lab\.toml; this laboratory has none$"):
        add_decision(Laboratory(), who="M. Rocha", what="accept", why="new lot", run="R8")
