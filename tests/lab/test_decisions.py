"""Decisions: added at the end and never rewritten, every line checked, a torn one named."""

from __future__ import annotations

import math
import subprocess
import sys
import threading
from collections import Counter
from datetime import datetime
from pathlib import Path

import pytest

from labcalc.errors import DecisionError
from labcalc.lab import Laboratory, add_decision, checked_decisions, decisions_file, read_decisions
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
    _, (refused,) = checked_decisions(laboratory)
    assert str(refused).startswith(f"{decisions_file(laboratory)}: ")
    assert problem in str(refused)


def test_a_line_that_cant_be_used_stops_no_other(load: Load, tmp_path: Path) -> None:
    laboratory = written(load, tmp_path, WHOLE + "exclude R7\n" + WHOLE.replace("R7", "R9") + '{"who": "I. Du')
    decisions, unusable = checked_decisions(laboratory)
    assert [one.run for one in decisions] == [one.run for one in read_decisions(laboratory)] == ["R7", "R9"]
    assert [one.line for one in unusable] == [2, 4]


def test_a_last_line_without_its_end_is_whole_where_its_braces_close(load: Load, tmp_path: Path) -> None:
    decisions, unusable = checked_decisions(written(load, tmp_path, WHOLE + WHOLE.replace("R7", "R9").rstrip()))
    assert ([one.run for one in decisions], unusable) == (["R7", "R9"], ())


@pytest.mark.parametrize("torn", [WHOLE[:-5], WHOLE.rstrip()])
def test_what_is_added_behind_a_line_without_an_end_is_a_line_of_its_own(load: Load, tmp_path: Path, torn: str) -> None:
    laboratory = written(load, tmp_path, torn)
    add_decision(laboratory, who="M. Rocha", what="accept", why="new lot", run="R8")
    assert (tmp_path / "decisions.jsonl").read_bytes().startswith(torn.encode() + b"\n")
    assert read_decisions(laboratory)[-1].run == "R8"
    assert len(checked_decisions(laboratory)[1]) == (torn != WHOLE.rstrip())


ADDING = """
import sys
from labcalc.lab import add_decision, load_laboratory
for n in range(25):
    add_decision(load_laboratory(sys.argv[1]), who=sys.argv[2], what="accept", why="x" * 2000, run=f"R{n}")
"""


def test_four_processes_that_add_at_once_lose_nothing(load: Load, tmp_path: Path) -> None:
    laboratory = load()
    adding = [
        subprocess.Popen([sys.executable, "-c", ADDING, str(laboratory.file), who]) for who in ("Ada", "Bo", "Cy", "Di")
    ]
    while any(one.poll() is None for one in adding):  # readers are never blocked, and see whole lines only
        assert checked_decisions(laboratory)[1] == ()
    assert [one.returncode for one in adding] == [0, 0, 0, 0]
    decisions = read_decisions(laboratory)
    assert Counter(one.who for one in decisions) == dict.fromkeys(("Ada", "Bo", "Cy", "Di"), 25)
    assert [one.run for one in decisions if one.who == "Bo"] == [f"R{n}" for n in range(25)]


def test_a_line_that_a_neighbour_is_writing_is_waited_for(load: Load, tmp_path: Path) -> None:
    laboratory = written(load, tmp_path, WHOLE + WHOLE[:40])

    def write_the_rest() -> None:
        with (tmp_path / "decisions.jsonl").open("a", encoding="utf-8") as file:
            file.write(WHOLE[40:])

    end = threading.Timer(0.2, write_the_rest)
    end.start()
    decisions, unusable = checked_decisions(laboratory)
    end.join()
    assert (len(decisions), unusable) == (2, ())


def test_a_version_that_counts_is_a_run_an_export_or_both(load: Load) -> None:
    laboratory = load()
    given = {"who": "M. Rocha", "what": "count", "why": "the clock was set on 2 March"}
    with pytest.raises(DecisionError, match="what counts is a run, an export"):
        add_decision(laboratory, **given)
    add_decision(laboratory, **given, file="week.csv")
    assert [(one.run, one.file) for one in read_decisions(laboratory)] == [("", "week.csv")]


def test_a_wrong_decision_is_not_written(load: Load, tmp_path: Path) -> None:
    with pytest.raises(DecisionError, match="run: missing, and must be given to accept"):
        add_decision(load(), who="M. Rocha", what="accept", why="new lot")
    assert not (tmp_path / "decisions.jsonl").exists()


def test_without_a_lab_toml_there_is_no_place_for_a_decision() -> None:
    with pytest.raises(DecisionError, match=r"^a decision stands beside a lab\.toml; this laboratory has none$"):
        add_decision(Laboratory(), who="M. Rocha", what="accept", why="new lot", run="R8")
