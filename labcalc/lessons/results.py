"""A learner's result as a small file for the trainer: written whole, checked when read, graded again."""

from __future__ import annotations

import json
import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from labcalc import __version__
from labcalc.errors import LessonError
from labcalc.lessons.course import LESSONS, LessonTest, draw_test

_FORMAT = "labcalc lesson result 1"


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

    Parameters
    ----------
    test : The questions.
    given : One answer a question, in their order; empty where none was given.
    saved : When, with its time zone.
    """
    answers = tuple(
        Answer(question.name, words, _is_right(question, words))
        for question, words in zip(test.questions, given, strict=True)
    )
    return LessonResult(test.lesson.name, test.learner, test.attempt, test.seed, answers, saved, _versions(test))


def _is_right(question: Any, words: str) -> bool:
    try:
        return bool(words) and question.check(words).right
    except LessonError:
        return False


def _versions(test: LessonTest) -> dict[str, str]:
    return {"labcalc": __version__, "lesson": test.edition, "numpy": np.__version__}


def save_result(result: LessonResult, folder: str | Path) -> Path:
    """Write a result under a name made of lesson, learner and attempt; an attempt is saved once.

    Parameters
    ----------
    result : What ``grade`` returned.
    folder : Where the class keeps its results; made where it isn't there.

    Returns
    -------
    The file.

    Raises
    ------
    LessonError : This attempt is saved already.
    """
    place = Path(folder)
    place.mkdir(parents=True, exist_ok=True)
    path = place / _file_name(result)
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(_as_text(result))
    except FileExistsError:
        raise LessonError(
            path.name, "", f"attempt {result.attempt} of {result.learner} is saved already; begin another attempt"
        ) from None
    return path


def kept_result(test: LessonTest, folder: str | Path) -> LessonResult | None:
    """Return the result of a test that is saved already; None: there is none.

    Raises
    ------
    LessonError : As of ``read_result``.
    """
    path = Path(folder) / _file_name(test)
    return read_result(path) if path.exists() else None


def _file_name(test: LessonTest | LessonResult) -> str:
    """Return the name of the file of an attempt; by its seed, one for a name in any letters, and no two names share it."""
    lesson = test.lesson if isinstance(test, LessonResult) else test.lesson.name
    return f"{lesson}_{file_words(test.learner)}_{test.attempt}_{test.seed:08x}.json"


def file_words(learner: str) -> str:
    """Return a name as part of a file name: small letters of any script and digits, never a path."""
    stem = re.sub(r"[^\w]+", "-", unicodedata.normalize("NFKC", learner).casefold()).strip("-")[:40]
    return stem or "learner-" + "-".join(f"{ord(sign):x}" for sign in learner[:8])


def _as_text(result: LessonResult) -> str:
    words = {
        "format": _FORMAT,
        "lesson": result.lesson,
        "learner": result.learner,
        "attempt": result.attempt,
        "seed": result.seed,
        "saved": result.saved.isoformat(timespec="seconds"),
        "answers": [vars(answer) for answer in result.answers],
        "score": {"right": result.right, "of": len(result.answers)},
        "versions": dict(result.versions),
    }
    return json.dumps(words, ensure_ascii=False, indent=1) + "\n"


def read_result(path: str | Path) -> LessonResult:
    """Read a result that ``save_result`` wrote, and grade it again where its edition of the lesson is this one.

    Raises
    ------
    LessonError : The file is no result, a field is missing or of another kind, or what it says doesn't fit together:
        which field of which file.
    """
    place = Path(path)
    fields = _Fields(place.name, _object_in(place))
    fields.expect("format", _FORMAT)
    lesson = fields.one_of("lesson", [one.name for one in LESSONS])
    answers = tuple(
        Answer(one.text("question"), one.text("given", empty=True), one.true_or_false("right"))
        for one in fields.objects("answers")
    )
    versions = fields.inside("versions")
    result = LessonResult(
        lesson,
        fields.text("learner"),
        fields.number("attempt", 1),
        fields.number("seed", 0),
        answers,
        fields.moment("saved"),
        {name: versions.text(name) for name in ("labcalc", "lesson", "numpy")},
    )
    score = fields.inside("score")
    score.expect("right", result.right)
    score.expect("of", len(answers))
    _grade_again(result, fields)
    return result


def _grade_again(result: LessonResult, fields: _Fields) -> None:
    """Refuse what the questions of the same seed don't bear out."""
    test = draw_test(result.lesson, result.learner, result.attempt)
    if result.versions["lesson"] != test.edition:
        return
    fields.expect("seed", test.seed)
    fields.expect_count("answers", len(test.questions), len(result.answers))
    for number, (question, answer) in enumerate(zip(test.questions, result.answers, strict=True), start=1):
        one = _Fields(fields.file, vars(answer), f"answers[{number}].")
        one.expect("question", question.name)
        one.expect("right", _is_right(question, answer.given))


def _object_in(path: Path) -> dict[str, Any]:
    try:
        content = json.loads(path.read_text("utf-8"))
    except UnicodeDecodeError:
        raise LessonError(path.name, "", "is not text in UTF-8, so it is no result of a lesson") from None
    except json.JSONDecodeError as failure:
        raise LessonError(path.name, "", f"is not JSON: line {failure.lineno}, column {failure.colno}") from None
    if not isinstance(content, dict):
        raise LessonError(path.name, "", "holds no JSON object, so it is no result of a lesson")
    return content


@dataclass(frozen=True)
class _Fields:
    """The fields of one object of the file; each refusal names file and field."""

    file: str
    content: Mapping[str, Any]
    within: str = ""

    def refuse(self, field: str, problem: str) -> LessonError:
        return LessonError(self.file, f"{self.within}{field}", problem)

    def any(self, field: str) -> Any:
        if field not in self.content:
            raise self.refuse(field, "is missing")
        return self.content[field]

    def text(self, field: str, *, empty: bool = False) -> str:
        value = self.any(field)
        if not isinstance(value, str) or not (empty or value.strip()):
            raise self.refuse(field, f"{_shown(value)}; text was expected")
        return value

    def one_of(self, field: str, allowed: Sequence[str]) -> str:
        value = self.text(field)
        if value not in allowed:
            raise self.refuse(field, f"'{value}'; one of {', '.join(allowed)} was expected")
        return value

    def number(self, field: str, lowest: int) -> int:
        value = self.any(field)
        if type(value) is not int or value < lowest:
            raise self.refuse(field, f"{_shown(value)}; a whole number of {lowest} or more was expected")
        return value

    def true_or_false(self, field: str) -> bool:
        value = self.any(field)
        if type(value) is not bool:
            raise self.refuse(field, f"{_shown(value)}; true or false was expected")
        return value

    def moment(self, field: str) -> datetime:
        text = self.text(field)
        try:
            value = datetime.fromisoformat(text)
        except ValueError:
            value = None
        if value is None or value.tzinfo is None:
            raise self.refuse(field, f"'{text}'; a date and time with its zone was expected")
        return value

    def inside(self, field: str) -> _Fields:
        value = self.any(field)
        if not isinstance(value, dict):
            raise self.refuse(field, f"{_shown(value)}; an object was expected")
        return _Fields(self.file, value, f"{self.within}{field}.")

    def objects(self, field: str) -> list[_Fields]:
        value = self.any(field)
        if not isinstance(value, list) or not all(isinstance(one, dict) for one in value):
            raise self.refuse(field, f"{_shown(value)}; a list of objects was expected")
        return [_Fields(self.file, one, f"{field}[{number}].") for number, one in enumerate(value, start=1)]

    def expect(self, field: str, value: object) -> None:
        found = self.any(field)
        if found != value or type(found) is not type(value):
            raise self.refuse(field, f"{_shown(found)}; {_shown(value)} was expected")

    def expect_count(self, field: str, expected: int, found: int) -> None:
        if expected != found:
            raise self.refuse(field, f"{found} answers; {expected} were expected")


def _shown(value: object) -> str:
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 60 else f"{text[:59]}…"
