"""What only saves time is broken here on purpose: every report still comes, and the log says what failed."""

from __future__ import annotations

import logging
import os
import pkgutil
import subprocess
import sys
from pathlib import Path
from typing import NoReturn

import pytest

from labcalc.workbooks import BatchOptions, ReportJob, folder, fork, lean, render_batch, shell, warm

RECORDS = ".labcalc-reports.jsonl"


def broken(*_: object, **__: object) -> NoReturn:
    raise RuntimeError("broken on purpose\nin two lines")


@pytest.fixture
def as_if_new(monkeypatch: pytest.MonkeyPatch) -> None:
    """Forget what earlier tests have warmed up, which slow modules they have loaded, what threads they left."""
    monkeypatch.setattr("labcalc.workbooks.batch.fork_is_safe", lambda: True)
    monkeypatch.setattr(warm, "_set_up", warm._set_up.__wrapped__)
    for name in lean._SLOW:
        monkeypatch.delitem(sys.modules, name, raising=False)


TWO_SHELLS = """
import builtins, json, os, sys
from labcalc.workbooks.shell import InteractiveShell, make_shell_ahead, new_shell

def found():
    state = sys.modules["__main__"], dict(vars(builtins)), sorted(vars(sys)), sys.displayhook
    return *state, InteractiveShell.initialized()

before = found()
if sys.argv[1] == "ahead":
    os.mkdir("scratch")
    make_shell_ahead("scratch")
    assert found() == before
os.environ["IPYTHONDIR"] = os.path.join(os.getcwd(), "own")
os.mkdir("in")
os.chdir("in")
shell = new_shell()
cells = (
    "x = 1", "sorted(globals())", "In, Out, _dh, __name__, get_ipython() is get_ipython().instance()", "display(2)",
    "import sys, __main__; __main__.x, sys.ps1, get_ipython().profile_dir.location, get_ipython().ipython_dir", "1 / 0",
)
outputs = [shell.run_code_cell(cell, 10) for cell in cells]
made = sorted((place, *map(sorted, names)) for place, *names in os.walk("../own"))
print(json.dumps([*outputs, made]).replace(os.path.dirname(os.getcwd()), ""))
"""


def test_a_shell_made_ahead_is_as_a_new_one_and_leaves_its_process_as_it_was(tmp_path: Path) -> None:
    said = []
    for when in ("ahead", "then"):
        (folder := tmp_path / when).mkdir()
        command = [sys.executable, "-c", TWO_SHELLS, when]
        environment = os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}
        said.append(subprocess.run(command, cwd=folder, env=environment, check=True, capture_output=True).stdout)
    assert said[0] == said[1]
    assert b"own/profile_default" in said[0]
    assert b"PosixPath('/in')" in said[0]


def render_two(notebook: Path, out: Path) -> list[str]:
    """Return what became of two reports; both must lie in the folder, and the index must name them."""
    jobs = [ReportJob(f"oil {n}", f"Oil {n}", notebook, {"name": f"VG {n}"}, f"key {n}") for n in (32, 46)]
    result = render_batch(jobs, BatchOptions(out, workers=2))
    assert [one.reason for one in result.outcomes] == ["", ""]
    assert all(f"VG {n}" in (out / f"oil-{n}.html").read_text("utf-8") for n in (32, 46))
    assert all(f'href="oil-{n}.html"' in result.index.read_text("utf-8") for n in (32, 46))
    return [one.state for one in result.outcomes]


@pytest.mark.parametrize("name", [*warm._AT_FIRST_USE, *warm._FOR_SOME])
def test_what_is_imported_ahead_is_there(name: str) -> None:
    """A module that has moved is passed over in silence, and every report imports it anew."""
    assert pkgutil.resolve_name(name).__name__ == name


@pytest.mark.usefixtures("as_if_new")
@pytest.mark.parametrize(
    ("home", "name", "said"),
    [
        (fork, "warm_up", "the warm-up failed"),
        (warm, "_used", "seeing ahead what a notebook uses failed"),
        (warm, "_lay_out_once", "laying a page out ahead failed"),
        (shell, "make_shell_ahead", "making a shell ahead failed"),
        (pkgutil, "resolve_name", "importing labcalc.judgement.causes.explanation ahead failed"),
        (lean, "find_spec", "the stand-in for numpy.testing failed"),
        (lean, "module_from_spec", "the stand-in for numpy.testing failed"),
    ],
)
def test_a_failure_is_logged_in_a_line(
    home: object,
    name: str,
    said: str,
    oil: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    monkeypatch.setattr(home, name, broken)
    assert render_two(oil, tmp_path) == ["rendered", "rendered"]
    assert f"{said}, which costs time only: RuntimeError: broken on purpose" in caplog.messages
    assert {record.levelno for record in caplog.records} == {logging.WARNING}


@pytest.mark.usefixtures("as_if_new")
def test_a_module_that_is_gone_is_left_out(
    oil: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(warm, "_AT_FIRST_USE", ("IPython.core.no_such_module", *warm._AT_FIRST_USE))
    assert render_two(oil, tmp_path) == ["rendered", "rendered"]
    assert [message.partition(",")[0] for message in caplog.messages] == [
        "importing IPython.core.no_such_module ahead failed"
    ]


@pytest.mark.usefixtures("as_if_new")
def test_a_stand_in_that_gives_nothing_is_not_missed(
    oil: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(lean._StandIn, "__getattr__", broken)
    assert render_two(oil, tmp_path) == ["rendered", "rendered"]


def test_what_can_not_be_told_to_be_up_to_date_is_rendered(
    oil: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(folder, "_program", broken)
    for _ in range(2):
        assert render_two(oil, tmp_path) == ["rendered", "rendered"]
    assert caplog.messages[0].startswith("telling which reports are up to date failed")


def test_records_that_can_not_be_kept_cost_a_rendering(
    oil: Path, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / RECORDS).mkdir()
    for _ in range(2):
        assert render_two(oil, tmp_path) == ["rendered", "rendered"]
    said = {message.partition(" failed")[0] for message in caplog.messages}
    assert said == {f"{done} which reports are up to date" for done in ("reading", "writing down")}


UNREADABLE = [
    "",
    '{"stem": "oil-32", "na',
    "[1, 2]",
    "[" * 100_000,
    '{"stem": [], "name": "", "title": "", "fingerprint": "", "digest": "", "summary": {}}',
    '{"stem": 7, "name": "", "title": "", "fingerprint": "", "digest": "", "summary": {}}',
    '{"stem": "oil-32", "name": "", "title": "", "fingerprint": "", "digest": "", "summary": 0}',
]


def test_records_that_can_not_be_read_count_nothing(oil: Path, tmp_path: Path) -> None:
    (tmp_path / RECORDS).write_text("\n".join([*UNREADABLE, ""]), encoding="utf-8")
    assert render_two(oil, tmp_path) == ["rendered", "rendered"]
    assert render_two(oil, tmp_path) == ["up to date", "up to date"]
