"""``labcalc lessons``: for the trainer, handouts of the course and the results of a class."""

from itertools import count
from pathlib import Path

import click

import labcalc.exports
import labcalc.lessons
from labcalc import workbooks
from labcalc.cli.words import FILE, FOLDER, answer, remark, say, tell
from labcalc.errors import LessonError
from labcalc.shipped import workbook_file
from labcalc.wording import counted

_SHOWN = ["learner", "lesson", "attempt", "right", "questions", "not_right"]


@click.group()
def lessons() -> None:
    """For the trainer: handouts, and what a class has saved.

    Learners open the course with: labcalc workbook lessons --learner NAME --results DIR
    """


@lessons.command()
@click.argument("to", type=FOLDER, metavar="DIR")
@click.option("--answers", is_flag=True, help="With the answers, for the trainer.")
@click.option(
    "--learner", "learners", multiple=True, metavar="NAME", help="Data and questions of this learner; again for more."
)
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
@click.option(
    "--to", type=FILE, metavar="FILE", help="Write it to a file: .xlsx (three sheets) or .csv (every result)."
)
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
