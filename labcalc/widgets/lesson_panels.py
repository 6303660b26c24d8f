"""The panels of a lesson: a question, a prediction, a picture with a slider, the test at the end.

With a person at the keyboard they are controls; where a page is rendered, the same calls give the picture and the
questions as they stand on paper, and no control is loaded.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from IPython.display import HTML, display

from labcalc.errors import LessonError
from labcalc.figures.lessons import draw_plot, show_feedback, show_question, show_test
from labcalc.figures.markup import Fragment, note
from labcalc.lessons import Plot, Question, draw_test

_STYLE = Path(__file__).parent / "page.css"


class LessonPanels:
    """What a lesson shows, for a person at the keyboard or on paper.

    controls : Whether a person is at the keyboard.
    """

    def __init__(self, controls: bool) -> None:
        self._controls = controls
        if controls:
            style = f"<style>{_STYLE.read_text('utf-8')}</style>"
            display(HTML(style))  # type: ignore[no-untyped-call]

    def show(self, plot: Plot) -> Any:
        """Show a picture with its caption."""
        picture = draw_plot(plot)
        if not self._controls:
            return picture
        from labcalc.widgets.lesson_fields import pictured

        return pictured(picture)

    def ask(self, question: Question, heading: str = "Question") -> Any:
        """Show a question that checks itself."""
        if not self._controls:
            return show_question(question, heading)
        from labcalc.widgets.lesson_fields import asked

        return asked(question, heading)

    def predict(self, question: Question, reveal: Callable[[], Plot]) -> Any:
        """Ask for a prediction, and show what ``reveal`` returns only after it; on paper beneath it."""
        if not self._controls:
            display(show_question(question, "Predict"))  # type: ignore[no-untyped-call]
            return draw_plot(reveal())
        from labcalc.widgets.lesson_fields import predicted

        return predicted(question, reveal)

    def slide(
        self,
        draw: Callable[[float], Plot],
        name: str,
        *,
        lowest: float,
        highest: float,
        step: float,
        start: float,
        unit: str = "",
        decimals: int = 0,
        on_paper: bool = True,
    ) -> Any:
        """Show a picture that changes with a slider; on paper the picture of ``start``, or only a word about it."""
        if not self._controls:
            return draw_plot(draw(start)) if on_paper else note(f"On the screen a slider moves it: {name.lower()}.")
        from labcalc.widgets.controls import Slider
        from labcalc.widgets.lesson_fields import sliding

        where = {"value": start, "lowest": lowest, "highest": highest, "step": step}
        return sliding(draw, Slider(name=name, unit=unit, decimals=decimals, **where))

    def check(self, question: Question, value: object) -> Fragment:
        """Check a value that a cell computed; ``...`` is one not entered yet."""
        if value is ...:
            return show_feedback(None, f"{question.text} Replace the dots above, then run both cells again.")
        try:
            found = question.check(f"{value:.10g}" if isinstance(value, (int, float)) else str(value))
        except LessonError as refusal:
            return show_feedback(None, str(refusal))
        return show_feedback(found.right, found.words)

    def closing_test(self, lesson: str, learner: str, results: str) -> Any:
        """Show the test of a lesson; a result is saved in the folder ``results``."""
        if not self._controls:
            return show_test(draw_test(lesson, learner))
        from labcalc.widgets.lesson_end import ClosingTest

        return ClosingTest(lesson, learner, results).box
