"""The sample laboratory with a record judges as it does from its folder of exports; its pages print the head."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from labcalc.errors import MonthError, RecordError
from labcalc.figures.month.report import show_month_provenance
from labcalc.figures.provenance import show_provenance
from labcalc.judgement import Material, gather, gather_record, judge, report_duplicates, report_month, review_setup
from labcalc.lab import add_exports, load_laboratory, move_decisions, record_head
from labcalc.lab.record.journal import LATEST
from labcalc.shipped import sample_lab
from tests.lab.record.conftest import export_files, lab_with


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """lab.toml without a record, and with one that holds the same exports and decisions."""
    folder = tmp_path_factory.mktemp("laboratory")
    shutil.copytree(Path(sample_lab()).parent, folder, dirs_exist_ok=True)
    with_record = folder / "with_record.toml"
    text = (folder / "lab.toml").read_text("utf-8").replace('earlier_exports = ["exports/*"]', "")
    assert "earlier_exports" not in text
    with_record.write_text(f'{text}\n[record]\nfile = "record.sqlite"\n', encoding="utf-8")
    laboratory = load_laboratory(with_record)
    assert not [one.failure for one in add_exports(laboratory, [folder / "exports"], who="Inês") if one.failure]
    assert move_decisions(laboratory) == 1
    return folder / "lab.toml", with_record


@pytest.fixture(scope="module")
def materials(both: tuple[Path, Path]) -> tuple[Material, Material]:
    return gather_record(both[0]), gather_record(both[1])


def test_what_is_known_is_the_same(materials: tuple[Material, Material]) -> None:
    folder, record = materials
    pd.testing.assert_frame_equal(record.record, folder.record)
    pd.testing.assert_frame_equal(record.reading.table, folder.reading.table)
    assert (record.reading.refusals, record.reading.sources) == (folder.reading.refusals, folder.reading.sources)
    one, other = ([str(replace(one, number=0)) for one in held.decisions] for held in materials)
    assert one == other
    assert (record.doubts, record.repeated, record.copies) == (folder.doubts, folder.repeated, folder.copies)


def test_the_month_says_the_same(materials: tuple[Material, Material]) -> None:
    folder, record = (report_month(one, "2026-03") for one in materials)
    assert [vars(one) for one in folder.actions] == [vars(one) for one in record.actions]
    assert (folder.runs, folder.verdict, folder.reason) == (record.runs, record.verdict, record.reason)
    pd.testing.assert_frame_equal(folder.workload, record.workload)


def test_duplicates_say_the_same(materials: tuple[Material, Material]) -> None:
    folder, record = (report_duplicates(one) for one in materials)
    assert [one.finding for one in folder.findings] == [one.finding for one in record.findings]


def test_runs_are_judged_the_same(both: tuple[Path, Path]) -> None:
    exports = sorted((both[0].parent / "exports").glob("*W13*"))
    folder, record = gather(exports, both[0]), gather(exports, both[1])
    assert folder.runs == record.runs
    assert (record.doubts, record.repeated, record.copies) == (folder.doubts, folder.repeated, folder.copies)
    assert len(record.record) == len(folder.record)
    for run in folder.runs[::7]:
        one, other = judge(folder.dossier(run)), judge(record.dossier(run))
        assert (one.verdict, one.reason, one.checks) == (other.verdict, other.reason, other.checks)
        assert repr(one.results) == repr(other.results)
        assert repr(one.consequences) == repr(other.consequences)


def test_pages_print_head_and_number_of_entries(both: tuple[Path, Path], materials: tuple[Material, Material]) -> None:
    head = record_head(load_laboratory(both[1]))
    assert head.entries == LATEST + 29 + 1
    folder, record = materials
    line = f"{head.entries} entries, head {head.digest}"
    run = record.runs[0]
    assert line in show_month_provenance(report_month(record, "2026-03")).html
    assert line in show_provenance(judge(record.dossier(run))).html
    assert "entries, head" not in show_provenance(judge(folder.dossier(run))).html
    assert record.dossier(run).digest == gather_record(both[1]).dossier(run).digest


def test_check_looks_at_the_record(both: tuple[Path, Path], tmp_path: Path) -> None:
    folder, record = (review_setup(lab) for lab in both)
    assert [one.finding for one in record.findings] == [one.finding for one in folder.findings]
    laboratory = lab_with(tmp_path)
    assert laboratory.file is not None
    (warning,) = (one for one in review_setup(laboratory.file).findings if one.place == "record")
    assert "there is no record yet" in warning.finding
    list(add_exports(laboratory, export_files(tmp_path / "exports", 1), who="Inês"))
    found = review_setup(laboratory.file)
    assert [one for one in found.findings if "record" in one.place + one.finding] == []
    assert [source.rows_read for _, source in found.exports] == [3]


def test_what_is_added_later_is_known_at_the_next_asking(tmp_path: Path) -> None:
    laboratory = lab_with(tmp_path)
    first, second = export_files(tmp_path / "exports", 2)
    with pytest.raises(RecordError, match="there is no record yet"):
        gather_record(laboratory)
    (tmp_path / "nothing.csv").write_text("nothing", encoding="utf-8")
    list(add_exports(laboratory, [tmp_path / "nothing.csv"], who="Inês"))
    with pytest.raises(MonthError, match="its record holds no row yet: `labcalc record add` adds exports"):
        gather_record(laboratory)
    list(add_exports(laboratory, [first], who="Inês"))
    known = gather_record(laboratory)
    assert gather_record(laboratory) is known
    assert len(known.record) == 3
    list(add_exports(laboratory, [second], who="Inês"))
    assert len(gather_record(laboratory).record) == 6


def test_an_export_at_hand_stands_beside_the_record_once(tmp_path: Path) -> None:
    laboratory = lab_with(tmp_path)
    first, second = export_files(tmp_path / "exports", 2)
    list(add_exports(laboratory, [first], who="Inês"))
    beside = gather([second], laboratory)
    assert (len(beside.reading.table), len(beside.record)) == (3, 6)
    known = gather([first], laboratory)
    assert (len(known.reading.table), len(known.record)) == (3, 3)
