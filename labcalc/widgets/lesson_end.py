"""The test at the end of a lesson: drawn by name, checked, saved for the trainer."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import ipywidgets

from labcalc.errors import LessonError
from labcalc.lessons import LessonResult, LessonTest, draw_test, grade, number_from, save_result
from labcalc.widgets.controls import Form, Status
from labcalc.widgets.lesson_fields import AnswerField, framed, soon, tell


class ClosingTest:
    """The panel in which a learner draws, answers and saves the test of a lesson.

    lesson : Name of the lesson.
    learner : Name to start with.
    results : Folder for the results of the class.
    """

    def __init__(self, lesson: str, learner: str, results: str) -> None:
        self._lesson, self._results = lesson, Path(results)
        self._test: LessonTest | None = None
        self._result: LessonResult | None = None
        self.fields: list[AnswerField] = []  # one a question, once they are drawn
        self.said = Status()  # about the test as a whole
        named = [
            {"key": "name", "label": "Your name", "kind": "text", "hint": ""},
            {"key": "attempt", "label": "Attempt", "kind": "number", "hint": ""},
        ]
        drawing = [{"key": "draw", "label": "Draw my questions", "hint": "The same name draws the same questions."}]
        self.head = Form(named, drawing, lambda _, values: self._draw(**values))
        self.head.values = {"name": learner, "attempt": "1"}
        closing = [
            {"key": "check", "label": "Check my answers", "hint": "Once: what is saved is what you gave."},
            {"key": "save", "label": "Save my result", "hint": "As a small file for your trainer."},
        ]
        self.foot = Form([], closing, self._press)
        self._questions = ipywidgets.VBox()
        self.box = framed(self.head, self._questions, self.said)

    def _draw(self, name: str, attempt: str) -> None:
        try:
            self._test = draw_test(self._lesson, name, round(number_from(attempt)))
        except LessonError as refusal:
            tell(self.said, None, str(refusal))
            return
        self.fields = [
            AnswerField(question, f"Question {number}") for number, question in enumerate(self._test.questions, start=1)
        ]
        self._questions.children = (*(field.box for field in self.fields), self.foot)
        self._result, self.said.text = None, ""

    def _press(self, button: str, _: object) -> None:
        soon(self._check if button == "check" else self._save)  # an answer may be on its way

    def _check(self) -> None:
        """Grade once: what is saved is what was given before the explanations were read."""
        if self._test is None or self._result is not None:
            tell(self.said, None, "These answers are graded. Save them, or draw the questions of another attempt.")
            return
        waiting = [str(number) for number, field in enumerate(self.fields, start=1) if not field.is_answered]
        if waiting:
            tell(self.said, None, f"Not answered yet, or not to be read: question {', '.join(waiting)}.")
            return
        self._result = grade(self._test, [field.given for field in self.fields], datetime.now(UTC))
        for field in self.fields:
            field.check()
        right, of = self._result.right, len(self.fields)
        tell(self.said, right == of, f"{right} of {of} right.")

    def _save(self) -> None:
        if self._result is None:
            tell(self.said, None, "Check your answers first.")
            return
        try:
            path = save_result(self._result, self._results)
        except (LessonError, OSError) as refusal:
            tell(self.said, None, str(refusal))
            return
        tell(self.said, True, f"Saved as {path}. Give this file to your trainer.")
