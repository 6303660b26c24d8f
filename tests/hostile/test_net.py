"""Whatever ends a command is one line and exit code 2; 1 says that something was refused, and nothing else."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from dataclasses import asdict
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from labcalc import exports, lab
from labcalc.cli import main
from labcalc.cli.words import harmless
from labcalc.workbooks.folder import Record, read_records
from labcalc.writing import PART

GOOD = (
    "Sample,Date,Temperature (°C),Kinematic viscosity (mm²/s),Density (kg/m³),Remark\n"
    "G,2026-03-02 10:00,40,15.01,838.9,{}\n"
)


@pytest.fixture
def export(tmp_path: Path) -> Path:
    path = tmp_path / "x.csv"
    path.write_text(GOOD.format(""), "utf-8")
    return path


def run(*words: str) -> Result:
    return CliRunner().invoke(main, words)


class Panic(BaseException):
    """What a library of another language raises: no Exception."""


@pytest.mark.parametrize("failure", [Panic("index\n7 of 3"), RuntimeError("x" * 9000), MemoryError(), RecursionError()])
def test_what_nobody_foresaw(
    failure: BaseException, export: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise failure

    monkeypatch.setattr(lab, "read", fail)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    result = run("read", str(export))
    assert result.exit_code == 2
    (line,) = result.stderr.splitlines()
    assert len(line) < 500
    log = Path(re.search(r"please send (\S+\.log) to", line)[1])  # type: ignore[index]
    assert log.parent == tmp_path
    assert "Traceback" in log.read_text("utf-8")
    assert type(failure).__name__ in log.read_text("utf-8")
    assert os.name == "nt" or log.stat().st_mode & 0o077 == 0


def test_an_interruption_is_told(export: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupt(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(lab, "read", interrupt)
    result = run("read", str(export))
    assert result.exit_code == 2
    assert result.stderr.split("\n")[-2:] == ["labcalc: interrupted", ""]


LABCALC = [sys.executable, "-m", "labcalc"]


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="a shell's pipe and /dev/full are needed")
@pytest.mark.parametrize("ending", ["| true", "> /dev/full"])
def test_what_it_writes_to_is_closed_or_full(ending: str, export: Path) -> None:
    shell = ["bash", "-c", f'"{sys.executable}" -m labcalc read "{export}" {ending}; echo "${{PIPESTATUS[0]}}" >&2']
    done = subprocess.run(shell, capture_output=True, text=True, check=False)
    said = done.stderr.splitlines()
    assert said[-1] == "2" or "| true" in ending  # true may still have read it
    assert "Traceback" not in done.stderr
    assert "Exception ignored" not in done.stderr


def test_a_console_of_other_letters(export: Path) -> None:
    export.write_text(GOOD.format("ν ±"), "utf-8")
    words = {**os.environ, "PYTHONIOENCODING": "cp1252", "PYTHONUTF8": "0"}
    done = subprocess.run([*LABCALC, "read", str(export), "--json"], capture_output=True, env=words, check=False)
    assert done.returncode == 0
    assert b'"remark":"\\u03bd \xb1 [dyn' in done.stdout.replace(b'": ', b'":')


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="file names are bytes")
def test_a_file_name_that_is_no_text(tmp_path: Path) -> None:
    path = Path(os.fsdecode(os.fsencode(tmp_path) + b"/\xff\x1b[2J.csv"))
    path.write_text(GOOD.format(""), "utf-8")
    result = run("read", str(path), "--to", str(tmp_path / "t.csv"))
    assert result.exit_code == 0
    assert r"\xff" in (tmp_path / "t.csv").read_text("utf-8")
    assert run("report", str(path), "--out", str(tmp_path / "out")).exit_code == 0


def test_nothing_steers_the_terminal() -> None:
    assert harmless("a\x1b[2J\u202eb\x9bc\ud800\r") == r"a\u001b[2J\u202eb\u009bc\ud800\u000d"
    assert harmless("ν = 3 mm²/s\n\tشيراز") == "ν = 3 mm²/s\n\tشيراز"


@pytest.mark.parametrize("words", [("read", "{0}"), ("check", "--lab", "{0}"), ("report", "x.csv", "--lab", "{0}")])
@pytest.mark.parametrize("kind", ["pipe", "folder", "missing", "device", "link to nothing", "unreadable"])
def test_what_is_no_file(kind: str, words: tuple[str, ...], tmp_path: Path) -> None:
    path = tmp_path / "it"
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "folder":
        path.mkdir()
    elif kind == "device":
        path = Path("/dev/zero")
    elif kind == "link to nothing":
        path.symlink_to(tmp_path / "nothing")
    elif kind == "unreadable":
        path.write_text("x", "utf-8")
        path.chmod(0)
    result = run(
        *(word.format(path) for word in words), *(("--out", str(tmp_path / "o")) if words[0] == "report" else ())
    )
    assert result.exit_code in ((1, 2) if words[0] == "check" else (2,))
    assert "not foreseen" not in result.output
    assert words[0] == "check" or len(result.stderr.splitlines()) == 1


WRONG = {"stem": [1, "../x", "a\0"], "name": [None, [], "\ud800"], "title": [3], "summary": [[], {"x": "\ud800"}]}


@pytest.mark.parametrize(("field", "value"), [(name, value) for name, values in WRONG.items() for value in values])
def test_a_state_file_with_wrong_types(field: str, value: object, tmp_path: Path) -> None:
    whole = Record("g", "G", "G", "0" * 64, "0" * 64, {}, "2026-03-02T10:00:00+00:00")
    lines = [asdict(whole), asdict(whole) | {"stem": "other"} | {field: value}, [], 1e999]
    state = "".join(f"{json.dumps(line)}\n" for line in lines) + "[" * 50_000
    (tmp_path / ".labcalc-reports.jsonl").write_text(state, "utf-8")
    assert list(read_records(tmp_path).values()) == [whole]


TIMES = {  # with the clocks of Lisbon, which went back at 02:00 on 25 October 2026 and forth at 01:00 on 29 March
    "2026-10-25 01:30": "comes twice or never",
    "2026-10-25 01:30+01:00": "2026-10-25T00:30:00+00:00",
    "2026-10-25 01:30+00:00": "2026-10-25T01:30:00+00:00",
    "2026-03-29 01:30": "comes twice or never",
    "2024-02-29 12:00": "2024-02-29T12:00:00+00:00",
    "2026-02-29 12:00": "date and time that exist",
    "2000-02-29 12:00": "2000-02-29T12:00:00+00:00",
    "2100-02-29 12:00": "date and time that exist",
    "9999-12-31 23:59": "date and time that exist",
    "9999-12-31T23:59-01:00": "date and time that exist",
    "0001-01-01T00:30+14:00": "date and time that exist",
    "2026-06-30 23:59:60": "date and time that exist",
}
"""Leap years by the Gregorian rule; the clocks by Directive 2000/84/EC: last Sundays of March and October."""


@pytest.mark.parametrize("moment", TIMES)
def test_moments_at_the_edges(moment: str, tmp_path: Path) -> None:
    path = tmp_path / "x.csv"
    path.write_text(GOOD.format("").replace("2026-03-02 10:00", moment), "utf-8")
    reading = exports.read_exports([path], time_zone="Europe/Lisbon")
    told = [one.expected for one in reading.refusals] or [reading.table["measured_at"][0].tz_convert("UTC").isoformat()]
    assert TIMES[moment] in told[0]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no disk that is always full")
@pytest.mark.parametrize("ending", ["csv", "xlsx"])
def test_a_full_disk_leaves_nothing(ending: str, export: Path) -> None:
    to = export.with_name(f"t.{ending}")
    to.with_name(f".{to.name}.{os.getpid()}{PART}").symlink_to("/dev/full")
    result = run("read", str(export), "--to", str(to))
    assert result.exit_code == 2
    assert result.stderr == f"labcalc: {to}: the file can't be written: No space left on device\n"
    assert list(export.parent.iterdir()) == [export]
