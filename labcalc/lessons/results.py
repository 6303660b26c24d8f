"""A learner's result as a small file for the trainer, checked and graded again when read; a class in one table."""

import json
import re
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from labcalc import __version__
from labcalc.errors import LessonError
from labcalc.lessons.course import LESSONS, LessonTest, draw_test
from labcalc.wording import cut_short

_FORMAT, _LARGEST = "labcalc lesson result 1", 1_000_000  # what a file says that it is, and its most bytes

CLASS_COLUMNS = ("learner", "lesson", "attempt", "right", "questions", "not_right", "saved", "seed", "labcalc", "file")
"""Columns of a class's table; ``not_right`` names the questions to talk about."""


@dataclass(frozen=True)
class Answer:
    """What a learner gave to one question; empty where nothing was given."""

    question: str
    given: str
    right: bool


@dataclass(frozen=True)
class LessonResult:
    """One test of one learner."""

    lesson: str
    learner: str
    attempt: int
    seed: int
    answers: tuple[Answer, ...]
    saved: datetime
    versions: Mapping[str, str]

    @property
    def right(self) -> int:
        """Number of right answers."""
        return sum(answer.right for answer in self.answers)


def grade(test: LessonTest, given: Sequence[str], saved: datetime) -> LessonResult:
    """Check the answers of a test; what can't be understood counts as not right.

    test : The questions.
    given : One answer a question, in their order; empty where none was given.
    saved : When, with its time zone.
    """
    asked = zip(test.questions, given, strict=True)
    answers = tuple(Answer(question.name, words, _is_right(question, words)) for question, words in asked)
    versions = {"labcalc": __version__, "lesson": test.edition, "numpy": np.__version__}
    return LessonResult(test.lesson.name, test.learner, test.attempt, test.seed, answers, saved, versions)


def _is_right(question: Any, words: str) -> bool:
    try:
        return bool(words) and question.check(words).right
    except LessonError:
        return False


def save_result(result: LessonResult, folder: str | Path) -> Path:
    """Write a result under a name made of lesson, learner and attempt; an attempt is saved once.

    result : What ``grade`` returned.
    folder : Where the class keeps its results; made where it isn't there.
    Returns : The file.
    Raises LessonError : This attempt is saved already.
    """
    place = Path(folder)
    place.mkdir(parents=True, exist_ok=True)
    path = place / _file_name(result)
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(json.dumps(_as_words(result), ensure_ascii=False, indent=1) + "\n")
    except FileExistsError:
        saved = f"attempt {result.attempt} of {result.learner} is saved already"
        raise LessonError(path.name, "", f"{saved}; begin another attempt") from None
    return path


def kept_result(test: LessonTest, folder: str | Path) -> LessonResult | None:
    """Return the result of a test that is saved already; None: there is none.

    Raises LessonError : As of ``read_result``.
    """
    path = Path(folder) / _file_name(test)
    return read_result(path) if path.exists() else None


def _file_name(test: LessonTest | LessonResult) -> str:
    """Return the file name of an attempt; by its seed one for a name in any letters, and shared by no two."""
    lesson = test.lesson if isinstance(test, LessonResult) else test.lesson.name
    return f"{lesson}_{file_words(test.learner)}_{test.attempt}_{test.seed:08x}.json"


def file_words(learner: str) -> str:
    """Return a name as part of a file name: small letters of any script and digits, never a path."""
    stem = re.sub(r"[^\w]+", "-", unicodedata.normalize("NFKC", learner).casefold()).strip("-")[:40]
    return stem or "learner-" + "-".join(f"{ord(sign):x}" for sign in learner[:8])


def _as_words(result: LessonResult) -> dict[str, Any]:
    return {
        "format": _FORMAT,
        **{name: getattr(result, name) for name in ("lesson", "learner", "attempt", "seed")},
        "saved": result.saved.isoformat(timespec="seconds"),
        "answers": [vars(answer) for answer in result.answers],
        "score": {"right": result.right, "of": len(result.answers)},
        "versions": {**dict.fromkeys(("labcalc", "lesson", "numpy")), **result.versions},
    }


_EXPECTED = {str: "text", int: "a whole number", list: "a list of objects", dict: "an object"}
_FIELDS = ("format", "lesson", "learner", "attempt", "seed", "saved", "answers", "score", "versions")
_KINDS = dict(zip(_FIELDS, (str, str, str, int, int, str, list, dict, dict), strict=True))  # what each field holds


def read_result(path: str | Path) -> LessonResult:
    """Read a result that ``save_result`` wrote, and grade it again where its edition of the lesson is this one.

    Raises LessonError : The file is no result, a field is missing or of another kind, or what it says doesn't fit
        together: which field of which file.
    """
    place = Path(path)
    words = _object_in(place)

    def refuse(field: str, problem: str) -> LessonError:
        return LessonError(place.name, field, problem)

    for field, kind in _KINDS.items():
        if field not in words:
            raise refuse(field, "is missing")
        if type(words[field]) is not kind:
            raise refuse(field, f"{_shown(words[field])}; {_EXPECTED[kind]} was expected")
    for number, one in enumerate(words["answers"], start=1):
        if not isinstance(one, dict) or {key: type(value) for key, value in one.items()} != Answer.__annotations__:
            expected = "question, given and right (true or false) were expected"
            raise refuse(f"answers[{number}]", f"{_shown(one)}; {expected}")
    try:
        saved = datetime.fromisoformat(words["saved"])
    except ValueError:
        saved = None
    if saved is None or saved.tzinfo is None:
        raise refuse("saved", f"{_shown(words['saved'])}; a date and time with its zone was expected")
    try:
        test = draw_test(words["lesson"], words["learner"], words["attempt"])
    except LessonError as refusal:
        raise refuse(refusal.field, refusal.problem) from None
    answers = tuple(Answer(**one) for one in words["answers"])
    whose = test.lesson.name, words["learner"], test.attempt, words["seed"]
    result = LessonResult(*whose, answers, saved, words["versions"])
    told = _as_words(result)
    if words["versions"].get("lesson") == test.edition:
        if len(answers) != len(test.questions):
            raise refuse("answers", f"{len(answers)} answers; {len(test.questions)} were expected")
        told = {**_as_words(grade(test, [one.given for one in answers], saved)), "versions": told["versions"]}
    _refuse_difference(words, told, refuse)
    return result


def _refuse_difference(found: Any, told: Any, refuse: Callable[[str, str], LessonError], field: str = "") -> None:
    """Refuse the first place where a file says something else than it would if it were written now."""
    if isinstance(told, dict) and isinstance(found, dict):
        for key, value in told.items():
            place = f"{field}.{key}".strip(".")
            if key not in found:
                raise refuse(place, "is missing")
            _refuse_difference(found[key], value, refuse, place)
    elif isinstance(told, list) and isinstance(found, list):
        for number, (one, value) in enumerate(zip(found, told, strict=True), start=1):
            _refuse_difference(one, value, refuse, f"{field}[{number}]")
    elif found != told or type(found) is not type(told):
        raise refuse(field, f"{_shown(found)}; {_shown(told)} was expected")


def _object_in(path: Path) -> dict[str, Any]:
    try:
        if not path.is_file() or path.stat().st_size > _LARGEST:
            raise LessonError(path.name, "", f"is no file of at most {_LARGEST:,} bytes, as results are")
        content = json.loads(path.read_text("utf-8"))
        json.dumps(content, ensure_ascii=False).encode()  # half a character, as JSON can hold, is no text
    except OSError as failure:
        raise LessonError(path.name, "", f"can't be read: {failure.strerror}") from None
    except json.JSONDecodeError as failure:
        raise LessonError(path.name, "", f"is not JSON: line {failure.lineno}, column {failure.colno}") from None
    except UnicodeError:
        raise LessonError(path.name, "", "is not text in UTF-8, so it is no result of a lesson") from None
    except (ValueError, RecursionError):
        raise LessonError(path.name, "", "a number or a list without end stands in it") from None
    if not isinstance(content, dict):
        raise LessonError(path.name, "", "holds no JSON object, so it is no result of a lesson")
    return content


def _shown(value: object) -> str:
    return cut_short(json.dumps(value, ensure_ascii=False), 60)


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
        return table.iloc[(-table["missed"] / table["asked"]).argsort(kind="stable")]

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
    for path in sorted(one for one in place.rglob("*.json") if ".ipynb_checkpoints" not in one.parts):
        try:
            results.append((read_result(path), path.relative_to(place)))
        except LessonError as refusal:
            refusals.append(refusal)
    if not results and not refusals:
        raise LessonError(str(place), "", "no result file (.json) is there")
    order = {lesson.name: lesson.number for lesson in LESSONS}
    results.sort(key=lambda one: (one[0].learner.casefold(), order[one[0].lesson], one[0].attempt))
    rows = pd.DataFrame([_row(result, file) for result, file in results], columns=list(CLASS_COLUMNS))
    answers = [(one.learner, one.lesson, one.attempt, *vars(got).values()) for one, _ in results for got in one.answers]
    columns = ["learner", "lesson", "attempt", *Answer.__annotations__]
    return ClassTable(rows, pd.DataFrame(answers, columns=columns), tuple(refusals))


def _row(result: LessonResult, file: Path) -> tuple[object, ...]:
    """Return what the table says of a result, in the order of ``CLASS_COLUMNS``."""
    edition = result.versions["lesson"]
    current = draw_test(result.lesson, result.learner, result.attempt).edition
    other = f" (lesson edition {edition}, not graded again)" if edition != current else ""
    not_right = ", ".join(answer.question for answer in result.answers if not answer.right)
    score = result.right, len(result.answers), not_right, result.saved.isoformat(), result.seed
    whence = result.versions["labcalc"] + other, file.as_posix()
    return result.learner, result.lesson, result.attempt, *score, *whence
