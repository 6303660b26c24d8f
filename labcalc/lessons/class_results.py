"""The results of a class in one table."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from labcalc.errors import LessonError
from labcalc.exports.write import protected
from labcalc.lessons.course import LESSONS, lesson_named
from labcalc.lessons.results import LessonResult, read_result

CLASS_COLUMNS = ("learner", "lesson", "attempt", "right", "questions", "not_right", "saved", "seed", "labcalc", "file")
"""Columns of a class's table; ``not_right`` names the questions to talk about."""


@dataclass(frozen=True, eq=False)
class ClassTable:
    """A row a result, by learner and lesson; what couldn't be used stands in ``refusals``, each with its file."""

    table: pd.DataFrame
    refusals: tuple[LessonError, ...]

    @property
    def as_csv(self) -> str:
        """The table as .csv; names that a spreadsheet would take for a formula get an apostrophe in front."""
        return self.table.map(protected).to_csv(index=False, lineterminator="\n")


def class_table(folder: str | Path) -> ClassTable:
    """Read every result file of a folder and its folders.

    Parameters
    ----------
    folder : Where the class keeps its results.

    Returns
    -------
    Table with ``CLASS_COLUMNS``, and the files that were refused.

    Raises
    ------
    LessonError : There is no such folder, or no result file in it.
    """
    place = Path(folder)
    if not place.is_dir():
        raise LessonError(str(place), "", "there is no such folder")
    rows, refusals = [], []
    for path in sorted(place.rglob("*.json")):
        if ".ipynb_checkpoints" in path.parts:
            continue
        try:
            rows.append(_row(read_result(path), path.relative_to(place)))
        except LessonError as refusal:
            refusals.append(refusal)
    if not rows and not refusals:
        raise LessonError(str(place), "", "no result file (.json) is there")
    order = [lesson.name for lesson in LESSONS]
    rows.sort(key=lambda row: (str(row["learner"]).casefold(), order.index(str(row["lesson"])), row["attempt"]))
    return ClassTable(pd.DataFrame(rows, columns=list(CLASS_COLUMNS)), tuple(refusals))


def _row(result: LessonResult, file: Path) -> dict[str, object]:
    lesson = lesson_named(result.lesson)
    edition = result.versions["lesson"]
    other = f" (lesson edition {edition}, not graded again)" if edition != str(lesson.edition) else ""
    return {
        "learner": result.learner,
        "lesson": result.lesson,
        "attempt": result.attempt,
        "right": result.right,
        "questions": len(result.answers),
        "not_right": ", ".join(answer.question for answer in result.answers if not answer.right),
        "saved": result.saved.isoformat(),
        "seed": result.seed,
        "labcalc": result.versions["labcalc"] + other,
        "file": file.as_posix(),
    }
