"""Certificates, exports that can't be read and rendered pages as entries; a folder that is watched."""

from __future__ import annotations

import hashlib
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from click.testing import CliRunner

from labcalc.cli import main
from labcalc.lab import (
    Laboratory,
    add_certificates,
    add_exports,
    export_bytes,
    find_entries,
    load_laboratory,
    printed_head,
    read_record,
    record_head,
    verify_record,
)
from labcalc.lab.record import adding
from tests.lab.record.conftest import HEADER, LAB, SQLITE, export, export_files, lab_with

LOT = """
[[reference]]
name = "Oil A"
samples = ["RO-*"]
[[reference.lot]]
lot = "A-1"
valid_from = 2026-01-01
valid_to = 2027-12-31
certified = [{ quantity = "density", temperature_C = 40, value = 850.1, expanded_uncertainty = 0.06 }]
"""
KNOWN = 'certificate = "C-77"\nproducer = "Oil House"\naccreditation = "RM 12"\ncoverage_factor = 2\nfile = "c.pdf"\n'


def with_lot(laboratory: Laboratory, more: str = "") -> Laboratory:
    assert laboratory.file is not None
    text = laboratory.file.read_text("utf-8").split("\n[[reference]]")[0]
    laboratory.file.write_text(text + LOT.replace("certified", f"{more}certified"), encoding="utf-8")
    return load_laboratory(laboratory.file)


def test_a_certificate_is_an_entry_when_it_is_new_or_changed(laboratory: Laboratory) -> None:
    assert laboratory.file is not None
    bare = with_lot(laboratory)
    assert [add_certificates(bare, who="QA") for _ in range(2)] == [1, 0]
    (first,) = find_entries(bare, kind="certificate")
    assert [first.content[name] for name in ("oil", "lot", "certificate", "producer", "file", "file_sha256")] == [
        "Oil A", "A-1", "not given", "not given", "not given", "not given",
    ]  # fmt: skip
    assert first.content["certified"] == [
        {"quantity": "density", "temperature_C": "40.0", "value": "850.1", "expanded_uncertainty": "0.06",
         "coverage_factor": "not given"}
    ]  # fmt: skip
    (laboratory.file.parent / "c.pdf").write_bytes(b"%PDF")
    known = with_lot(laboratory, KNOWN)
    assert [add_certificates(known, who="QA") for _ in range(2)] == [1, 0]
    _, second = find_entries(known, kind="certificate")
    assert (second.corrects, second.content["file_sha256"]) == (first.n, hashlib.sha256(b"%PDF").hexdigest())
    assert second.content["certified"][0]["coverage_factor"] == "2"
    (laboratory.file.parent / "c.pdf").unlink()
    assert add_certificates(known, who="QA") == 1, "a file that is gone is a change too"
    assert find_entries(known, kind="certificate")[2].content["file_sha256"].startswith("can't be read")
    assert verify_record(known)[1] is None


def test_an_export_that_cant_be_read_is_kept_once_with_its_reason(laboratory: Laboratory, tmp_path: Path) -> None:
    files = [tmp_path / "one.csv", tmp_path / "two.csv"]
    for file in files:
        file.write_text("nothing", encoding="utf-8")
    for _ in range(2):
        added = add_exports(laboratory, [*files, tmp_path / "missing.csv"], who="Inês")
        assert [one.entry for one in added] == [0, 0, 0]
    (entry,) = find_entries(laboratory, kind="refused")
    assert (entry.content["name"], entry.content["size"]) == ("one.csv", 7)
    assert entry.content["reason"].startswith("there is no header") or "expected" in entry.content["reason"]
    assert export_bytes(laboratory, entry.n) == b"nothing"
    assert verify_record(laboratory)[1] is None
    assert [one.is_new for one in add_exports(laboratory, export_files(tmp_path / "exports", 1), who="Inês")] == [True]
    assert len(read_record(laboratory).table) == 3


def test_a_very_large_one_is_named_only(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(adding, "_LARGEST_REFUSED", 6)
    laboratory = lab_with(tmp_path)
    (tmp_path / "one.csv").write_text("nothing", encoding="utf-8")
    list(add_exports(laboratory, [tmp_path / "one.csv"], who="Inês"))
    (entry,) = find_entries(laboratory, kind="refused")
    assert verify_record(laboratory)[1] is None
    with pytest.raises(Exception, match=f"entry {entry.n} holds no export"):
        export_bytes(laboratory, entry.n)


def call(*words: str) -> str:
    done = CliRunner().invoke(main, words)
    assert done.exit_code in (0, 1), done.output
    return done.stdout


def test_pages_are_entries_and_print_what_is_no_page(tmp_path: Path) -> None:
    laboratory = lab_with(tmp_path)
    files = export_files(tmp_path / "exports", 2)
    list(add_exports(laboratory, files, who="Inês"))
    words = ("report", str(files[0]), "--lab", str(tmp_path / "lab.toml"), "--out", str(tmp_path / "out"))
    call(*words, "--jobs", "1")
    (entry,) = find_entries(laboratory, kind="report")
    pages = {path.stem: path.read_bytes() for path in (tmp_path / "out").glob("*.html") if path.stem != "index"}
    assert {one["stem"]: one["sha256"] for one in entry.content["pages"]} == {
        stem: hashlib.sha256(page).hexdigest() for stem, page in pages.items()
    }
    assert len(pages) == 3
    assert printed_head(laboratory).entries == entry.n - 1 == record_head(laboratory).entries - 1
    assert all(printed_head(laboratory).digest.encode() in page for page in pages.values())
    assert "(3 unchanged" in call(*words)
    assert len(find_entries(laboratory, kind="report")) == 1, "what is known is not said twice"
    call(*words, "--all", "--jobs", "1")
    again = {path.stem: path.read_bytes() for path in (tmp_path / "out").glob("*.html") if path.stem != "index"}
    assert again == pages, "rendering makes no page stale"
    assert len(find_entries(laboratory, kind="report")) == 2
    lab = str(tmp_path / "lab.toml")
    call("month", "2026-03", "--lab", lab, "--out", str(tmp_path / "month"))
    call("duplicates", "--lab", lab, "--out", str(tmp_path / "duplicates"))
    stems = [one.content["pages"][0]["stem"] for one in find_entries(laboratory, kind="report")[2:]]
    assert [stem.split("-")[0] for stem in stems] == ["month", "duplicates"]
    assert verify_record(laboratory)[1] is None


def test_pages_of_a_killed_call_are_named_by_the_next(tmp_path: Path) -> None:
    """What lies in the folder without an entry, as after a kill between page and entry, is entered by the next call."""
    (tmp_path / "lab.toml").write_text(LAB, encoding="utf-8")
    (file,) = export_files(tmp_path / "exports", 1)
    words = ("report", str(file), "--lab", str(tmp_path / "lab.toml"), "--out", str(tmp_path / "out"), "--jobs", "1")
    call(*words)
    state = tmp_path / "out" / ".labcalc-reports.jsonl"
    assert [json.loads(line)["entry"] for line in state.read_text("utf-8").splitlines()] == ["", "", ""]
    laboratory = lab_with(tmp_path)
    list(add_exports(laboratory, [file], who="Inês"))
    call(*words)
    (entry,) = find_entries(laboratory, kind="report")
    assert len(entry.content["pages"]) == 3
    assert {json.loads(line)["entry"] for line in state.read_text("utf-8").splitlines()} == {entry.digest}


def test_a_watched_folder_takes_files_when_they_are_whole(tmp_path: Path) -> None:
    laboratory = lab_with(tmp_path)
    folder = tmp_path / "exports"
    export_files(folder, 1)
    words = ["record", "add", str(folder), "--watch", "--lab", str(tmp_path / "lab.toml"), "--by", "Inês"]
    watching = subprocess.Popen(
        [sys.executable, "-c", f"from labcalc.cli import main; main({words!r})"], stdout=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )  # fmt: skip
    try:
        end = time.monotonic() + 300
        while time.monotonic() < end and not (tmp_path / "record.sqlite").exists():
            time.sleep(0.1)
        whole = export(first=90, rows=4)
        with (folder / "late.csv").open("w", encoding="utf-8") as file:
            for at in range(0, len(whole), 40):  # longer than two looks, half a line at a time
                file.write(whole[at : at + 40])
                file.flush()
                time.sleep(0.7)
        (folder / "bad.csv").write_text(HEADER[:9], encoding="utf-8")
        while time.monotonic() < end and len(find_entries(laboratory, kind="export")) < 2:
            time.sleep(0.5)
        while time.monotonic() < end and not find_entries(laboratory, kind="refused"):
            time.sleep(0.5)
        time.sleep(3)  # two looks more: nothing is taken again
    finally:
        watching.send_signal(signal.SIGINT)
        said, _ = watching.communicate(timeout=120)
    assert watching.returncode == 0
    assert [line.split(" as ")[0] for line in said.splitlines()[:2]] == ["run_000.csv added", "late.csv added"]
    assert said.splitlines()[2] == f"The record has {record_head(laboratory)}."
    taken = [(one.content["name"], one.content["rows_read"]) for one in find_entries(laboratory, kind="export")]
    assert taken == [("run_000.csv", 3), ("late.csv", 4)]
    assert len(find_entries(laboratory, kind="refused")) == 1
    assert SQLITE in (tmp_path / "lab.toml").read_text("utf-8")
