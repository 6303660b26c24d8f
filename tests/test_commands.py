"""The command line as a person meets it: exit codes, one plain line, nothing half-written, never a traceback."""

from __future__ import annotations

import csv
import io
import json
import os
import resource
import shlex
import subprocess
import sys
from functools import partial
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from labcalc.cli import EXAMPLES, main
from labcalc.errors import typed
from labcalc.exports.table import TIDY_COLUMNS

GOOD = """Sample,Date,Instrument,Temperature (°C),Kinematic viscosity (mm²/s),Density (kg/m³)
HX-1,2026-03-02 08:10,VD-9,40,46.12,858.3
HX-1,2026-03-02 08:10,VD-9,100,6.87,820.1
"""

PNG = b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR" + bytes(range(256))


def run(*words: str | Path) -> Result:
    result = CliRunner().invoke(main, [str(word) for word in words])
    assert "Traceback" not in result.output
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


@pytest.fixture
def good(tmp_path: Path) -> Path:
    path = tmp_path / "good.csv"
    path.write_text(GOOD, encoding="utf-8")
    return path


def bad_inputs(folder: Path) -> dict[str, Path]:
    contents = {
        "empty": b"",
        "picture": PNG,
        "header": GOOD.splitlines()[0].encode() + b"\n",
        "nul": b"\x00" * 400,
        "letter": b"Dear colleague,\nthe oil has arrived.\n",
    }
    for name, content in contents.items():
        (folder / f"{name}.csv").write_bytes(content)
    (folder / "nothing").mkdir()
    return {name: folder / f"{name}.csv" for name in contents} | {
        "folder": folder / "nothing",
        "missing": folder / "missing.csv",
    }


KINDS = ["empty", "picture", "header", "nul", "letter", "folder", "missing"]


@pytest.mark.parametrize("kind", KINDS)
def test_what_cannot_be_read_is_one_line_and_exit_2(kind: str, tmp_path: Path) -> None:
    path = bad_inputs(tmp_path)[kind]
    target = tmp_path / "out.csv"
    result = run("read", path, "--to", target)
    assert result.exit_code == 2
    assert len(result.stderr.strip().splitlines()) == 1
    assert path.name in result.stderr
    assert not target.exists()


@pytest.mark.parametrize("kind", KINDS)
def test_no_report_comes_of_what_cannot_be_read(kind: str, tmp_path: Path) -> None:
    result = run("report", bad_inputs(tmp_path)[kind], "--out", tmp_path / "pages")
    assert result.exit_code == 2
    assert len(result.stderr.strip().splitlines()) == 1
    assert not list((tmp_path / "pages").glob("*.html"))


def test_a_file_that_cannot_be_read_does_not_stop_the_others(good: Path, tmp_path: Path) -> None:
    empty = bad_inputs(tmp_path)["empty"]
    result = run("read", empty, good, "--to", tmp_path / "out.csv")
    assert result.exit_code == 1
    assert "empty.csv" in result.stderr
    assert len((tmp_path / "out.csv").read_text("utf-8").splitlines()) == 3


def test_a_folder_is_read_as_its_files(good: Path, tmp_path: Path) -> None:
    (tmp_path / "month" / "week").mkdir(parents=True)
    good.rename(tmp_path / "month" / "week" / good.name)
    (tmp_path / "month" / ".hidden").write_bytes(b"nothing to read")
    result = run("read", tmp_path / "month")
    assert result.exit_code == 0
    assert "2 rows read, 0 refused" in result.stderr


def test_read_says_that_no_time_was_found(good: Path, tmp_path: Path) -> None:
    assert "no time" not in run("read", good).stderr
    (tmp_path / "untimed.csv").write_text("Sample;Temperature (°C);Density (kg/m³)\nA-1;40;858,2\n", encoding="utf-8")
    said = run("read", tmp_path / "untimed.csv", "-q").stderr
    assert said == "no time of measurement in 1 row, and no chart and no month holds them: untimed.csv\n"


def test_read_writes_exactly_the_tidy_columns(good: Path, tmp_path: Path) -> None:
    result = run("read", good, "--to", tmp_path / "out.csv")
    assert result.exit_code == 0
    with (tmp_path / "out.csv").open(encoding="utf-8", newline="") as file:
        header, *rows = list(csv.reader(file))
    assert tuple(header) == TIDY_COLUMNS
    assert [row[header.index("kinematic_viscosity_mm2_s")] for row in rows] == ["46.12", "6.87"]


def test_a_refused_row_is_named_and_counted(tmp_path: Path) -> None:
    path = tmp_path / "export.csv"
    path.write_text(GOOD + "HX-2,2026-03-02 09:00,VD-9,40,forty,858.3\n", encoding="utf-8")
    result = run("read", path, "--to", tmp_path / "out.csv")
    assert result.exit_code == 1
    assert "export.csv, line 4, column 'Kinematic viscosity (mm²/s)': 'forty'" in result.stderr
    assert "2 rows read, 1 refused" in result.stderr


def test_where_every_row_is_refused_nothing_is_written(tmp_path: Path) -> None:
    path = tmp_path / "export.csv"
    path.write_text(GOOD.splitlines()[0] + "\nHX-2,2026-03-02 09:00,VD-9,40,forty,858.3\n", encoding="utf-8")
    result = run("read", path, "--to", tmp_path / "out.csv")
    assert result.exit_code == 2
    assert "line 2, column 'Kinematic viscosity (mm²/s)': 'forty'" in result.stderr
    assert not (tmp_path / "out.csv").exists()


TURNED = "Amostra;;P-1;P-2\nData;;14/03/2026;15/03/2026\nKV40;mm²/s;46,12;12,02\n"


def test_a_profile_is_proposed_pasted_and_read(tmp_path: Path) -> None:
    path, lab = tmp_path / "turned.csv", tmp_path / "lab.toml"
    path.write_text(TURNED, encoding="utf-8")
    lab.write_text('[laboratory]\nname = "Cais"\ntime_zone = "Europe/Lisbon"\n', encoding="utf-8")
    refused = run("read", path, "--lab", lab)
    assert refused.exit_code == 2
    assert refused.stderr.endswith("; `labcalc read turned.csv --propose` proposes a profile\n")
    proposed = run("read", path, "--lab", lab, "--propose")
    assert proposed.exit_code == 0
    lab.write_text(lab.read_text("utf-8") + proposed.stdout, encoding="utf-8")
    answer = json.loads(run("read", path, "--lab", lab, "--json").stdout)
    assert [(row["sample"], row["kinematic_viscosity_mm2_s"]) for row in answer["rows"]] == [
        ("P-1", 46.12),
        ("P-2", 12.02),
    ]
    assert run("read", path, bad_inputs(tmp_path)["empty"], "--propose").exit_code == 2


def test_a_command_that_is_proposed_can_be_typed(tmp_path: Path) -> None:
    path = tmp_path / "turned 7.csv"
    path.write_text(TURNED, encoding="utf-8")
    assert f"`labcalc read {typed('turned 7.csv')} --propose`" in run("read", path).stderr
    assert typed("turned 7.csv").strip("'\"") == "turned 7.csv" != typed("turned 7.csv")
    made = run("init", path, "--to", tmp_path / "my lab.toml")
    assert made.stderr.endswith(f"; then: labcalc check --lab {typed(tmp_path / 'my lab.toml')}\n")


def test_a_first_lab_toml_holds_what_is_proposed(tmp_path: Path) -> None:
    path = tmp_path / "turned.csv"
    path.write_text(TURNED, encoding="utf-8")
    made = run("init", path, "--to", tmp_path / "lab.toml")
    assert made.exit_code == 0
    assert 'layout = "turned"' in (tmp_path / "lab.toml").read_text("utf-8")
    assert run("read", path, "--lab", tmp_path / "lab.toml").exit_code == 0


def test_json_is_for_other_programs(good: Path) -> None:
    answer = json.loads(run("read", good, "--json").stdout)
    assert [row["temperature_C"] for row in answer["rows"]] == [40.0, 100.0]
    assert answer["refused"] == []
    assert answer["files"][0]["rows_read"] == 2


def test_a_wrong_lab_toml_is_one_line(good: Path, tmp_path: Path) -> None:
    lab = tmp_path / "lab.toml"
    lab.write_text('[laboratory]\nname = "Harbour"\ntime_zone = "UTC"\n[repport]\n', encoding="utf-8")
    result = run("read", good, "--lab", lab)
    assert result.exit_code == 2
    assert len(result.stderr.strip().splitlines()) == 1
    assert "lab.toml: repport" in result.stderr
    assert "did you mean 'report'" in result.stderr


@pytest.mark.parametrize("words", [["report", "x.csv"], ["read"], ["measure"], ["read", "x.csv", "--fro", "y"]])
def test_wrong_words_are_exit_2(words: list[str]) -> None:
    assert run(*words).exit_code == 2


def test_help_comes_without_the_heavy_libraries() -> None:
    heavy = ["pandas", "numpy", "plotly", "papermill", "nbconvert", "scipy"]
    code = (
        "import sys\nfrom labcalc.cli import main\n"
        "try:\n    main(['--help'])\nexcept SystemExit:\n"
        f"    print([name for name in {heavy} if name in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "read" in done.stdout
    assert "report" in done.stdout
    assert done.stderr.strip() == "[]"


@pytest.mark.parametrize("line", EXAMPLES)
def test_the_examples_beneath_help_are_words_that_the_command_takes(line: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO()))
    words = shlex.split(line.rpartition("|")[2].partition(">>")[0])
    assert words.pop(0) == "labcalc"
    context, command = click.Context(main, info_name="labcalc"), main
    while isinstance(command, click.Group):
        name, command, words = command.resolve_command(context, words)
        take = click.Context if isinstance(command, click.Group) else partial(click.Command.make_context, args=words)
        context = take(command, info_name=name, parent=context)
    context.close()
    assert line in run(*context.command_path.split()[1:], "--help").output


def test_every_command_has_a_first_sentence_that_a_narrow_terminal_holds() -> None:
    for group in ((), ("record",), ("lessons",)):
        assert "..." not in run(*group, "--help").output.partition("Commands:")[2]


def test_an_export_comes_by_a_pipe(good: Path) -> None:
    piped = CliRunner().invoke(main, ["read", "-", "--json"], input=GOOD.encode())
    by_name = json.loads(run("read", good, "--json").stdout)["rows"]
    assert piped.exit_code == 0
    assert [{**row, "source_file": "good.csv"} for row in json.loads(piped.stdout)["rows"]] == [
        {**row, "run": row["run"]} for row in by_name
    ]
    assert "once" in run("read", "-", "-").output


def test_quiet_says_only_what_is_wrong(good: Path, tmp_path: Path) -> None:
    assert run("read", good, "--to", tmp_path / "a.csv", "--quiet").output == ""
    good.write_text(GOOD.replace("858.3", "heavy"), encoding="utf-8")
    refused = run("read", good, "--to", tmp_path / "b.csv", "-q")
    assert (refused.exit_code, refused.output.count("\n")) == (1, 1)
    assert "'heavy'" in refused.output


@pytest.mark.parametrize("words", [["month", "2026-13"], ["year", "26"]])
def test_the_first_error_is_told_first(words: list[str]) -> None:
    """A wrong month is a wrong month, whatever else is missing."""
    said = run(*words)
    assert (said.exit_code, said.output.count("\n")) == (2, 1)
    assert f"'{words[1]}' is no" in said.output
    assert "Missing option '--out'" in run("month", "2026-03", "--lab", "x").output


def test_lab_toml_of_the_folder_is_taken_where_none_is_named(
    good: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run("month", "2026-03", "--out", "x").output == "labcalc: lab.toml: there is no such file\n"
    assert run("read", good, "-q").exit_code == 0
    (tmp_path / "lab.toml").write_text("[laboratry]\n", encoding="utf-8")
    for words in (("read", good), ("report", good, "--out", "x"), ("month", "2026-03", "--out", "x")):
        assert "did you mean 'laboratory'?" in run(*words).output
    assert run("read", good, "-q", "--lab", "other.toml").output == "labcalc: other.toml: there is no such file\n"


def test_without_words_it_shows_its_help() -> None:
    said = run()
    assert said.exit_code == 2
    assert said.output.startswith("Usage: ")
    assert "see main --help" not in said.output
    assert "Did you mean 'report'; see" in run("reprot").output


def test_a_file_where_a_folder_is_expected_is_told_before_any_work(good: Path, tmp_path: Path) -> None:
    for there in (good, "/dev/null"):
        assert f"'{there}' is no folder; a folder is expected" in run("report", good, "--out", there).output
    assert f"File '{tmp_path}' is a directory" in run("read", good, "--lab", tmp_path).output


def test_a_shell_completes_commands_and_says_nothing_else() -> None:
    shell = {"_LABCALC_COMPLETE": "bash_complete", "COMP_WORDS": "labcalc rep", "COMP_CWORD": "1"}
    words = [sys.executable, "-c", "from labcalc.cli import main; main(prog_name='labcalc')"]
    done = subprocess.run(words, env={**os.environ, **shell}, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout.strip(), done.stderr) == (0, "plain,report", "")


@pytest.mark.parametrize("words", [["--help"], ["report", "--help"], ["--version"]])
def test_the_command_begins_at_once(words: list[str]) -> None:
    """A start costs at most a quarter of what pandas alone costs to load: some 0.07 s against 0.3 s and more."""

    def seconds(code: str) -> float:
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run([sys.executable, "-c", code], check=True, capture_output=True)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime

    bare = min(seconds("pass") for _ in range(3))
    start = min(seconds(f"from labcalc.cli import main; main({words!r})") for _ in range(5)) - bare
    assert start < 0.5 * (min(seconds("import pandas") for _ in range(3)) - bare)


def test_reading_and_keeping_needs_nothing_of_the_workbooks(good: Path, tmp_path: Path) -> None:
    """What README names for the instrument's own computer is enough for ``read``, ``check`` and ``record``."""
    lab = tmp_path / "lab.toml"
    lab.write_text(
        '[laboratory]\nname = "L"\ntime_zone = "UTC"\n[record]\nfile = "record.sqlite"\n'
        '[[product]]\nname = "Hydraulic"\nsamples = ["HX*"]\n',
        encoding="utf-8",
    )
    heavy = ["jupyterlab", "nbconvert", "papermill", "plotly", "ipywidgets", "anywidget", "mistune", "IPython"]
    code = (
        f"import sys\nsys.modules.update(dict.fromkeys({heavy}))\nfrom labcalc.cli import main\n"
        "try:\n    main(sys.argv[1:])\nexcept SystemExit as end:\n    sys.exit(end.code)"
    )
    for words in (["read", good], ["record", "add", good, "--lab", lab], ["check", "--lab", lab]):
        done = subprocess.run([sys.executable, "-c", code, *map(str, words)], capture_output=True, text=True)
        assert done.returncode == 0, done.stderr
