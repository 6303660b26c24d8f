"""``labcalc workbook``: a workbook beside the laboratory's data, opened in JupyterLab.

``labcalc lessons``: for the trainer, handouts of the course and the results of a class.
"""

from __future__ import annotations

from itertools import count
from pathlib import Path
from typing import Any

import click

import labcalc.exports
import labcalc.lessons
from labcalc import workbooks
from labcalc.cli.words import FILE, FOLDER, PATH, answer, lab_option, remark, say, tell
from labcalc.errors import LessonError
from labcalc.shipped import workbook_file
from labcalc.wording import counted


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
        kept, seed = labcalc.lessons.kept_learner(copy.path), labcalc.lessons.seed_of("", learner)
        if kept and labcalc.lessons.seed_of("", kept.name) != seed:  # two names that are alike as a folder's
            copy = workbooks.copy_workbook(name, exports, lab, f"{folder}-{seed:08x}", example=example)
        place = str((results or copy.path / "results").resolve())
        labcalc.lessons.keep_learner(copy.path, labcalc.lessons.Learner(" ".join(learner.split()), place))
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


_LEARNERS = "Data and questions of this learner; again for more."
_TO = "Write it to a file: .xlsx (three sheets) or .csv (every result)."
_SHOWN = ["learner", "lesson", "attempt", "right", "questions", "not_right"]


@click.group()
def lessons() -> None:
    """For the trainer: handouts, and what a class has saved.

    Learners open the course with: labcalc workbook lessons --learner NAME --results DIR
    """


@lessons.command()
@click.argument("to", type=FOLDER, metavar="DIR")
@click.option("--answers", is_flag=True, help="With the answers, for the trainer.")
@click.option("--learner", "learners", multiple=True, metavar="NAME", help=_LEARNERS)
@click.option("--lesson", "wanted", multiple=True, metavar="NAME", help="Only this lesson; again for more.")
@answer
def handout(to: Path, answers: bool, learners: tuple[str, ...], wanted: tuple[str, ...]) -> int:
    """Write the lessons as pages for paper into DIR."""
    from labcalc.lessons.results import file_words

    chosen = [labcalc.lessons.lesson_named(name) for name in wanted] or labcalc.lessons.LESSONS
    learners_of, n = learners or ("class",), count(1)
    for learner in learners_of:
        folder = to / file_words(learner) if learners else to
        folder.mkdir(parents=True, exist_ok=True)
        for lesson in chosen:
            file = workbook_file(f"lessons/{'' if answers else 'exercises/'}{lesson.workbook}")
            name = f"{lesson.workbook}{'_answers' if answers else ''}.html"
            workbooks.render_workbook(file, {"learner": learner, "controls": False}, folder / name, title=lesson.title)
            remark(f"{next(n)} of {len(learners_of) * len(chosen)}: {folder / name}")
    return 0


@lessons.command()
@click.argument("folder", type=FOLDER, metavar="DIR")
@click.option("--to", type=FILE, metavar="FILE", help=_TO)
@click.option("--force", is_flag=True, help="Let --to write over a file that labcalc didn't make.")
@answer
def results(folder: Path, to: Path | None, force: bool) -> int:
    """Show what a class has saved in DIR.

    First and best attempts, what is missed most, every result.
    """
    found = labcalc.lessons.class_table(folder)
    for refusal in found.refusals:
        say(f"refused: {refusal}")
    if found.table.empty:
        raise LessonError(str(folder), "", "every result file was refused: there is nothing to show")
    if to is None:
        tell(found.matrix.to_string(na_rep="", float_format="%.0f"))
        tell(f"\nMissed at first attempts:\n{found.missed.to_string(index=False)}")
        tell(f"\n{found.table[_SHOWN].to_string(index=False)}")
    else:
        labcalc.exports.write_frame(found.table, to, sheets=found.sheets, force=force)
    learners = found.table["learner"].str.casefold().nunique()
    written = f"; written to {to}" if to is not None else ""
    refused = f"{len(found.refusals)} refused"
    remark(f"{counted(len(found.table), 'result')} of {counted(learners, 'learner')}, {refused}{written}.")
    return 1 if found.refusals else 0
