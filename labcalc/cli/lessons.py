"""``labcalc workbook lessons --results DIR``: what the learners of a class have saved, as one table."""

from __future__ import annotations

from pathlib import Path

from labcalc.cli.words import say, tell
from labcalc.errors import LessonError
from labcalc.wording import counted

_SHOWN = ["learner", "lesson", "attempt", "right", "questions", "not_right"]


def show_class(name: str, results: Path | None, to: Path | None) -> int:
    """Show the results of a class on the screen, or write them to a file; name what was refused."""
    from labcalc.lessons import class_table
    from labcalc.workbooks.writing import write_whole

    if name.casefold() != "lessons" or results is None:
        raise LessonError("", "", "results are of lessons: labcalc workbook lessons --results DIR [--to FILE.csv]")
    if to is not None and to.suffix.lower() != ".csv":
        raise LessonError(str(to), "", "the table is written as .csv; expected a name that ends so")
    found = class_table(results)
    for refusal in found.refusals:
        say(f"refused: {refusal}")
    if found.table.empty:
        raise LessonError(str(results), "", "every result file was refused: there is nothing to show")
    if to is None:
        tell(found.table[_SHOWN].to_string(index=False))
    else:
        write_whole(to, found.as_csv.encode())
    learners = found.table["learner"].str.casefold().nunique()
    written = f"; written to {to}" if to is not None else ""
    refused = f"{len(found.refusals)} refused"
    say(f"{counted(len(found.table), 'result')} of {counted(learners, 'learner')}, {refused}{written}.")
    return 1 if found.refusals else 0
