"""The run report from end to end: the same numbers by every way, the same bytes, a named failure where one fails."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from labcalc.cli import main
from labcalc.judgement import gather, judge
from labcalc.shipped import sample_exports, sample_lab, workbook_file
from labcalc.workbooks import render_workbook

NOTEBOOKS = sorted(
    path for path in workbook_file("run_report").parent.rglob("*.ipynb") if path.parent.name != "exercises"
)
ONE_WEEK = next(path for path in sample_exports() if path.suffix == ".xlsx")


@pytest.mark.slow
@pytest.mark.parametrize("notebook", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_kernel_writes_the_same_page(notebook: Path, tmp_path: Path) -> None:
    here = render_workbook(notebook, {}, tmp_path / "here.html", title="Report")
    kernel = render_workbook(notebook, {}, tmp_path / "kernel.html", title="Report", engine="kernel")
    assert not list(notebook.parent.glob("kernel*")), "its channels lie in its own temporary folder"
    assert here.path.read_bytes() == kernel.path.read_bytes()
    assert here.summary == kernel.summary


def texts(notebook: Any) -> list[str]:
    """Return what the checked cells say."""
    cells = [cell for cell in notebook["cells"] if "nbval-check-output" in cell["metadata"].get("tags", [])]
    return ["".join(output["data"]["text/plain"]) for cell in cells for output in cell["outputs"]]


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")  # papermill's own kernel client
def test_plain_papermill_gives_the_numbers_that_stand_in_the_notebook(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import papermill

    monkeypatch.chdir(tmp_path)
    words = {"exports": [str(path) for path in sample_exports()], "lab": str(sample_lab())}
    book = workbook_file("run_report")
    run = papermill.execute_notebook(str(book), "out.ipynb", words, progress_bar=False, kernel_name="python3")
    assert texts(run) == texts(json.loads(book.read_text("utf-8")))


def pages(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.glob("*.html") if path.name != "index.html"}


@pytest.mark.slow
def test_the_same_bytes_in_another_folder_with_other_jobs(tmp_path: Path) -> None:
    copy = tmp_path / "elsewhere" / "sample_runs"
    shutil.copytree(sample_lab().parent, copy)
    found = []
    for lab, out, jobs in ((sample_lab(), "a", "1"), (copy / "lab.toml", "b", "3")):
        export = lab.parent / "exports" / ONE_WEEK.name
        words = ["report", str(export), "--lab", str(lab), "--out", str(tmp_path / out), "--jobs", jobs]
        result = CliRunner().invoke(main, words)
        assert result.exit_code == 0, result.output
        found.append(pages(tmp_path / out))
    assert len(found[0]) == len(gather([ONE_WEEK], sample_lab()).runs)
    assert found[0] == found[1]


def test_a_run_that_fails_is_named_and_leaves_no_page(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    book = json.loads(workbook_file("run_report").read_text("utf-8"))
    cell = next(cell for cell in book["cells"] if cell["id"] == "results")
    cell["source"] = "assert not run.endswith('-02'), 'the second run is to fail'\nfigures.show_reported(judgement)"
    (tmp_path / "run_report.ipynb").write_text(json.dumps(book), encoding="utf-8")
    monkeypatch.setattr("labcalc.workbooks.jobs.workbook_file", lambda _: tmp_path / "run_report.ipynb")
    words = ["report", str(ONE_WEEK), "--lab", str(sample_lab()), "--out", str(tmp_path / "out")]
    words += [part for run in gather([ONE_WEEK], sample_lab()).runs[:3] for part in ("--run", run)]
    result = CliRunner().invoke(main, words)
    assert result.exit_code == 1
    assert "-02: run_report.ipynb, cell" in result.stderr
    assert "the second run is to fail" in result.stderr
    assert len(pages(tmp_path / "out")) == 2
    assert not list((tmp_path / "out").glob("*-02.html"))
    assert "the second run is to fail" in (tmp_path / "out" / "index.html").read_text("utf-8")


def test_the_planted_faults_are_not_called_releasable() -> None:
    """Each fault that the reader takes; the warm cell by its difference from the other samples of the lot."""
    import pandas as pd

    faults = pd.read_csv(sample_lab().parent / "planted_faults.csv")
    taken = faults[faults["reader"] == "takes"]
    material = gather(sample_exports(), sample_lab())
    runs = material.reading.table.groupby("sample")["run"].unique()
    for fault in taken.itertuples():
        verdicts = {judge(material.dossier(run)).verdict for run in runs[fault.sample]}
        assert verdicts != {"releasable"}, f"{fault.kind}: {fault.sample}"
