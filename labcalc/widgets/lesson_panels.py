"""The panels of a lesson: a question, a prediction, a picture with a slider, the test at the end.

With a person at the keyboard they are controls; where a page is rendered, the same calls give the picture and the
questions as they stand on paper, and no control is loaded.
"""

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

from IPython import get_ipython
from IPython.display import HTML, display
from numpy.random import Generator

from labcalc import lessons
from labcalc.errors import LessonError
from labcalc.figures import lessons as pictures
from labcalc.figures.lessons import draw_plot
from labcalc.figures.markup import Fragment, note
from labcalc.judgement import gather_record
from labcalc.lessons.results import file_words

_ROUNDS = 3  # worked examples of a lesson, each with one step fewer shown, [-]
_COMMA = re.compile(r"^(\s*\w+\s*=\s*[+-]?\d+),(\d+)(\s*(?:#.*)?)$")


def point_for_comma(lines: list[str]) -> list[str]:
    """Read a cell's ``r = 0,31`` as the number that was meant."""
    return [_COMMA.sub(r"\1.\2\3", line) for line in lines]


class LessonPanels:
    """What a lesson shows, for a person at the keyboard or on paper.

    lesson : Name of the lesson.
    learner : Draws data and questions where nobody is at the keyboard; else the name that was said first counts.
    results : Folder for the results of the class, unless the learner's course names one.
    controls : Whether a person is at the keyboard.
    """

    def __init__(self, lesson: str, learner: str, results: str, controls: bool) -> None:
        self.lesson, self.learner, self._results = lesson, learner, results
        self._asked: dict[str, lessons.Question] = {}
        self._told: dict[str, Any] = {}  # on paper, what comes with the answer to a question: it would tell it
        self._answered: Any = None  # what waits for the answer to the prediction asked last
        self._screen: Any = None  # what makes controls; none on paper, where they aren't loaded
        if controls:
            from labcalc.widgets import controls as house, lesson_fields

            self._screen = lesson_fields
            display(HTML(house.STYLE))  # type: ignore[no-untyped-call]
            self._meet()

    def _meet(self) -> None:
        """Ask for the learner's name, once for the course; the cells below wait for it."""
        kept = lessons.kept_learner(".")
        if kept is None:
            name = ""
            while not name.strip():
                name = input("Your name (it draws your data and your questions): ")
            kept = lessons.Learner(" ".join(name.split()), self._results)
            lessons.keep_learner(".", kept)
        self.learner, self._results = kept.name, kept.results
        told = f"This is the course of {self.learner}. Results go to {self._results}. Others begin one of their own: "
        told += "labcalc workbook lessons --learner NAME"
        display(self._screen.greeted(told))  # type: ignore[no-untyped-call]
        if (shell := get_ipython()) is not None and point_for_comma not in shell.input_transformers_cleanup:
            shell.input_transformers_cleanup.append(point_for_comma)

    @property
    def _journal(self) -> lessons.Journal:
        return lessons.Journal(Path(f"answers_{self.lesson}_{file_words(self.learner)}.json"))

    def chance(self, stream: int = 0) -> Generator:
        """Return the source of chance of the learner's own data, one for each stream."""
        return lessons.chance_of(self.lesson, self.learner, stream)

    def question(self, name: str, **given: object) -> lessons.Question:
        """Return a question of the lesson's text; ``given`` are the numbers that it speaks of."""
        self._asked[name] = lessons.ask(self.lesson, name, self.learner, **given)
        return self._asked[name]

    def answer(self, name: str) -> Fragment:
        """Return the answer to a question that was asked, after what it tells; a word where it couldn't be asked."""
        if name in self._told:
            display(self._told[name])  # type: ignore[no-untyped-call]
        return pictures.show_answer(self._asked[name]) if name in self._asked else note("It wasn't asked.")

    def show(self, plot: lessons.Plot) -> Any:
        """Show a picture with its caption."""
        return self._screen.Shown(plot).box if self._screen else draw_plot(plot)

    def ask(
        self, name: str, heading: str = "Question", then: Callable[[], Fragment] | None = None, **given: object
    ) -> Any:
        """Show a question that checks itself, and what ``then`` returns after it; on paper with the answer."""
        question = self.question(name, **given)
        if self._screen:
            return self._screen.asked(question, heading, self._journal, then and (lambda: self._screen.text(then())))
        if then is not None:
            self._told[name] = then()
        return pictures.show_question(question, heading)

    def predict(self, name: str, reveal: Callable[[], lessons.Plot], **given: object) -> Any:
        """Ask for a prediction, and show what ``reveal`` returns only after it; on paper with the answer."""
        question = self.question(name, **given)
        if self._screen:
            self._answered = self._screen.Answered()
            return self._screen.predicted(question, reveal, self._journal, self._answered)
        self._told[name] = draw_plot(reveal())
        return pictures.show_question(question, "Predict")

    def work(self) -> Any:
        """Show the worked example three times: all steps, one fewer, two fewer."""
        examples = [lessons.worked_example(self.lesson, self.learner, number) for number in range(_ROUNDS)]
        if self._screen:
            return self._screen.worked(examples, self._journal)
        pages = [pictures.show_example(number, *one) for number, one in enumerate(examples)]
        return Fragment("".join(page.html for page in pages), "\n".join(page.text for page in pages))

    def draw(self, claim: lessons.Agreement) -> Any:
        """Let one case of a simulated claim be drawn, ten, a hundred, all; on paper all."""
        return self._screen.drawing(claim) if self._screen else draw_plot(lessons.plot_draws(claim, claim.number))

    def own(self, lab: str) -> Any:
        """Ask the last question of a lesson, about the learner's own record.

        lab : The laboratory's lab.toml; empty: the sample laboratory.
        """
        material = gather_record(lab or None)
        if lacks := lessons.draft_named(self.lesson, "own").lacks(material=material):
            return note(f"Your record can't be asked yet: {lacks}.")
        return self.ask("own", "Your own laboratory", material=material)

    def slide(
        self,
        draw: Callable[[float], lessons.Plot],
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
        """Show a picture that changes with a slider; on paper the picture of ``start``.

        on_paper : Whether it stands alone; else it belongs to the prediction above: on paper a word about it, on the
            screen it is shown when that is answered.
        """
        if not self._screen:
            return draw_plot(draw(start)) if on_paper else note(f"On the screen a slider moves it: {name.lower()}.")
        where = {"value": start, "lowest": lowest, "highest": highest, "step": step}
        slider = self._screen.Slider(name=name, unit=unit, decimals=decimals, **where)
        if on_paper or self._answered is None:
            return self._screen.sliding(draw, slider)
        return self._answered.shown(lambda: self._screen.sliding(draw, slider))

    def check(self, name: str, value: object, **given: object) -> Fragment:
        """Check a value that a cell computed; ``...`` is one not entered yet, ``(0, 31)`` one with a decimal comma."""
        question = self.question(name, **given)
        if value is ...:
            paper = "" if self._screen else f" On paper: ____________ {question.unit}".rstrip()
            todo = f"{question.text} Replace the dots above, then run both cells again.{paper}"
            return pictures.show_feedback(None, todo)
        match value:
            case (int() as whole, int() as part):
                words = f"{whole}.{part}"
            case int() | float():
                words = f"{value:.10g}"
            case _:
                words = str(value)
        try:
            found = question.check(words)
        except LessonError as refusal:
            return pictures.show_feedback(None, str(refusal))
        return pictures.show_feedback(found.right, found.words)

    def test(self) -> Any:
        """Show the test of the lesson; a result is saved in the folder of the class."""
        if not self._screen:
            return pictures.show_test(lessons.draw_test(self.lesson, self.learner))
        from labcalc.widgets.lesson_end import ClosingTest

        return ClosingTest(self.lesson, self.learner, self._results, self._journal).box

    def test_answers(self) -> Fragment:
        """Show the answers to the test, for the trainer."""
        return pictures.show_test_answers(lessons.draw_test(self.lesson, self.learner))
