"""The controls of a lesson: a field for an answer, a picture beneath a slider, what is said to an answer."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

import ipywidgets as widgets

from labcalc.errors import LessonError
from labcalc.figures import Picture
from labcalc.figures.lessons import draw_plot, show_question, tell_picture
from labcalc.lessons import Choice, Plot, Question
from labcalc.widgets.controls import Slider, Status

__all__ = ["AnswerField", "asked", "pictured", "predicted", "sliding", "tell"]

_WIDE = {"description_width": "initial"}


class AnswerField:
    """The control in which a question is answered, with its text above and what is said to the answer beneath."""

    def __init__(self, question: Question, heading: str) -> None:
        self.question = question
        self.control, self._said = _control(question), Status()
        self.box = widgets.VBox([widgets.HTML(_question_text(question, heading)), self.control, self._said])

    @property
    def given(self) -> str:
        """What was given; empty where nothing was."""
        return str(self.control.value or "").strip()

    @property
    def is_answered(self) -> bool:
        """Whether something was given that can be checked."""
        try:
            return bool(self.given) and self.question.check(self.given) is not None
        except LessonError:
            return False

    def check(self) -> bool | None:
        """Check the answer and say what is to be said; None where there is nothing to check."""
        try:
            found = self.question.check(self.given) if self.given else None
        except LessonError as refusal:
            self._say(None, str(refusal))
            return None
        if found is None:
            self._say(None, "Nothing is entered yet.")
            return None
        self._say(found.right, found.words)
        return found.right

    def _say(self, right: bool | None, words: str) -> None:
        tell(self._said, right, words)


def tell(status: Status, right: bool | None, words: str) -> None:
    """Say something to an answer, with a sign in front: right, not right, or nothing to check."""
    sign, kind = {True: ("✓", "good"), False: ("✗", "bad"), None: ("?", "")}[right]
    status.kind, status.text = kind, f"{sign} {words}"


def _question_text(question: Question, heading: str) -> str:
    """Return heading and text of a question as HTML."""
    return show_question(question, heading).html.partition("</p>")[0] + "</p>"


def _control(question: Question) -> Any:
    wide = widgets.Layout(width="auto", max_width="46rem")
    if isinstance(question, Choice):
        texts = [option.text for option in question.options]
        return widgets.RadioButtons(options=texts, value=None, description="Answer", layout=wide, style=_WIDE)
    named = f"Answer in {question.unit}" if question.unit else "Answer"
    return widgets.Text(description=named, style=_WIDE, layout=widgets.Layout(width="18rem"), continuous_update=True)


def _checked(field: AnswerField, word: str, then: Callable[[], None] | None = None) -> Any:
    """Put a button beneath a field; Enter in a text does the same."""

    def check(_: object) -> None:
        if field.check() is not None and then is not None:
            then()

    button = widgets.Button(description=word, layout=widgets.Layout(width="max-content"))
    button.on_click(check)
    if isinstance(field.control, widgets.Text):
        field.control.on_submit(check)
    text, control, said = field.box.children
    return widgets.VBox([text, control, button, said])


def pictured(picture: Picture) -> Any:
    drawn, told = widgets.Output(), widgets.HTML(tell_picture(picture).html)
    _draw_in(drawn, told, picture)
    return widgets.VBox([drawn, told])


def _draw_in(drawn: Any, told: Any, picture: Picture) -> None:
    data, metadata = picture._repr_mimebundle_()
    drawn.outputs = ({"output_type": "display_data", "data": data, "metadata": metadata},)
    told.value = tell_picture(picture).html


def asked(question: Question, heading: str) -> Any:
    """Return a question that checks itself."""
    return _checked(AnswerField(question, heading), "Check")


def predicted(question: Question, reveal: Callable[[], Plot]) -> Any:
    """Return a question, and room beneath it for what is shown once it is answered."""
    after = widgets.VBox()

    def show_it() -> None:
        if not after.children:
            after.children = (pictured(draw_plot(reveal())),)

    return widgets.VBox([_checked(AnswerField(question, "Predict"), "Show what happens", show_it), after])


def sliding(draw: Callable[[float], Plot], slider: Slider) -> Any:
    """Return a picture that follows a slider."""
    drawn, told = widgets.Output(), widgets.HTML()
    follow = partial(_draw_in, drawn, told)
    slider.observe(lambda change: follow(draw_plot(draw(change["new"]))), names="value")
    follow(draw_plot(draw(slider.value)))
    return widgets.VBox([slider, drawn, told])
