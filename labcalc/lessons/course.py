"""The lessons of the course, and the short test at the end of each, drawn from a learner's name."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from labcalc.errors import LessonError
from labcalc.lessons.agreement import Agreement
from labcalc.lessons.averages import averages_agreements
from labcalc.lessons.averages_questions import AVERAGES_POOL
from labcalc.lessons.budgets import budgets_agreements
from labcalc.lessons.budgets_questions import BUDGETS_POOL
from labcalc.lessons.charts import charts_agreements
from labcalc.lessons.charts_questions import CHARTS_POOL
from labcalc.lessons.components import components_agreements
from labcalc.lessons.components_questions import COMPONENTS_POOL
from labcalc.lessons.conformity import conformity_agreements
from labcalc.lessons.conformity_questions import CONFORMITY_POOL
from labcalc.lessons.extrapolation import extrapolation_agreements
from labcalc.lessons.extrapolation_questions import EXTRAPOLATION_POOL
from labcalc.lessons.outliers import outliers_agreements
from labcalc.lessons.outliers_questions import OUTLIERS_POOL
from labcalc.lessons.questions import Question
from labcalc.lessons.repeats import repeats_agreements
from labcalc.lessons.repeats_questions import REPEATS_POOL
from labcalc.lessons.seeds import seed_of
from labcalc.lessons.sureness import sureness_agreements
from labcalc.lessons.sureness_questions import SURENESS_POOL

TEST_QUESTIONS = 5
"""Questions of a test."""


Draft = Callable[[Generator], Question]


@dataclass(frozen=True)
class Lesson:
    """One lesson: the pool that its test is drawn from, and what it lays beside simulation."""

    number: int
    name: str
    title: str
    edition: int
    """Goes up when a question changes: results of another edition can't be graded again."""
    pool: tuple[Draft, ...]
    agreements: Callable[[], tuple[Agreement, ...]]

    @property
    def workbook(self) -> str:
        """Name of its notebook in ``notebooks/lessons``."""
        return f"{self.number}_{self.title.lower().replace(' ', '_').replace(',', '')}"


@dataclass(frozen=True)
class LessonTest:
    """The questions that one learner gets."""

    lesson: Lesson
    learner: str
    attempt: int
    seed: int
    questions: tuple[Question, ...]


LESSONS: tuple[Lesson, ...] = (
    Lesson(1, "repeats", "What a repeat tells", 1, REPEATS_POOL, repeats_agreements),
    Lesson(2, "components", "What changes between days and people", 1, COMPONENTS_POOL, components_agreements),
    Lesson(3, "charts", "Reading a control chart", 1, CHARTS_POOL, charts_agreements),
    Lesson(4, "averages", "EWMA against the single point", 1, AVERAGES_POOL, averages_agreements),
    Lesson(5, "sureness", "How sure is a mean, a limit, a spread", 1, SURENESS_POOL, sureness_agreements),
    Lesson(6, "extrapolation", "The line through two temperatures", 1, EXTRAPOLATION_POOL, extrapolation_agreements),
    Lesson(7, "budgets", "From certificate to result", 1, BUDGETS_POOL, budgets_agreements),
    Lesson(8, "conformity", "Yes or no", 1, CONFORMITY_POOL, conformity_agreements),
    Lesson(9, "outliers", "The odd one out", 1, OUTLIERS_POOL, outliers_agreements),
)
"""In the order of the course."""


def lesson_named(name: str) -> Lesson:
    """Return a lesson by its name.

    Raises
    ------
    LessonError : There is no such lesson.
    """
    for lesson in LESSONS:
        if lesson.name == name:
            return lesson
    raise LessonError("", "lesson", f"there is no lesson '{name}'; there are {', '.join(one.name for one in LESSONS)}")


def draw_test(lesson: str, learner: str, attempt: int = 1) -> LessonTest:
    """Draw the test of a lesson for a learner; the same words give the same questions.

    Parameters
    ----------
    lesson : Name of the lesson.
    learner : The learner's name, or any word of their choice.
    attempt : Which attempt, [-], from 1; each has questions of its own.

    Raises
    ------
    LessonError : There is no such lesson, the name is empty, or the attempt is below 1.
    """
    chosen = lesson_named(lesson)
    if not learner.strip():
        raise LessonError("", "learner", "a name is missing: it draws the questions")
    if attempt < 1:
        raise LessonError("", "attempt", f"attempt {attempt}: 1 or more was expected")
    seed = seed_of(lesson, learner, attempt)
    picked = np.random.default_rng(seed).permutation(len(chosen.pool))[:TEST_QUESTIONS]
    questions = tuple(chosen.pool[i](np.random.default_rng([seed, int(i)])) for i in sorted(picked))
    return LessonTest(chosen, " ".join(learner.split()), attempt, seed, questions)
