"""The controls of a lesson: a field for an answer, a picture beneath a slider, what is said to an answer."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any

import ipywidgets

from labcalc.errors import LessonError
from labcalc.figures import Picture
from labcalc.figures.lessons import draw_plot, show_question, tell_picture
from labcalc.lessons import Choice, Plot, Question
from labcalc.widgets.controls import Fit, Form, Slider, Status

_PAUSE_S = 0.03  # how long something waits for messages that are on their way, [s]


class AnswerField:
    """The control in which a question is answered, with its text above and what is said to the answer beneath.

    question : What is asked.
    heading : Word before it.
    button : Word on its button; none: the field has none.
    then : Called when an answer was checked.
    """

    def __init__(
        self, question: Question, heading: str, button: str = "", then: Callable[[], None] | None = None
    ) -> None:
        self.question, self._then, self._said = question, then, Status()
        offered = [option.text for option in question.options] if isinstance(question, Choice) else []
        buttons = [{"key": "check", "label": button, "hint": ""}] if button else []
        fields = [] if offered else [{"key": "answer", "label": _label(question), "kind": "text", "hint": ""}]
        self._form = Form(fields, buttons, self._pressed)
        self._choice = ipywidgets.RadioButtons(options=offered, value=None, description="Answer") if offered else None
        if button and not offered:
            self._form.observe(lambda _: self.check(), "values")  # by Enter, or when the field is left
        told = ipywidgets.HTML(show_question(question, heading).html.partition("</p>")[0] + "</p>")
        choice = [self._choice] if self._choice else []
        self.box = ipywidgets.VBox([told, *choice, *([self._form] if fields or buttons else []), self._said])

    @property
    def given(self) -> str:
        """What was given; empty where nothing was."""
        value = self._choice.value if self._choice else self._form.values.get("answer")
        return str(value or "").strip()

    @property
    def is_answered(self) -> bool:
        """Whether something was given that can be checked."""
        try:
            return bool(self.given) and self.question.check(self.given) is not None
        except LessonError:
            return False

    def _pressed(self, _: str, __: dict[str, str]) -> None:
        self.check()

    def check(self) -> bool | None:
        """Check the answer and say what is to be said; None where there is nothing to check."""
        try:
            found = self.question.check(self.given) if self.given else None
        except LessonError as refusal:
            tell(self._said, None, str(refusal))
            return None
        if found is None:
            tell(self._said, None, "Nothing is entered yet.")
            return None
        tell(self._said, found.right, found.words)
        if self._then is not None:
            self._then()
        return found.right

    def answer(self, text: str) -> None:
        """Give an answer, as a person does with the control."""
        if self._choice:
            self._choice.value = text
        else:
            self._form.values = {"answer": text}


def tell(status: Status, right: bool | None, words: str) -> None:
    """Say something to an answer, with a sign in front: right, not right, or nothing to check."""
    sign, kind = {True: ("✓", "good"), False: ("✗", "bad"), None: ("?", "")}[right]
    status.kind, status.text = kind, f"{sign} {words}"


def _label(question: Question) -> str:
    unit = "" if isinstance(question, Choice) else question.unit
    return f"Answer in {unit}" if unit else "Answer"


def framed(*children: Any, caption: str = "") -> Any:
    """Return controls in the look of the house; keys that are pressed in them stay in them."""
    box = ipywidgets.VBox([*children, Fit(caption=caption)])
    box.add_class("labcalc-page")
    box.add_class("labcalc-lesson")
    return box


def asked(question: Question, heading: str) -> Any:
    """Return a question that checks itself."""
    return framed(AnswerField(question, heading, "Check").box)


def predicted(question: Question, reveal: Callable[[], Plot]) -> Any:
    """Return a question, and room beneath it for what is shown once it is answered."""
    after = ipywidgets.VBox()

    def show_it() -> None:
        if not after.children:
            after.children = (pictured(draw_plot(reveal())),)

    return framed(AnswerField(question, "Predict", "Show what happens", show_it).box, after)


def pictured(picture: Picture) -> Any:
    """Return a picture with its caption and its numbers beneath it."""
    drawn, told = ipywidgets.Output(), ipywidgets.HTML()
    _draw_in(drawn, told, picture)
    return framed(drawn, told, caption=picture.caption)


def _draw_in(drawn: Any, told: Any, picture: Picture) -> None:
    data, metadata = picture._repr_mimebundle_()
    drawn.outputs = ({"output_type": "display_data", "data": data, "metadata": metadata},)
    told.value = tell_picture(picture).html


def sliding(draw: Callable[[float], Plot], slider: Slider) -> Any:
    """Return a picture that follows a slider; of values that come faster than it can be drawn, the last one counts."""
    drawn, told, waiting = ipywidgets.Output(), ipywidgets.HTML(), list[float]()

    def follow() -> None:
        value = waiting[-1]
        waiting.clear()
        _draw_in(drawn, told, draw_plot(draw(value)))

    def moved(change: Any) -> None:
        waiting.append(float(change["new"]))
        if len(waiting) == 1:
            soon(follow)

    slider.observe(moved, names="value")
    waiting.append(slider.value)
    follow()
    return framed(slider, drawn, told, caption=slider.name)


def soon(act: Callable[[], None]) -> None:
    """Do something once the messages that wait have been taken; at once where there is no kernel."""
    try:
        loop = asyncio.get_running_loop()
    except RuntimeError:
        act()
    else:
        loop.call_later(_PAUSE_S, act)
