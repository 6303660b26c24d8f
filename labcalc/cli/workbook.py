"""``labcalc workbook``: a workbook beside the laboratory's data, opened in JupyterLab."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from labcalc import lessons, workbooks
from labcalc.cli.words import FOLDER, PATH, answer, lab_option, remark
from labcalc.errors import LessonError


@click.command()
@click.argument("name")
@click.argument("exports", nargs=-1, type=PATH, metavar="[EXPORT]...")
@lab_option
@click.option("--example", is_flag=True, help="Of bench-calculations: open with published worked examples.")
@click.option("--no-browser", is_flag=True, help="Say the address, and leave opening it to you.")
@click.option("--port", type=click.IntRange(1024, 65535), metavar="N", help="Of this machine; default: a free one.")
@click.option("--read-only", is_flag=True, help="Show what was saved; nobody can run, change or upload anything.")
@click.option("--learner", default="", metavar="NAME", help="Of lessons: who takes them; else the first lesson asks.")
@click.option("--results", type=FOLDER, metavar="DIR", help="Of lessons: where the results of the class go.")
@answer
def workbook(
    name: str, exports: tuple[Path, ...], lab: Path | None, learner: str, results: Path | None, **how: Any
) -> int:
    """Open a workbook beside the laboratory's data.

    Without --lab it opens on the sample laboratory.

    NAME: problem-sample, bench-calculations, run-report, monthly-quality, lessons, or another workbook that comes with
    labcalc. What you change in the copy stays: the same words open it again. JupyterLab answers on this machine only;
    Ctrl-C ends it.
    """
    from labcalc.lessons.results import file_words

    if (learner or results) and not (learner.strip() and name.casefold() == "lessons"):
        raise LessonError("", "", "a learner takes lessons: labcalc workbook lessons --learner NAME [--results DIR]")

    if lab is None and not exports and name.replace("_", "-") in workbooks.workbook_names(of_a_laboratory=True):
        lab = workbooks.copy_sample_laboratory(Path(workbooks.SAMPLE_FOLDER))
        remark(f"No --lab was given: this is the sample laboratory, in {lab.resolve().parent}")
    example = how.pop("example")
    folder = f"lessons-{file_words(learner)}" if learner else ""
    copy = workbooks.copy_workbook(name, exports, lab, folder, example=example)
    if learner:
        kept, seed = lessons.kept_learner(copy.path), lessons.seed_of("", learner)
        if kept and lessons.seed_of("", kept.name) != seed:  # two names that are alike as a folder's
            copy = workbooks.copy_workbook(name, exports, lab, f"{folder}-{seed:08x}", example=example)
        place = str((results or copy.path / "results").resolve())
        lessons.keep_learner(copy.path, lessons.Learner(" ".join(learner.split()), place))
    remark(_in_words(copy))
    workbooks.serve_workbook(copy.path, browser=not how.pop("no_browser"), say=remark, **how)
    remark(f"JupyterLab has ended; what was saved stays in {copy.path}")
    return 0


def _in_words(copy: workbooks.WorkbookCopy) -> str:
    """Say where the workbook is, and what became of an older copy."""
    left = "".join(f"{path.name} holds changes and stays as it is. " for path in copy.left_alone)
    if copy.state == "there already":
        return f"{left}The workbook is the one from before, with all that was saved in it: {copy.path}"
    instead = " (in the place of an older copy that nobody had changed)" if copy.state == "replaced" else ""
    return f"{left}The workbook is new{instead}: {copy.path}"
