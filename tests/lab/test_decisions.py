"""Decisions: added at the end and never rewritten, every line checked, a torn one named."""

from __future__ import annotations

import hashlib
import json
import math
import os
import resource
import subprocess
import sys
import threading
from collections import Counter
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import pytest

from labcalc.errors import DecisionError
from labcalc.lab import Head, Laboratory, add_decision, checked_decisions, decisions_file, file_head, verify_file
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
    first, second = checked_decisions(laboratory).decisions
    assert (first.run, first.what, math.isnan(first.temperature_C)) == ("R7", "exclude", True)
    assert second == added
    assert (tmp_path / "decisions.jsonl").read_bytes().startswith(WHOLE.encode())


def test_a_decision_is_timed_now_in_the_time_zone_of_the_laboratory(load: Load) -> None:
    laboratory = load()
    decision = add_decision(laboratory, who="M. Rocha", what="accept", why="new lot", run="R8")
    assert decision.when.tzinfo is not None
    assert checked_decisions(laboratory).decisions[0].when == decision.when


def test_no_file_is_no_decision(load: Load) -> None:
    assert checked_decisions(load()).decisions == ()
    assert checked_decisions(Laboratory()).decisions == ()


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
    (refused,) = checked_decisions(laboratory).unusable
    assert str(refused).startswith(f"{decisions_file(laboratory)}: ")
    assert problem in str(refused)


def test_a_line_that_cant_be_used_stops_no_other(load: Load, tmp_path: Path) -> None:
    laboratory = written(load, tmp_path, WHOLE + "exclude R7\n" + WHOLE.replace("R7", "R9") + '{"who": "I. Du')
    decided = checked_decisions(laboratory)
    assert [one.run for one in decided.decisions] == ["R7", "R9"]
    assert [one.line for one in decided.unusable] == [2, 4]


def test_a_last_line_without_its_end_is_whole_where_its_braces_close(load: Load, tmp_path: Path) -> None:
    decided = checked_decisions(written(load, tmp_path, WHOLE + WHOLE.replace("R7", "R9").rstrip()))
    assert ([one.run for one in decided.decisions], decided.unusable) == (["R7", "R9"], ())


@pytest.mark.parametrize("torn", [WHOLE[:-5], WHOLE.rstrip()])
def test_what_is_added_behind_a_line_without_an_end_is_a_line_of_its_own(load: Load, tmp_path: Path, torn: str) -> None:
    laboratory = written(load, tmp_path, torn)
    add_decision(laboratory, who="M. Rocha", what="accept", why="new lot", run="R8")
    assert (tmp_path / "decisions.jsonl").read_bytes().startswith(torn.encode() + b"\n")
    assert checked_decisions(laboratory).decisions[-1].run == "R8"
    told = [one.problem for one in checked_decisions(laboratory).unusable]
    assert [one[:24] for one in told] == ["the line has no end: it "] * (torn != WHOLE.rstrip())


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
        assert checked_decisions(laboratory).unusable == ()
    assert [one.returncode for one in adding] == [0, 0, 0, 0]
    decisions = checked_decisions(laboratory).decisions
    assert Counter(one.who for one in decisions) == dict.fromkeys(("Ada", "Bo", "Cy", "Di"), 25)
    assert [one.run for one in decisions if one.who == "Bo"] == [f"R{n}" for n in range(25)]


def test_a_line_that_a_neighbour_is_writing_is_waited_for(load: Load, tmp_path: Path) -> None:
    laboratory = written(load, tmp_path, WHOLE + WHOLE[:40])

    def write_the_rest() -> None:
        with (tmp_path / "decisions.jsonl").open("a", encoding="utf-8") as file:
            file.write(WHOLE[40:])

    end = threading.Timer(0.2, write_the_rest)
    end.start()
    decided = checked_decisions(laboratory)
    end.join()
    assert (len(decided.decisions), decided.unusable) == (2, ())


def test_a_version_that_counts_is_a_run_an_export_or_both(load: Load) -> None:
    laboratory = load()
    given = {"who": "M. Rocha", "what": "count", "why": "the clock was set on 2 March"}
    with pytest.raises(DecisionError, match="what counts is a run, an export"):
        add_decision(laboratory, **given)
    add_decision(laboratory, **given, file="week.csv")
    assert [(one.run, one.file) for one in checked_decisions(laboratory).decisions] == [("", "week.csv")]


def test_a_wrong_decision_is_not_written(load: Load, tmp_path: Path) -> None:
    with pytest.raises(DecisionError, match="run: missing, and must be given to accept"):
        add_decision(load(), who="M. Rocha", what="accept", why="new lot")
    assert not (tmp_path / "decisions.jsonl").exists()


def test_without_a_lab_toml_there_is_no_place_for_a_decision() -> None:
    with pytest.raises(DecisionError, match=r"^a decision stands beside a lab\.toml; this laboratory has none$"):
        add_decision(Laboratory(), who="M. Rocha", what="accept", why="new lot", run="R8")


def chained(load: Load, tmp_path: Path, number: int = 4) -> tuple[Laboratory, Path]:
    """A line of old, and so many that were added behind it."""
    laboratory = written(load, tmp_path, WHOLE)
    for n in range(number):
        add_decision(laboratory, who="M. Rocha", what="accept", why=f"new lot {n}", run=f"R{n}")
    return laboratory, tmp_path / "decisions.jsonl"


def test_each_new_line_carries_the_digest_of_all_before_it(load: Load, tmp_path: Path) -> None:
    laboratory, file = chained(load, tmp_path)
    lines = file.read_bytes().splitlines(keepends=True)
    for n, line in enumerate(lines[1:], 1):
        assert json.loads(line)["after"] == hashlib.sha256(b"".join(lines[:n])).hexdigest()
    decided = checked_decisions(laboratory)
    assert ([one.number for one in decided.decisions], decided.unusable) == ([1, 2, 3, 4, 5], ())
    assert file_head(laboratory) == Head(5, hashlib.sha256(file.read_bytes()).hexdigest())


@pytest.mark.parametrize(
    ("change", "line", "told"),
    [
        (lambda lines: [lines[0].replace(b"bubble", b"cloudy"), *lines[1:]], 2, "from 1 on, was changed, put in"),
        (lambda lines: [*lines[:2], lines[2].replace(b"lot 1", b"lot 9"), *lines[3:]], 4, "from 3 on, was changed"),
        (lambda lines: [*lines[:2], *lines[3:]], 3, "from 2 on, was changed, put in or taken out since it was"),
        (lambda lines: [*lines[:2], lines[3], lines[2], lines[4]], 3, "from 2 on, was changed"),
        (lambda lines: [*lines[:2], b"\n", *lines[2:]], 4, "from 2 on, was changed"),
        (lambda lines: [line.replace(b"\n", b"\r\n") for line in lines], 2, "from 1 on, was changed"),
        (lambda lines: [*lines[:3], WHOLE.encode(), lines[4]], 4, "it stands behind chained lines and has no 'after'"),
    ],
)  # fmt: skip
def test_a_line_that_was_edited_later_is_told_by_the_line_that_it_no_longer_fits(
    load: Load, tmp_path: Path, change: Callable[[list[bytes]], list[bytes]], line: int, told: str
) -> None:
    laboratory, file = chained(load, tmp_path)
    file.write_bytes(b"".join(change(file.read_bytes().splitlines(keepends=True))))
    decided = checked_decisions(laboratory)
    assert decided.unusable[0].line == line
    assert told in decided.unusable[0].problem
    whole = len(decided.decisions) + sum("no 'after'" in one.problem for one in decided.unusable)
    assert whole == sum(bool(line.strip()) for line in file.read_bytes().splitlines()), "it stops nothing else"
    add_decision(laboratory, who="M. Rocha", what="accept", why="after the edit", run="R9")
    again = checked_decisions(laboratory)
    assert (again.decisions[-1].run, str(again.unusable[0])) == ("R9", str(decided.unusable[0]))


def test_a_garbage_line_between_chained_ones_is_named_alone(load: Load, tmp_path: Path) -> None:
    laboratory, file = chained(load, tmp_path)
    file.write_bytes(file.read_bytes() + b"[" * 100_000 + b"\n{")
    add_decision(laboratory, who="M. Rocha", what="accept", why="behind it", run="R9")
    decided = checked_decisions(laboratory)
    assert [one.line for one in decided.unusable] == [6, 7]
    assert (decided.decisions[-1].run, decided.decisions[-1].number) == ("R9", 8)


def test_a_last_line_edited_or_taken_away_contradicts_paper(load: Load, tmp_path: Path) -> None:
    laboratory, file = chained(load, tmp_path)
    head = file_head(laboratory)
    assert head is not None
    assert verify_file(laboratory, {5: head.digest[:16]}) == (head, None)
    lines = file.read_bytes().splitlines(keepends=True)
    file.write_bytes(b"".join([*lines[:4], lines[4].replace(b"lot 3", b"lot 9")]))
    assert checked_decisions(laboratory).unusable == ()
    edited = verify_file(laboratory, {5: head.digest[:16]})[1]
    file.write_bytes(b"".join(lines[:4]))
    cut = verify_file(laboratory, {5: head.digest[:16]})[1]
    for told in (edited, cut):
        assert f"line 5: {head.digest[:16]} was printed for so many lines; one was changed since" in str(told)


def test_a_decision_is_corrected_by_its_number_in_the_file_too(load: Load, tmp_path: Path) -> None:
    laboratory, _ = chained(load, tmp_path, 2)
    second = add_decision(laboratory, who="Bo", what="conclusion", why="no bubble after all", run="R7", corrects=1)
    assert [one.number for one in checked_decisions(laboratory).decisions] == [2, 3, second.number]
    for wrong in (1, 9):
        with pytest.raises(DecisionError, match=f"{wrong} is no decision in force, which one can correct"):
            add_decision(laboratory, who="Bo", what="conclusion", why="again", run="R7", corrects=wrong)


def test_zero_degrees_is_a_temperature(load: Load) -> None:
    add_decision(load(), who="Bo", what="exclude", why="ice", run="R7", temperature_C=0.0)
    assert checked_decisions(load()).decisions[0].temperature_C == 0.0


def test_a_full_disk_leaves_no_half_of_a_line(load: Load, tmp_path: Path) -> None:
    laboratory, file = chained(load, tmp_path)
    before = file.read_bytes()
    if (child := os.fork()) == 0:
        resource.setrlimit(resource.RLIMIT_FSIZE, (len(before) + 100, resource.RLIM_INFINITY))
        try:
            add_decision(laboratory, who="M. Rocha", what="accept", why="x" * 300, run="R9")
        except DecisionError as error:
            os._exit(0 if "the disk is full: nothing was written" in str(error) else 2)
        os._exit(1)
    assert os.waitpid(child, 0)[1] == 0
    assert file.read_bytes() == before
