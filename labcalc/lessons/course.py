"""The lessons of the course, the short test at the end of each, and what stays of a learner between two openings."""

import hashlib
import importlib
import json
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.random import Generator

from labcalc.errors import LessonError
from labcalc.lessons.drafts import Draft, Drafts, drafts_of
from labcalc.lessons.plots import Agreement
from labcalc.lessons.questions import NumberQuestion, Question
from labcalc.writing import write_whole

TEST_QUESTIONS = 5  # questions of a test about its own lesson
RETURNS = (1, 3)  # how many lessons back questions of a test come from, one each: what comes back after a while stays
_LEARNER = "learner.json"


def seed_of(lesson: str, learner: str, attempt: int = 1) -> int:
    """Return the seed of a learner's test: the same for the same name, however it is spaced or cased.

    Examples
    --------
    >>> seed_of("repeats", "Ana Lima") == seed_of("repeats", "  ana   lima ")
    True
    """
    name = " ".join(unicodedata.normalize("NFKC", learner).casefold().split())
    return int.from_bytes(hashlib.sha256(f"{lesson}\n{name}\n{attempt}".encode()).digest()[:4], "big")


def chance_of(lesson: str, learner: str, stream: int = 0) -> Generator:
    """Return the source of chance of a learner's own data in a lesson, one for each stream."""
    return np.random.default_rng([seed_of(lesson, learner), 1000 + stream])


@dataclass(frozen=True)
class Lesson:
    """One lesson: a module of that name, its questions in a file beside it, its workbook in ``notebooks/lessons``."""

    number: int
    name: str

    @property
    def drafts(self) -> Drafts:
        """Its questions."""
        return drafts_of(self.name)

    @property
    def title(self) -> str:
        """Its title."""
        return self.drafts.title

    @property
    def workbook(self) -> str:
        """Name of its notebook."""
        return f"{self.number:02}_{self.title.lower().replace(' ', '_').replace(',', '')}"

    def agreements(self) -> tuple[Agreement, ...]:
        """Lay its claims beside simulation."""
        module = importlib.import_module(f"labcalc.lessons.{self.name}")
        claims: Callable[[], tuple[Agreement, ...]] = getattr(module, f"{self.name}_agreements")
        return claims()


@dataclass(frozen=True)
class LessonTest:
    """The questions that one learner gets."""

    lesson: Lesson
    learner: str
    attempt: int
    seed: int
    questions: tuple[Question, ...]

    @property
    def edition(self) -> str:
        """Editions of the lessons that its questions come from."""
        return ".".join(str(one.drafts.edition) for one in (self.lesson, *_earlier(self.lesson)))


_NAMES = "repeats components charts averages sureness extrapolation budgets conformity outliers bias comparison residue"

LESSONS: tuple[Lesson, ...] = tuple(Lesson(number, name) for number, name in enumerate(_NAMES.split(), start=1))
"""In the order of the course."""


def lesson_named(name: str) -> Lesson:
    """Return a lesson by its name.

    Raises LessonError : There is no such lesson.
    """
    for lesson in LESSONS:
        if lesson.name == name:
            return lesson
    raise LessonError("", "lesson", f"there is no lesson '{name}'; there are {', '.join(one.name for one in LESSONS)}")


def _earlier(lesson: Lesson) -> tuple[Lesson, ...]:
    return tuple(LESSONS[lesson.number - 1 - back] for back in RETURNS if lesson.number > back)


def draw_test(lesson: str, learner: str, attempt: int = 1) -> LessonTest:
    """Draw the test of a lesson for a learner; the same words give the same questions.

    lesson : Name of the lesson.
    learner : The learner's name, or any word of their choice.
    attempt : Which attempt, [-], from 1; each has questions of its own.
    Raises LessonError : There is no such lesson, the name is empty, or the attempt is below 1.
    """
    chosen = lesson_named(lesson)
    if not learner.strip():
        raise LessonError("", "learner", "a name is missing: it draws the questions")
    if attempt < 1:
        raise LessonError("", "attempt", f"attempt {attempt}: 1 or more was expected")
    seed = seed_of(lesson, learner, attempt)
    questions = _picked(chosen.drafts.test, seed, TEST_QUESTIONS)
    for one in _earlier(chosen):
        (question,) = _picked(one.drafts.test, seed, 1)
        questions.append(replace(question, name=f"{one.name}: {question.name}"))
    return LessonTest(chosen, " ".join(learner.split()), attempt, seed, tuple(questions))


def _picked(pool: tuple[Draft, ...], seed: int, number: int) -> list[Question]:
    picked = np.random.default_rng(seed).permutation(len(pool))[:number]
    return [pool[i](np.random.default_rng([seed, int(i)])) for i in sorted(picked)]


def ask(lesson: str, name: str, learner: str = "class", **given: object) -> Question:
    """Return a question of a lesson's text.

    lesson, name : Of the lesson and of the question.
    learner : Draws the order of the answers.
    given : The numbers that it speaks of.
    Raises LessonError : There is no such lesson or question, or it can't be worked out.
    """
    return draft_named(lesson, name)(chance_of(f"{lesson} {name}", learner), **given)


def draft_named(lesson: str, name: str) -> Draft:
    """Return a question of a lesson's text before it is drawn.

    Raises LessonError : There is no such lesson or question.
    """
    drafts = lesson_named(lesson).drafts
    if name not in drafts.ask:
        raise LessonError(f"{lesson}.toml", name, f"there is no such question; there are {', '.join(drafts.ask)}")
    return drafts.ask[name]


def worked_example(lesson: str, learner: str, round_: int) -> tuple[str, tuple[NumberQuestion, ...], int]:
    """Return a worked example: its text, its steps, and how many of them are shown; fewer from round to round.

    lesson : Name of the lesson.
    learner : Draws the numbers.
    round_ : Which example, [-], from 0, in which every step is shown.
    """
    text, steps = lesson_named(lesson).drafts.worked.steps(chance_of(lesson, learner, 100 + round_))
    return text, steps, max(0, len(steps) - round_)


@dataclass(frozen=True)
class Learner:
    """Who takes the course, and where the results go."""

    name: str
    results: str


def kept_learner(folder: str | Path) -> Learner | None:
    """Return the learner whose course lies in a folder; None: nobody has said a name yet.

    Raises LessonError : What is kept there can't be read.
    """
    words = _read(Path(folder) / _LEARNER, None)
    return Learner(words["learner"], words["results"]) if words else None


def keep_learner(folder: str | Path, learner: Learner) -> None:
    """Keep a learner's name for the whole course."""
    _write(Path(folder) / _LEARNER, {"learner": learner.name, "results": learner.results})


@dataclass(frozen=True)
class Journal:
    """The answers of one learner to one lesson, in the order given, a file of the course's folder."""

    path: Path

    def given(self, question: str) -> list[str]:
        """Return what was given to a question so far.

        Raises LessonError : The file can't be read.
        """
        return [str(one) for one in _read(self.path, {}).get(question, [])]

    def keep(self, question: str, given: list[str]) -> None:
        """Keep what was given to a question."""
        _write(self.path, {**_read(self.path, {}), question: given})


def _read(path: Path, otherwise: Any) -> Any:
    try:
        return json.loads(path.read_text("utf-8"))
    except FileNotFoundError:
        return otherwise
    except ValueError as failure:
        raise LessonError(path.name, "", f"can't be read ({failure}); move it away to begin anew") from failure


def _write(path: Path, words: object) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    write_whole(path, f"{json.dumps(words, ensure_ascii=False, indent=1)}\n".encode())
