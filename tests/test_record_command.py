"""``labcalc record`` as a person types it: one clear line each, exit codes 0, 1 and 2."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from hashlib import sha256
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from labcalc.cli import main
from labcalc.lab import load_laboratory, read, read_record, record_head
from tests.lab.record.conftest import LAB, export, export_files, lab_with


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    lab_with(tmp_path)
    export_files(tmp_path / "exports", 2)
    return tmp_path


def call(folder: Path, *words: str) -> Result:
    return CliRunner().invoke(main, ["record", *words, "--lab", str(folder / "lab.toml")])


def add(folder: Path, *words: str) -> Result:
    return call(folder, "add", str(folder / "exports"), "--by", "Inês", *words)


def head(folder: Path) -> str:
    return str(record_head(load_laboratory(folder / "lab.toml")))


def test_add_says_what_is_new_and_what_was_known(folder: Path) -> None:
    first = add(folder)
    assert first.exit_code == 0
    assert first.stdout == f"2 exports added, 0 known already; 6 rows read, 0 refused. The record has {head(folder)}.\n"
    again = add(folder)
    assert (again.exit_code, again.stdout) == (
        0, f"0 exports added, 2 known already. The record has 9 entries, head {head(folder).split()[-1]}.\n",
    )  # fmt: skip


def test_add_names_what_is_not_in_it(folder: Path) -> None:
    (folder / "exports" / "notes.csv").write_text("nothing", encoding="utf-8")
    odd = folder / "exports" / "run_000.csv"
    odd.write_text(odd.read_text("utf-8") + "S9;2026-03-02 09:00;40;broken;838.9;\n", encoding="utf-8")
    done = add(folder)
    assert done.exit_code == 1
    assert done.stderr.splitlines()[0].startswith("not added: notes.csv: ")
    assert done.stderr.splitlines()[1].startswith("refused: run_000.csv, line 5, column 'KV (mm²/s)': 'broken'")
    only = call(folder, "add", str(folder / "exports" / "notes.csv"), "--by", "Inês")
    assert (only.exit_code, len(only.stderr.splitlines())) == (2, 1)


def test_add_moves_decisions_and_reads_again(folder: Path) -> None:
    line = {"who": "A", "when": "2026-03-19T11:40:00+00:00", "what": "exclude", "why": "bubble", "run": "R1"}
    (folder / "decisions.jsonl").write_text(json.dumps(line) + "\n", encoding="utf-8")
    assert "; 1 decision moved. " in add(folder).stdout
    done = add(folder, "--again", "another profile")
    assert done.stdout.startswith("2 exports added, 0 known already; 6 rows read")
    shown = json.loads(call(folder, "show", "--kind", "reading", "--json").stdout)
    assert [(one["n"], one["corrects"], one["content"]["why"]) for one in shown] == [
        (11, 8, "another profile"), (12, 9, "another profile"),
    ]  # fmt: skip


def test_add_tells_a_line_of_decisions_that_is_none(folder: Path) -> None:
    (folder / "decisions.jsonl").write_text("garbage {\n", encoding="utf-8")
    done = add(folder)
    told = f"labcalc: {folder / 'decisions.jsonl'}: line 1: 'garbage {{': a decision in braces is expected\n"
    assert (done.exit_code, done.stderr) == (1, told)


def test_a_reason_can_not_pass_for_an_entry(folder: Path) -> None:
    add(folder)
    words = ("--instrument", "VD-1", "--why", "air\n    99  seen", "--by", "A")
    call(folder, "decide", "--what", "conclusion", *words)
    assert call(folder, "show", "--kind", "decision").stdout.splitlines()[0].endswith("conclusion, VD-1: air 99 seen")


def test_the_export_that_counts_is_one_that_the_record_holds(folder: Path) -> None:
    """Two exports of one name are told apart by the first digits of their digests."""
    add(folder)
    (folder / "again").mkdir()
    again = folder / "again" / "run_000.csv"
    again.write_text((folder / "exports" / again.name).read_text("utf-8").replace("15.00", "15.09"), "utf-8")
    run = str(read(folder / "exports" / again.name, folder / "lab.toml").table["run"].iloc[0])
    words = ("decide", "--what", "count", "--run", run, "--why", "asked", "--by", "A", "--file")
    assert call(folder, *words, again.name).stderr == ""
    told = call(folder, *words, "run_009.csv").stderr
    assert (
        told == f"labcalc: the record holds no run '{run}' in export 'run_009.csv' yet: nothing changes until it does\n"
    )
    call(folder, "add", str(again), "--by", "A")
    labels = [
        f"run_000.csv ({sha256(file.read_bytes()).hexdigest()[:8]})"
        for file in (folder / "exports" / again.name, again)
    ]
    refused = call(folder, *words, again.name)
    assert refused.exit_code == 2
    assert f"are: {', '.join(sorted(labels))}; name one so" in refused.stderr
    assert (call(folder, *words, labels[1]).exit_code, call(folder, *words, labels[1]).stderr) == (0, "")


def test_show_lists_filters_and_writes(folder: Path) -> None:
    add(folder)
    lines = call(folder, "show").stdout.splitlines()
    assert len(lines) == 9
    assert "labcalc  step: step 1, tables ['entries', 'exports'" in lines[0]
    assert lines[7].split(maxsplit=2)[0] == "8"
    assert lines[7].endswith("Inês  export: run_000.csv, 3 rows read, 0 refused")
    assert call(folder, "show", "--kind", "export", "--sample", "S4").stdout.splitlines() == [lines[8]]
    assert call(folder, "show", "--by", "Inês", "--until", "2020-01-01").exit_code == 2
    assert json.loads(call(folder, "show", "9").stdout)[0]["content"]["name"] == "run_001.csv"
    rows = call(folder, "show", "--sample", "S4", "--to", str(folder / "rows.csv"))
    assert rows.stdout == f"1 row written to {folder / 'rows.csv'}.\n"
    assert read(folder / "rows.csv").table["sample"].tolist() == ["S4"]
    back = call(folder, "show", "9", "--to", str(folder / "back.csv"))
    assert back.stdout == f"What entry 9 holds written to {folder / 'back.csv'}.\n"
    assert (folder / "back.csv").read_bytes() == (folder / "exports" / "run_001.csv").read_bytes()
    kept = call(folder, "show", "8", "--to", str(folder / "back.csv"))
    assert (kept.exit_code, kept.stderr) == (
        2, f"labcalc: {folder / 'back.csv'}: there is such a file already; --force writes over it\n",
    )  # fmt: skip


def test_decide_and_correct(folder: Path) -> None:
    words = ("decide", "--by", "I. Duarte", "--why", "bubble in the cell")
    done = call(folder, *words, "--what", "exclude", "--run", "R1", "--temperature", "40")
    assert done.stdout == f"Decided by I. Duarte: exclude, R1, number 8. The record has {head(folder)}.\n"
    assert "labcalc: the record holds no run 'R1' yet: nothing changes until it does\n" in done.stderr
    assert call(folder, *words, "--what", "conclusion", "--instrument", "VD-1", "--corrects", "8").exit_code == 0
    assert [line.split("Z  ")[-1] for line in call(folder, "show", "--kind", "decision").stdout.splitlines()] == [
        "I. Duarte  decision: exclude, R1: bubble in the cell",
        "I. Duarte  decision: conclusion, VD-1: bubble in the cell",
    ]
    wrong = call(folder, *words, "--what", "exclude")
    assert (wrong.exit_code, wrong.stderr.count("\n")) == (2, 1)
    assert "run: missing, and must be given to exclude" in wrong.stderr


def test_a_sample_is_no_run_and_its_runs_are_named(folder: Path) -> None:
    add(folder)
    before = head(folder)
    rows = read(export_files(folder / "exports", 2)[0], load_laboratory(folder / "lab.toml")).table
    run, sample = rows.loc[rows["sample"] != rows["run"], ["run", "sample"]].iloc[0]
    wrong = call(folder, "decide", "--what", "exclude", "--why", "air", "--run", sample)
    assert (wrong.exit_code, wrong.stderr.count("\n"), head(folder)) == (2, 1, before)
    assert wrong.stderr.startswith(f"labcalc: --run: '{sample}' is a sample; its runs are: ")
    assert run in wrong.stderr


def test_a_run_that_the_record_lacks_is_refused_with_the_nearest(folder: Path) -> None:
    add(folder)
    before = head(folder)
    words = ("decide", "--why", "air", "--run", "S44")
    wrong = call(folder, *words, "--what", "exclude")
    assert (wrong.exit_code, wrong.stderr.count("\n"), head(folder)) == (2, 1, before)
    assert wrong.stderr.startswith("labcalc: --run: 'S44' is no run of the record; the nearest are: ")
    assert "S4" in wrong.stderr.split("nearest are: ")[1]
    first = call(folder, *words, "--what", "excludee")
    assert (first.exit_code, "'--what': 'excludee' is not one of 'exclude', 'accept'" in first.stderr) == (2, True)


def test_what_a_mended_export_holds_is_refused_no_more(folder: Path) -> None:
    """Both rows of an export are refused; mended, one still is; another file of that name mends nothing."""
    odd = folder / "exports" / "run_000.csv"
    whole = odd.read_text("utf-8")
    rows = whole.replace("S0;2026-03-02 08:00:00;40;15.00", "S0;2026-03-02 08:00:00;40;l5.00")
    rows = rows.replace("S1;2026-03-02 08:01:00;40;15.01", "S1;2026-03-02 08:01:00;40;l5.01")

    def refused(text: str) -> list[str]:
        odd.write_text(text, "utf-8")
        assert add(folder).exit_code in (0, 1)
        return [one.sample for one in read_record(load_laboratory(folder / "lab.toml")).refusals]

    assert refused(rows) == ["S0", "S1"]
    assert refused(export(50)) == ["S0", "S1"]
    assert refused(rows.replace("l5.01", "15.01")) == ["S0"]
    assert refused(whole) == []


def test_verify_and_checkpoint(folder: Path) -> None:
    add(folder)
    assert call(folder, "checkpoint").stdout == f"Harbour Laboratory: The record has {head(folder)}.\n"
    printed = f"9:{head(folder).split()[-1][:16]}"
    good = call(folder, "verify", "--printed", printed)
    told = f"The record is as it was written: {head(folder)}"
    assert (good.exit_code, good.stdout) == (0, f"{told}; it still says what was printed at entry 9.\n")
    assert call(folder, "verify").stdout == f"{told}.\n"
    assert call(folder, "verify", "--printed", head(folder)).stdout == good.stdout  # as the paper has it
    assert call(folder, "verify", "--printed", call(folder, "checkpoint").stdout).stdout == good.stdout
    assert call(folder, "verify", "--printed", f"0 entries, head {'0' * 64}").exit_code == 2  # every record holds it
    bad = call(folder, "verify", "--printed", "9:0123456789abcdef")
    assert bad.exit_code == 1
    assert bad.stderr.startswith("labcalc: entry 9: its digest is ")
    assert call(folder, "verify", "--printed", "9:abc").exit_code == 2
    with closing(sqlite3.connect(folder / "record.sqlite", isolation_level=None)) as connection:
        connection.execute("DROP TRIGGER names_update")
        connection.execute("UPDATE names SET name = 'other' WHERE entry = 9 AND name = 'S4'")
    wrong = call(folder, "verify")
    assert (wrong.exit_code, wrong.stderr) == (
        1, "labcalc: entry 9: it is found by other names than those of its rows\n",
    )  # fmt: skip


def test_without_a_record_each_says_so_in_a_line(folder: Path) -> None:
    for words in (("show",), ("verify",), ("checkpoint",)):
        done = call(folder, *words)
        assert (done.exit_code, done.stderr) == (
            2,
            f"labcalc: {folder / 'record.sqlite'}: there is no record yet; `labcalc record add` begins one\n",
        )
    (folder / "lab.toml").write_text(LAB, encoding="utf-8")
    assert add(folder).stderr == (
        f'labcalc: {folder / "lab.toml"}: no record is named; [record] file = "record.sqlite" in lab.toml names one\n'
    )
