"""The list of runs: what is typed finds what a person means, and typing never changes the run on the page."""

from __future__ import annotations

from pathlib import Path

import pytest

from labcalc.judgement import VERDICTS, Material, gather, judge
from labcalc.widgets.picker import RunPicker
from labcalc.widgets.runs import LISTED, Found, RunEntry, first_problem, matching_runs, run_entries

ENTRIES = (
    RunEntry("r5", "HX46-26-0412", "Hydraulic oil HX 46", "VD-2", "2026-03-05 09:10", "HX-L7"),
    RunEntry("r4", "GO-26-0411", "Gas oil", "VD-1", "2026-03-05 08:40", "GO-L2"),
    RunEntry("r3", "HX46-26-0402", "Hydraulic oil HX 46", "VD-1", "2026-03-04 15:00", "HX-L6"),
    RunEntry("r2", "Ölprobe 7", "", "", "", ""),
    RunEntry("r1", "REF-THIN", "", "VD-1", "2026-03-04 07:31", "T-2511"),
)
KNOWN = {"r5": "releasable", "r4": "not releasable", "r3": "needs a second look"}


def found(typed: str) -> list[str]:
    return [one.run for one in matching_runs(ENTRIES, typed, KNOWN).entries]


@pytest.mark.parametrize(
    ("typed", "expected"),
    [
        ("", ["r5", "r4", "r3", "r2", "r1"]),
        ("hx46", ["r5", "r3"]),
        ("hydraulic vd-1", ["r3"]),
        ("VD-1 gas", ["r4"]),
        ("2026-03-05", ["r5", "r4"]),
        ("hx-l6", ["r3"]),
        ("ölprobe", ["r2"]),
        ("releasable", ["r5"]),
        ("not releasable", ["r4"]),
        ("Second Look", ["r3"]),
        ("gas  NOT   releasable", ["r4"]),
        ("hydraulic not releasable", []),
        ("releas", ["r5", "r4"]),
        ("(", []),
    ],
)
def test_every_typed_word_is_looked_for_and_a_verdict_is_taken_as_a_whole(typed: str, expected: list[str]) -> None:
    assert found(typed) == expected


def test_how_many_fit_is_said() -> None:
    assert matching_runs(ENTRIES, "vd-1", KNOWN).sentence == "3 of 5 runs. Verdicts known of 3 so far."
    many = [RunEntry(str(n), f"S-{n}", "", "", "", "") for n in range(LISTED + 50)]
    listed = matching_runs(many, "s-", {one.run: VERDICTS[0] for one in many})
    assert len(listed.entries) == LISTED
    assert listed.sentence == f"{LISTED + 50} of {LISTED + 50} runs; the newest {LISTED} are listed."
    assert isinstance(listed, Found)


@pytest.fixture(scope="module")
def material() -> Material:
    return gather()


def test_the_newest_run_stands_first_and_each_run_once(material: Material) -> None:
    entries = run_entries(material)
    assert sorted(one.run for one in entries) == sorted(material.runs)
    days = [one.measured for one in entries]
    assert days == sorted(days, reverse=True)


def test_runs_without_a_time_come_last(tmp_path: Path) -> None:
    path = tmp_path / "week.csv"
    path.write_text(
        "Sample,Date,Temperature (°C),Kinematic viscosity (mm²/s)\n"
        "A-1,,40,46.1\nA-2,2026-03-02 08:10,40,46.3\nA-3,2026-03-03 08:10,40,46.2\n",
        encoding="utf-8",
    )
    entries = run_entries(gather([path]))
    assert [one.sample for one in entries] == ["A-3", "A-2", "A-1"]
    assert [one.label for one in entries][-1] == "A-1"


def test_what_is_opened_first_looks_wrong(material: Material) -> None:
    run = first_problem(material)
    judgement = judge(material.dossier(run))
    assert judgement.verdict == "not releasable"
    assert not judgement.dossier.is_reference


class Page:
    def __init__(self) -> None:
        self.picked: list[str] = []

    def pick(self, run: str) -> None:
        self.picked.append(run)


def test_typing_filters_the_list_and_leaves_the_page_alone(material: Material) -> None:
    page, run = Page(), run_entries(material)[3].run
    picker = RunPicker(material, run, page.pick)
    assert picker.list.value == run
    picker.search.value = "no such sample"
    assert picker.list.options == ()
    assert picker.found.text.startswith(f"0 of {len(material.runs)} runs")
    picker.search.value = "gas oil"
    assert picker.list.value is None
    picker.search.value = ""
    assert picker.list.value == run
    assert page.picked == []


def test_a_key_in_the_list_picks(material: Material) -> None:
    page, entries = Page(), run_entries(material)
    picker = RunPicker(material, entries[0].run, page.pick)
    picker.list.index = 1
    assert page.picked == [entries[1].run]
    assert picker.list.value == entries[1].run


def test_verdicts_come_in_and_are_searched(material: Material) -> None:
    page, entries = Page(), run_entries(material)
    picker = RunPicker(material, entries[0].run, page.pick)
    for _ in range(6):
        assert picker.judge_next()
    picker.search.value = judge(material.dossier(entries[0].run)).verdict
    assert entries[0].run in [run for _, run in picker.list.options]
    assert all(label[0] in "✓?✗" for label, _ in picker.list.options)
    assert page.picked == []
