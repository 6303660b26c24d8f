"""The controls of a lesson: a field for an answer, a picture beneath a slider, what is said to an answer."""

import asyncio
from collections.abc import Callable
from html import escape
from typing import Any

import ipywidgets

from labcalc.errors import LessonError
from labcalc.figures.lessons import draw_plot, show_example, tell_picture
from labcalc.figures.markup import Fragment, note
from labcalc.lessons import Agreement, Choice, Journal, NumberQuestion, Plot, Question, plot_draws
from labcalc.widgets.controls import Fit, Form, Slider, bare_layout, button as button_named

_PAUSE_S = 0.03  # how long something waits for messages that are on their way, [s]

_TRIES = 2  # wrong answers until the solution is told, [-]
_DRAWS = (1, 10, 100, 100_000)  # simulated cases that are drawn, one button each, [-]


class AnswerField:
    """The control in which a question is answered: a first wrong answer gets a hint, a second one the solution.

    question : What is asked.
    heading : Word before it.
    journal : Where the answers are kept, so that they come back.
    button : Word on its button; none: the field has none, and is checked from outside.
    then : Called once, when the question is done, by a right answer or the solution.
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
        self.question = question
        self._then, self._journal, self._key, self._alone = then, journal, key or question.name, bool(button)
        asked = f"{heading}. {question.text}"
        choices = [option.text for option in question.options] if isinstance(question, Choice) else []
        unit = f"Answer in {question.unit}" if question.unit else "Answer"
        label, kind = (asked, "radio") if choices else (unit, "text")
        field = {"key": "answer", "label": label, "kind": kind, "hint": ""}
        buttons = [button_named("check", button, "")] if button else []
        told = "" if choices else f"<p>{escape(asked)}</p>"
        self.form = Form([field], buttons, lambda *_: self.check(), {"answer": choices} if choices else None, told)
        self._wrong: list[str] = []
        self._tries = 1 if at_once else _TRIES
        if before := self._journal.given(self._key):
            self.answer(before[-1])
            self._wrong = before[:-1]
            if self._alone:
                self.check()
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

    def _changed(self, _: object) -> None:
        if self._alone:
            self.check()
        elif self.given:
            self._journal.keep(self._key, [self.given])

    def check(self) -> bool | None:
        """Check the answer and say what is to be said; None where there is nothing to check."""
        try:
            found = self.question.check(self.given) if self.given else None
        except LessonError as refusal:
            tell(self.form, None, str(refusal))
            return None
        if found is None:
            tell(self.form, None, "Nothing is entered yet.")
            return None
        if not found.right and self.given not in self._wrong:
            self._wrong.append(self.given)
        if self._alone:
            self._journal.keep(self._key, [*(one for one in self._wrong if one != self.given), self.given])
        done = found.right or len(self._wrong) >= self._tries
        tell(self.form, found.right, found.words if done else f"{found.hint} Try once more.")
        if done and self._then is not None:
            show_it, self._then = self._then, None
            show_it()
        return found.right

    def answer(self, text: str) -> None:
        """Give an answer, as a person does with the control."""
        self.form.show(answer=text)


def tell(form: Form, right: bool | None, words: str) -> None:
    """Say something to an answer, with a sign in front: right, not right, or nothing to check."""
    sign, kind = {True: ("✓", "good"), False: ("✗", "bad"), None: ("?", "")}[right]
    form.say(f"{sign} {words}", kind)


def framed(*children: Any) -> Any:
    """Return controls in the look of the house."""
    box = ipywidgets.VBox(children, layout=bare_layout())
    box.add_class("labcalc-page")
    box.add_class("labcalc-lesson")
    return box


def text(words: Fragment) -> Fit:
    """Return words as a control."""
    return Fit(told=words.html)


def greeted(words: str) -> Any:
    """Return a sentence at the top of a lesson, which is where the lesson is to be seen from."""
    return framed(Fit(told=f"<p>{escape(words)}</p>", top=True))


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
        room = framed(text(note("Shown when the question above is answered.")))
        self._waiting.append(lambda: setattr(room, "children", (make(),)))
        return room


def asked(
    question: Question,
    heading: str,
    journal: Journal,
    then: Callable[[], Any] | None = None,
    answered: Answered | None = None,
    button: str = "Check",
) -> Any:
    """Return a question that checks itself, and beneath it what ``then`` returns, made once it is done.

    answered : What waits for the answer too.
    button : Word on its button; another than the usual one asks for a prediction, which the first answer ends.
    """
    box = framed()

    def show_it() -> None:
        if then is not None:
            box.children = (*box.children, then())
        if answered is not None:
            answered.come()

    field = AnswerField(question, heading, journal, button, show_it, at_once=button != "Check")
    box.children = (field.form, *box.children)
    return box


def predicted(question: Question, then: Callable[[], Plot], journal: Journal, answered: Answered | None = None) -> Any:
    """Return a question, and beneath it the picture that is shown once it is answered."""
    return asked(question, "Predict", journal, lambda: Shown(then()).box, answered, "Show what happens")


def worked(examples: list[tuple[str, tuple[NumberQuestion, ...], int]], journal: Journal) -> Any:
    """Return worked examples, each with fewer steps shown than the one before; the next comes when one is done."""
    box = framed()

    def add(number: int) -> None:
        if number >= len(examples):
            return
        about, steps, shown = examples[number]
        waiting = {"", *(step.name for step in steps[shown:])}

        def finish(name: str) -> None:
            waiting.discard(name)
            if not waiting:
                add(number + 1)

        def field(step: NumberQuestion) -> Form:
            key = f"example {number + 1}, {step.name}"
            return AnswerField(step, step.name.capitalize(), journal, "Check", lambda: finish(step.name), key).form

        fields = [field(step) for step in steps[shown:]]  # some may be done, by answers that come back
        box.children = (*box.children, text(show_example(number, about, steps[:shown], shown)), *fields)
        finish("")

    add(0)
    return box


class Shown:
    """A picture with its caption and its numbers beneath it, which another can take the place of.

    plot : What is drawn at first; none: nothing.
    controls : What stands above it.
    """

    def __init__(self, plot: Plot | None = None, *controls: Any) -> None:
        self._drawn, self._told = ipywidgets.Output(layout=bare_layout()), Fit()
        self.box = framed(*controls, self._drawn, self._told)
        if plot is not None:
            self.draw(plot)

    def draw(self, plot: Plot) -> None:
        """Draw it in place of the one before."""
        picture = draw_plot(plot)
        data, metadata = picture._repr_mimebundle_()
        self._drawn.outputs = ({"output_type": "display_data", "data": data, "metadata": metadata},)
        with self._told.hold_sync():
            self._told.told, self._told.caption = tell_picture(picture).html, picture.caption


def drawing(claim: Agreement) -> Any:
    """Return a claim of which one case is drawn, ten, a hundred, or all."""
    numbers = [*dict.fromkeys(min(one, claim.number) for one in _DRAWS)]
    buttons = [button_named(str(one), f"Draw {one:,}".replace(",", " "), "") for one in numbers]
    shown = Shown(None, Form((), buttons, lambda pressed, _: shown.draw(plot_draws(claim, int(pressed)))))
    return shown.box


def sliding(draw: Callable[[float], Plot], slider: Slider) -> Any:
    """Return a picture that follows a slider; of values that come faster than it can be drawn, the last one counts."""
    shown, waiting = Shown(draw(slider.value), slider), list[float]()

    def follow() -> None:
        value = waiting[-1]
        waiting.clear()
        shown.draw(draw(value))

    def moved(change: Any) -> None:
        waiting.append(float(change["new"]))
        if len(waiting) == 1:
            soon(follow)

    slider.observe(moved, names="value")
    return shown.box


def soon(act: Callable[[], None]) -> None:
    """Do something once the messages that wait have been taken; at once where there is no kernel."""
    try:
        loop = asyncio.get_running_loop()
    except RuntimeError:
        act()
    else:
        loop.call_later(_PAUSE_S, act)
