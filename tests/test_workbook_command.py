"""``labcalc workbook``: a copy beside the data that nobody's changes are lost in, and JupyterLab for one person."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from urllib.error import HTTPError
from urllib.request import HTTPCookieProcessor, ProxyHandler, Request, build_opener

import pytest
from click.testing import CliRunner, Result

from labcalc.cli import main
from labcalc.errors import WorkbookError
from labcalc.lab import add_decision, load_laboratory
from labcalc.lessons import kept_learner
from labcalc.shipped import sample_exports, sample_lab
from labcalc.workbooks import copy_sample_laboratory, copy_workbook, workbook_names
from tests import jupyterlab

LAB = '[laboratory]\nname = "Harbour"\ntime_zone = "UTC"\nearlier_exports = ["exports/*"]\n'
EXPORT = "Sample,Date,Instrument,Temperature (°C),Kinematic viscosity (mm²/s)\nHX-1,2026-03-02 08:10,VD-9,40,46.12\n"


@pytest.fixture
def lab(tmp_path: Path) -> Path:
    """A small laboratory in a folder whose name needs care."""
    folder = tmp_path / "Ölprüfung #1"
    (folder / "exports").mkdir(parents=True)
    (folder / "exports" / "week.csv").write_text(EXPORT, encoding="utf-8")
    (folder / "lab.toml").write_text(LAB, encoding="utf-8")
    return folder / "lab.toml"


def parameters(path: Path) -> dict[str, object]:
    """The values that the copy's parameters cell gives."""
    cells = json.loads(path.read_text("utf-8"))["cells"]
    cell = next(cell for cell in cells if "parameters" in cell["metadata"].get("tags", []))
    words: dict[str, object] = {}
    exec("".join(cell["source"]), words)
    return words


def change(path: Path) -> None:
    notebook = json.loads(path.read_text("utf-8"))
    notebook["cells"].append({"cell_type": "markdown", "id": "mine", "metadata": {}, "source": ["Seen on 3 March."]})
    path.write_text(json.dumps(notebook), encoding="utf-8")


def test_the_copy_lies_beside_lab_toml_and_names_the_data_from_there(lab: Path) -> None:
    copy = copy_workbook("run-report", [lab.parent / "exports" / "week.csv"], lab)
    assert copy.path == lab.parent / "run-report.ipynb"
    assert copy.state == "new"
    words = parameters(copy.path)
    assert (words["exports"], words["lab"], words["run"]) == (["exports/week.csv"], "lab.toml", "")
    assert str(lab.parent) not in copy.path.read_text("utf-8")


def test_the_copy_holds_no_results_of_other_data(lab: Path) -> None:
    for name in workbook_names():
        path = copy_workbook(name, [], lab).path
        for one in path.glob("*.ipynb") if path.is_dir() else [path]:
            cells = json.loads(one.read_text("utf-8"))["cells"]
            assert not any(cell.get("outputs") for cell in cells)


def test_data_elsewhere_are_named_in_full(lab: Path, tmp_path: Path) -> None:
    elsewhere = tmp_path / "stick, 'blue'.csv"
    elsewhere.write_text(EXPORT, encoding="utf-8")
    copy = copy_workbook("run_report", [elsewhere], lab)
    assert parameters(copy.path)["exports"] == [str(elsewhere)]


def test_the_same_words_open_the_same_copy_again_with_its_changes(lab: Path) -> None:
    path = copy_workbook("run-report", [], lab).path
    change(path)
    before = path.read_bytes()
    again = copy_workbook("run-report", [], lab)
    assert (again.path, again.state) == (path, "there already")
    assert path.read_bytes() == before


def test_a_changed_copy_made_in_another_way_is_left_alone(lab: Path) -> None:
    path = copy_workbook("run-report", [], lab).path
    change(path)
    before = path.read_bytes()
    other = copy_workbook("run-report", [lab.parent / "exports" / "week.csv"], lab)
    assert (other.path.name, other.state, other.left_alone) == ("run-report-2.ipynb", "new", (path,))
    assert path.read_bytes() == before


def test_an_unchanged_copy_is_replaced_even_with_outputs(lab: Path) -> None:
    path = copy_workbook("run-report", [], lab).path
    notebook = json.loads(path.read_text("utf-8"))
    code = next(cell for cell in notebook["cells"] if cell["cell_type"] == "code")
    code["outputs"] = [{"output_type": "stream", "name": "stdout", "text": ["seen"]}]
    code["source"] = "".join(code["source"])  # a program may write it either way
    path.write_text(json.dumps(notebook), encoding="utf-8")
    other = copy_workbook("run-report", [lab.parent / "exports" / "week.csv"], lab)
    assert (other.path, other.state) == (path, "replaced")


@pytest.mark.parametrize("content", ["", "{}", "[]", '{"cells": [], "metadata": {}}', "\x00"])
def test_a_file_that_is_none_of_ours_is_left_alone(content: str, lab: Path) -> None:
    mine = lab.parent / "run-report.ipynb"
    mine.write_text(content, encoding="utf-8")
    assert copy_workbook("run-report", [], lab).path.name == "run-report-2.ipynb"
    assert mine.read_text("utf-8") == content


def test_every_workbook_can_be_copied(lab: Path) -> None:
    for name in workbook_names():
        path = copy_workbook(name, [], lab).path
        assert path in (lab.parent / f"{name}.ipynb", lab.parent / name)
        assert copy_workbook(name, [], lab).state == "there already"


def test_wrong_names_are_answered_with_the_right_one() -> None:
    with pytest.raises(WorkbookError, match="no workbook 'Run_Reprot'; did you mean 'run-report'"):
        copy_workbook("Run_Reprot")
    with pytest.raises(WorkbookError, match=r"there are .*monthly-quality, .*run-report"):
        copy_workbook("../../etc/passwd")
    with pytest.raises(WorkbookError, match="monthly-quality takes no exports"):
        copy_workbook("monthly-quality", [sample_exports()[0]], sample_lab())


def test_learners_whose_names_are_alike_in_a_folder_s_name_do_not_meet(
    lab: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    served: list[Path] = []
    monkeypatch.setattr("labcalc.workbooks.serve_workbook", lambda path, **_: served.append(path))
    for name in ("Ana Lima", "Ana-Lima", "ana  lima"):
        done = CliRunner().invoke(main, ["workbook", "lessons", "--lab", str(lab), "--learner", name])
        assert done.exit_code == 0, done.output
    assert [path.name for path in served] == ["lessons-ana-lima", served[1].name, "lessons-ana-lima"]
    assert served[1] != served[0]
    kept = [kept_learner(path) for path in served[:2]]
    assert [one.name for one in kept if one is not None] == ["ana lima", "Ana-Lima"]


def test_the_sample_laboratory_can_be_written_to_and_is_kept(tmp_path: Path) -> None:
    lab = copy_sample_laboratory(tmp_path / "lab")
    assert sorted(one.name for one in lab.parent.iterdir()) == ["README.md", "decisions.jsonl", "exports", "lab.toml"]
    assert (lab.parent / "exports" / sample_exports()[0].name).read_bytes() == sample_exports()[0].read_bytes()
    add_decision(load_laboratory(lab), who="T. Rocha", what="conclusion", why="residue", run="a run")
    decided = (lab.parent / "decisions.jsonl").read_bytes()
    copy_sample_laboratory(tmp_path / "lab")
    assert (lab.parent / "decisions.jsonl").read_bytes() == decided


def run(*words: str | Path) -> Result:
    result = CliRunner().invoke(main, ["workbook", *map(str, words)])
    assert "Traceback" not in result.output
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


def test_what_can_not_be_done_is_one_line_and_exit_2(
    lab: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    cases = {
        "no workbook 'problems'": ["problems"],
        "missing.csv: No such file": ["run-report", tmp_path / "missing.csv"],
        "missing.toml: No such file": ["run-report", "--lab", tmp_path / "missing.toml"],
    }
    for expected, words in cases.items():
        result = run(*words, "--no-browser")
        assert result.exit_code == 2
        assert expected in result.stderr
        assert len(result.stderr.strip().splitlines()) == 1
    assert not (tmp_path / "labcalc-sample-laboratory").exists()


def test_a_port_that_is_taken_is_named(lab: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        result = run("run-report", "--lab", lab, "--no-browser", "--port", str(port))
    assert result.exit_code == 2
    assert f"port {port} can't be used, leave --port out or name another" in result.stderr


@pytest.fixture
def opened(lab: Path) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """The command running, and the address that it said."""
    command = [sys.executable, "-m", "labcalc", "workbook", "run-report", "--lab", str(lab), "--no-browser"]
    shown = subprocess.Popen(command, stderr=subprocess.PIPE, text=True, start_new_session=True)
    try:
        assert shown.stderr is not None
        lines = [shown.stderr.readline() for _ in range(2)]
        found = re.search(r"Open (http://127\.0\.0\.1:\S+)", lines[1])
        assert found, lines
        yield shown, found[1]
    finally:
        if shown.poll() is None:
            shown.kill()
        shown.wait()
        shown.stderr.close()


REFUSED = {
    "save": ("PUT", "api/contents/run-report.ipynb", {"type": "notebook", "content": {}}),
    "upload": ("POST", "api/contents", {"type": "file", "ext": ".py"}),
    "remove": ("DELETE", "api/contents/lab.toml", None),
    "run": ("POST", "api/kernels", {"name": "python3"}),
    "open": ("POST", "api/sessions", {"path": "run-report.ipynb", "type": "notebook", "kernel": {"name": "python3"}}),
    "terminal": ("POST", "api/terminals", {}),
}


@pytest.mark.slow
def test_who_may_only_look_can_change_and_run_nothing(lab: Path) -> None:
    with jupyterlab.opened("run-report", "--lab", str(lab), "--read-only") as address:
        site, token = address.split("/doc/")[0], address.split("token=")[1]
        ask, before = build_opener(ProxyHandler({})), lab.read_bytes()

        def asked(method: str, place: str, words: object, **heads: str) -> int:
            body = None if words is None else json.dumps(words).encode()
            request = Request(f"{site}/{place}", body, {"Authorization": f"token {token}", **heads}, method=method)
            try:
                with ask.open(request, timeout=120) as said:
                    return int(said.status)
            except HTTPError as refusal:
                return refusal.code

        assert asked("GET", "api/contents/run-report.ipynb", None) == 200
        codes = {name: asked(*words) for name, words in REFUSED.items()}
        assert codes.pop("terminal") in (403, 404)
        assert set(codes.values()) == {403}
        assert asked("GET", "api/contents", None, Authorization="token wrong") == 403
        assert lab.read_bytes() == before


@pytest.mark.slow
def test_no_page_of_elsewhere_gets_an_answer(opened: tuple[subprocess.Popen[str], str]) -> None:
    """A page of another origin has no token, and the browser's cookie opens nothing to it."""
    _, address = opened
    site, ask = address.split("/doc/")[0], build_opener(ProxyHandler({}), HTTPCookieProcessor())
    ask.open(address, timeout=120).close()  # from here on the cookie is sent
    ask.open(f"{site}/api/contents", timeout=120).close()
    for heads in ({"Origin": "http://harm.example"}, {"Origin": "null"}, {"Host": "harm.example"}):
        with pytest.raises(HTTPError, match=r"40[34]"):
            ask.open(Request(f"{site}/api/contents", headers=heads), timeout=120)


@pytest.mark.slow
def test_jupyterlab_answers_here_behind_a_token_and_ends_with_ctrl_c(
    opened: tuple[subprocess.Popen[str], str], lab: Path
) -> None:
    shown, address = opened
    ask = build_opener(ProxyHandler({}))
    port = int(address.split(":")[2].split("/")[0])
    with ask.open(address, timeout=120) as page:
        assert page.status == 200
    with pytest.raises(HTTPError, match="403"):
        ask.open(f"http://127.0.0.1:{port}/api/contents", timeout=120)
    os.kill(shown.pid, signal.SIGINT)
    assert shown.wait(120) == 0
    assert shown.stderr is not None
    assert "JupyterLab has ended; what was saved stays in" in shown.stderr.read()
    with socket.socket() as probe:
        assert probe.connect_ex(("127.0.0.1", port)) != 0
