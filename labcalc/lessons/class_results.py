"""The results of a class in one table."""

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from labcalc.errors import LessonError
from labcalc.lessons.course import LESSONS, draw_test
from labcalc.lessons.results import LessonResult, read_result

CLASS_COLUMNS = ("learner", "lesson", "attempt", "right", "questions", "not_right", "saved", "seed", "labcalc", "file")
"""Columns of a class's table; ``not_right`` names the questions to talk about."""


@dataclass(frozen=True, eq=False)
class ClassTable:
    """A row a result, by learner and lesson; what couldn't be used stands in ``refusals``, each with its file."""

    table: pd.DataFrame
    answers: pd.DataFrame  # a row an answer: ``learner``, ``lesson``, ``attempt``, ``question``, ``given``, ``right``
    refusals: tuple[LessonError, ...]

    @property
    def matrix(self) -> pd.DataFrame:
        """Learners by lessons: right answers of the first attempt and of the best one, [%]; NaN where there is none."""
        score = self.table.assign(score=100 * self.table["right"] / self.table["questions"]).sort_values("attempt")
        both = {
            (lesson, which): chosen.groupby("learner")["score"].agg(how).round(0)
            for lesson, chosen in ((one.name, score[score["lesson"] == one.name]) for one in LESSONS)
            for which, how in (("first, %", "first"), ("best, %", "max"))
            if not chosen.empty
        }
        return pd.DataFrame(both).rename_axis("learner")

    @property
    def missed(self) -> pd.DataFrame:
        """What the class misses at first attempts, the most missed question first, with its usual wrong answer."""
        firsts = self.answers[self.answers["attempt"] == 1]
        rows = []
        for (lesson, question), asked in firsts.groupby(["lesson", "question"]):
            wrong = asked.loc[~asked["right"], "given"]
            if not wrong.empty:
                rows.append((lesson, question, len(asked), len(wrong), wrong.mode().iloc[0]))
        table = pd.DataFrame(rows, columns=["lesson", "question", "asked", "missed", "usual_wrong_answer"])
        share = table["missed"] / table["asked"]
        return table.iloc[(-share).argsort(kind="stable")]

    @property
    def sheets(self) -> dict[str, pd.DataFrame]:
        """All of it as sheets of a workbook: the matrix, what is missed, every result."""
        matrix = self.matrix.reset_index()
        matrix.columns = pd.Index([" ".join(filter(None, one)) for one in matrix.columns])
        return {"class": matrix, "missed": self.missed, "results": self.table}


def class_table(folder: str | Path) -> ClassTable:
    """Read every result file of a folder and its folders.

    folder : Where the class keeps its results.
    Returns : Table with ``CLASS_COLUMNS``, and the files that were refused.
    Raises LessonError : There is no such folder, or no result file in it.
    """
    place = Path(folder)
    if not place.is_dir():
        raise LessonError(str(place), "", "there is no such folder")
    results: list[tuple[LessonResult, Path]] = []
    refusals = []
    for path in sorted(place.rglob("*.json")):
        if ".ipynb_checkpoints" in path.parts:
            continue
        try:
            results.append((read_result(path), path.relative_to(place)))
        except LessonError as refusal:
            refusals.append(refusal)
    if not results and not refusals:
        raise LessonError(str(place), "", "no result file (.json) is there")
    order = [lesson.name for lesson in LESSONS]
    results.sort(key=lambda one: (one[0].learner.casefold(), order.index(one[0].lesson), one[0].attempt))
    rows = pd.DataFrame([_row(result, file) for result, file in results], columns=list(CLASS_COLUMNS))
    answers = [
        (result.learner, result.lesson, result.attempt, one.question, one.given, one.right)
        for result, _ in results
        for one in result.answers
    ]
    columns = ["learner", "lesson", "attempt", "question", "given", "right"]
    return ClassTable(rows, pd.DataFrame(answers, columns=columns), tuple(refusals))


def _row(result: LessonResult, file: Path) -> dict[str, object]:
    edition = result.versions["lesson"]
    current = draw_test(result.lesson, result.learner, result.attempt).edition
    other = f" (lesson edition {edition}, not graded again)" if edition != current else ""
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
