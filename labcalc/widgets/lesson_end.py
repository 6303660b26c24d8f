"""The test at the end of a lesson: drawn by name, checked, saved for the trainer."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import ipywidgets as widgets

from labcalc.errors import LessonError
from labcalc.lessons import LessonResult, LessonTest, draw_test, grade, save_result
from labcalc.widgets.controls import Status
from labcalc.widgets.lesson_fields import AnswerField, tell

__all__ = ["ClosingTest"]

_WIDE = {"description_width": "initial"}


class ClosingTest:
    """The panel in which a learner draws, answers and saves the test of a lesson."""

    def __init__(self, lesson: str, learner: str, results: str) -> None:
        self._lesson, self._results = lesson, results
        self._name = widgets.Text(value=learner, description="Your name", style=_WIDE)
        self._attempt = widgets.BoundedIntText(value=1, min=1, max=99, description="Attempt", style=_WIDE)
        self._questions, self._said = widgets.VBox(), Status()
        self._check = _button("Check my answers", self._check_all)
        self._save = _button("Save my result", self._save_result)
        self._test: LessonTest | None = None
        self._fields: list[AnswerField] = []
        self._result: LessonResult | None = None
        self._check.disabled = self._save.disabled = True
        draw = _button("Draw my questions", self._draw)
        head = widgets.HBox([self._name, self._attempt, draw], layout=widgets.Layout(flex_flow="row wrap"))
        self.box = widgets.VBox([head, self._questions, widgets.HBox([self._check, self._save]), self._said])

    def _draw(self, _: object) -> None:
        try:
            self._test = draw_test(self._lesson, self._name.value, self._attempt.value)
        except LessonError as refusal:
            self._say(None, str(refusal))
            return
        self._fields = [
            AnswerField(question, f"Question {number}") for number, question in enumerate(self._test.questions, start=1)
        ]
        self._questions.children = tuple(field.box for field in self._fields)
        self._check.disabled, self._save.disabled, self._result, self._said.text = False, True, None, ""

    def _check_all(self, _: object) -> None:
        """Grade once: what is saved is what was given before the explanations were read."""
        if self._test is None:
            return
        open_ones = [str(number) for number, field in enumerate(self._fields, start=1) if not field.is_answered]
        if open_ones:
            self._say(None, f"Not answered yet, or not to be read: question {', '.join(open_ones)}.")
            return
        self._result = grade(self._test, [field.given for field in self._fields], datetime.now(UTC))
        for field in self._fields:
            field.check()
            field.control.disabled = True
        self._check.disabled, self._save.disabled = True, False
        self._say(self._result.right == len(self._fields), f"{self._result.right} of {len(self._fields)} right.")

    def _save_result(self, _: object) -> None:
        if self._result is None:
            return
        try:
            path = save_result(self._result, Path(self._results))
        except (LessonError, OSError) as refusal:
            self._say(None, str(refusal))
            return
        self._save.disabled = True
        self._say(True, f"Saved as {path}. Give this file to your trainer.")

    def _say(self, right: bool | None, words: str) -> None:
        tell(self._said, right, words)


def _button(word: str, act: Any) -> Any:
    button = widgets.Button(description=word, layout=widgets.Layout(width="max-content"))
    button.on_click(act)
    return button
