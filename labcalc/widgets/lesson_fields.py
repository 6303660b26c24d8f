"""The controls of a lesson: a field for an answer, a picture beneath a slider, what is said to an answer."""

import asyncio
from collections.abc import Callable
from html import escape
from typing import Any

import ipywidgets

from labcalc.errors import LessonError
from labcalc.figures import Picture
from labcalc.figures.lessons import draw_plot, tell_picture
from labcalc.figures.markup import Fragment
from labcalc.lessons import Agreement, Choice, Journal, NumberQuestion, Plot, Question, plot_draws
from labcalc.widgets.controls import Fit, Form, Slider, Status

_PAUSE_S = 0.03  # how long something waits for messages that are on their way, [s]

_TRIES = 2
"""Wrong answers until the solution is told, [-]."""

_DRAWS = (1, 10, 100, 100_000)
"""Simulated cases that are drawn, one button each, [-]."""


class AnswerField:
    """The control in which a question is answered: a first wrong answer gets a hint, a second one the solution.

    question : What is asked.
    heading : Word before it.
    journal : Where the answers are kept, so that they come back.
    button : Word on its button; none: the field has none, and is checked from outside.
    then : Called when the question is done, by a right answer or the solution.
    key : Under which the answers are kept; none: the question's name.
    at_once : The first answer ends it: what is shown then tells the rest.
    """

    def __init__(
        self,
        question: Question,
        heading: str,
        journal: Journal,
        button: str = "",
        then: Callable[[], None] | None = None,
        key: str = "",
        at_once: bool = False,
    ) -> None:
        self.question, self.said = question, Status()
        self._then, self._journal, self._key, self._alone = then, journal, key or question.name, bool(button)
        asked = f"{heading}. {question.text}"
        choices = [option.text for option in question.options] if isinstance(question, Choice) else []
        unit = f"Answer in {question.unit}" if question.unit else "Answer"
        field = {
            "key": "answer",
            "label": asked if choices else unit,
            "kind": "radio" if choices else "text",
            "hint": "",
        }
        buttons = [{"key": "check", "label": button, "hint": ""}] if button else []
        self.form = Form([field], buttons, self._pressed, {"answer": choices} if choices else None)
        told = [] if choices else [ipywidgets.HTML(f"<p>{escape(asked)}</p>")]
        self.box = ipywidgets.VBox([*told, self.form, self.said])
        self._wrong: list[str] = []
        self._tries = 1 if at_once else _TRIES
        self._come_back()
        if not choices or not self._alone:
            self.form.observe(self._changed, "values")  # by Enter, or when the field is left

    @property
    def given(self) -> str:
        """What was given; empty where nothing was."""
        return str(self.form.values.get("answer") or "").strip()

    @property
    def is_answered(self) -> bool:
        """Whether something was given that can be checked."""
        try:
            return bool(self.given) and self.question.check(self.given) is not None
        except LessonError:
            return False

    def _come_back(self) -> None:
        before = self._journal.given(self._key)
        if before:
            self.answer(before[-1])
            self._wrong = before[:-1]
            if self._alone:
                self.check()

    def _changed(self, _: object) -> None:
        if self._alone:
            self.check()
        elif self.given:
            self._journal.keep(self._key, [self.given])

    def _pressed(self, _: str, __: dict[str, str]) -> None:
        self.check()

    def check(self) -> bool | None:
        """Check the answer and say what is to be said; None where there is nothing to check."""
        try:
            found = self.question.check(self.given) if self.given else None
        except LessonError as refusal:
            tell(self.said, None, str(refusal))
            return None
        if found is None:
            tell(self.said, None, "Nothing is entered yet.")
            return None
        if not found.right and self.given not in self._wrong:
            self._wrong.append(self.given)
        if self._alone:
            self._journal.keep(self._key, [*(one for one in self._wrong if one != self.given), self.given])
        done = found.right or len(self._wrong) >= self._tries
        tell(self.said, found.right, found.words if done else f"{found.hint} Try once more.")
        if done and self._then is not None:
            self._then()
        return found.right

    def answer(self, text: str) -> None:
        """Give an answer, as a person does with the control."""
        self.form.show(answer=text)


def tell(status: Status, right: bool | None, words: str) -> None:
    """Say something to an answer, with a sign in front: right, not right, or nothing to check."""
    sign, kind = {True: ("✓", "good"), False: ("✗", "bad"), None: ("?", "")}[right]
    status.kind, status.text = kind, f"{sign} {words}"


def framed(*children: Any, caption: str = "", top: bool = False) -> Any:
    """Return controls in the look of the house; keys that are pressed in them stay in them."""
    box = ipywidgets.VBox([*children, Fit(caption=caption, top=top)])
    box.add_class("labcalc-page")
    box.add_class("labcalc-lesson")
    return box


def greeted(words: str) -> Any:
    """Return a sentence at the top of a lesson, which is where the lesson is to be seen from."""
    return framed(ipywidgets.HTML(f"<p>{escape(words)}</p>"), top=True)


def asked(question: Question, heading: str, journal: Journal, then: Callable[[], Fragment] | None = None) -> Any:
    """Return a question that checks itself, and room beneath it for what is shown once it is done."""
    return _with_room(question, heading, journal, "Check", then and (lambda: ipywidgets.HTML(then().html)))


class Answered:
    """What waits for an answer, and is shown with it."""

    def __init__(self) -> None:
        self._waiting: list[Callable[[], None]] | None = []

    def come(self) -> None:
        """Show what has waited; what comes later is shown at once."""
        waiting, self._waiting = self._waiting or [], None
        for show in waiting:
            show()

    def shown(self, make: Callable[[], Any]) -> Any:
        """Return what ``make`` makes, or room for it until the answer comes."""
        if self._waiting is None:
            return make()
        room = ipywidgets.VBox([ipywidgets.HTML("<p class='note'>Shown when the question above is answered.</p>")])
        self._waiting.append(lambda: setattr(room, "children", (make(),)))
        return framed(room)


def predicted(
    question: Question, reveal: Callable[[], Plot], journal: Journal, answered: Answered | None = None
) -> Any:
    """Return a question, and room beneath it for the picture that is shown once it is answered."""
    return _with_room(
        question, "Predict", journal, "Show what happens", lambda: pictured(draw_plot(reveal())), answered
    )


def _with_room(
    question: Question,
    heading: str,
    journal: Journal,
    button: str,
    reveal: Callable[[], Any] | None,
    answered: Answered | None = None,
) -> Any:
    after = ipywidgets.VBox()

    def show_it() -> None:
        if reveal is not None and not after.children:
            after.children = (reveal(),)
        if answered is not None:
            answered.come()

    return framed(AnswerField(question, heading, journal, button, show_it, at_once=button != "Check").box, after)


def worked(
    examples: list[tuple[str, tuple[NumberQuestion, ...], int]], show: Callable[..., str], journal: Journal
) -> Any:
    """Return worked examples, each with fewer steps shown than the one before; the next comes when one is done."""
    box = ipywidgets.VBox()

    def add(number: int) -> None:
        if number >= len(examples) or len(box.children) > number:
            return
        text, steps, shown = examples[number]
        done: set[str] = set()

        def finish(name: str) -> None:
            done.add(name)
            if len(done) == len(steps) - shown:
                add(number + 1)

        told = ipywidgets.HTML(show(number, text, steps[:shown]))
        one = ipywidgets.VBox([told])
        box.children = (*box.children, one)
        for step in steps[shown:]:
            key = f"example {number + 1}, {step.name}"
            field = AnswerField(step, step.name.capitalize(), journal, "Check", lambda key=key: finish(key), key)  # type: ignore[misc]
            one.children = (*one.children, field.box)
        if shown == len(steps):
            add(number + 1)

    add(0)
    return framed(box)


def pictured(picture: Picture) -> Any:
    """Return a picture with its caption and its numbers beneath it."""
    drawn, told = ipywidgets.Output(), ipywidgets.HTML()
    _draw_in(drawn, told, picture)
    return framed(drawn, told, caption=picture.caption)


def _draw_in(drawn: Any, told: Any, picture: Picture) -> None:
    data, metadata = picture._repr_mimebundle_()
    drawn.outputs = ({"output_type": "display_data", "data": data, "metadata": metadata},)
    told.value = tell_picture(picture).html


def drawing(claim: Agreement) -> Any:
    """Return a claim of which one case is drawn, ten, a hundred, or all."""
    drawn, told = ipywidgets.Output(), ipywidgets.HTML()
    numbers = [*dict.fromkeys(min(one, claim.number) for one in _DRAWS)]
    buttons = [{"key": str(one), "label": f"Draw {one:,}".replace(",", " "), "hint": ""} for one in numbers]
    form = Form([], buttons, lambda pressed, _: _draw_in(drawn, told, draw_plot(plot_draws(claim, int(pressed)))))
    return framed(form, drawn, told, caption=claim.what)


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
