"""A learner's result as a small file for the trainer: written whole, checked when read, graded again."""

import json
import re
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from labcalc import __version__
from labcalc.errors import LessonError
from labcalc.lessons.course import LessonTest, draw_test
from labcalc.wording import cut_short

_FORMAT, _LARGEST = "labcalc lesson result 1", 1_000_000  # what a file says that it is, and its most bytes


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
    answers = tuple(
        Answer(question.name, words, _is_right(question, words))
        for question, words in zip(test.questions, given, strict=True)
    )
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
        "lesson": result.lesson,
        "learner": result.learner,
        "attempt": result.attempt,
        "seed": result.seed,
        "saved": result.saved.isoformat(timespec="seconds"),
        "answers": [vars(answer) for answer in result.answers],
        "score": {"right": result.right, "of": len(result.answers)},
        "versions": {**dict.fromkeys(("labcalc", "lesson", "numpy")), **result.versions},
    }


_EXPECTED = {str: "text", int: "a whole number", list: "a list of objects", dict: "an object"}
_KINDS: Mapping[str, type] = {
    **dict.fromkeys(("format", "lesson", "learner"), str),
    **dict.fromkeys(("attempt", "seed"), int),
    "saved": str,
    "answers": list,
    "score": dict,
    "versions": dict,
}
"""Fields of a file, and what each holds."""


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
            raise refuse(
                f"answers[{number}]", f"{_shown(one)}; question, given and right (true or false) were expected"
            )
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
    result = LessonResult(
        test.lesson.name, words["learner"], test.attempt, words["seed"], answers, saved, words["versions"]
    )
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
