"""What the lessons compute: data drawn by a learner's name, simulations beside theory, questions, results."""

from __future__ import annotations

from labcalc.lessons.agreement import Agreement, agreement_of_mean, agreement_of_share, agreement_of_spread
from labcalc.lessons.class_table import CLASS_COLUMNS, ClassTable, class_table
from labcalc.lessons.course import LESSONS, TEST_QUESTIONS, Lesson, LessonTest, draw_test, lesson_named
from labcalc.lessons.plots import Mark, Plot, Series
from labcalc.lessons.questions import Choice, Feedback, NumberQuestion, Option, Question, Slip, number_from
from labcalc.lessons.results import Answer, LessonResult, grade, read_result, save_result
from labcalc.lessons.seeds import chance_of, seed_of

__all__ = [
    "CLASS_COLUMNS",
    "LESSONS",
    "TEST_QUESTIONS",
    "Agreement",
    "Answer",
    "Choice",
    "ClassTable",
    "Feedback",
    "Lesson",
    "LessonResult",
    "LessonTest",
    "Mark",
    "NumberQuestion",
    "Option",
    "Plot",
    "Question",
    "Series",
    "Slip",
    "agreement_of_mean",
    "agreement_of_share",
    "agreement_of_spread",
    "chance_of",
    "class_table",
    "draw_test",
    "grade",
    "lesson_named",
    "number_from",
    "read_result",
    "save_result",
    "seed_of",
]
