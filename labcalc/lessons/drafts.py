"""Questions as data: what is drawn, worked out, asked and said, read from the file that lies beside a lesson.

``[test]`` holds the pool of the closing test, ``[ask]`` what stands in the lesson, ``[worked]`` a worked example. Words
are a ``wording.Template`` with expressions in braces. Expressions know what the question draws, what its lesson's
module and the first ones define, ``math`` and ``stats`` (labcalc.statistics).
"""

from __future__ import annotations

import importlib
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.random import Generator

from labcalc import statistics
from labcalc.errors import LessonError
from labcalc.lessons import charts, repeats
from labcalc.lessons.plots import lesson_file
from labcalc.lessons.questions import Choice, NumberQuestion, Option, Question, Slip
from labcalc.wording import Template, celsius, counted, numeral, percent, signed

_FIELDS = ("text", "draw", "let", "answer", "tolerance", "data_decimals", "level", "hint", "why", "slips", "options")
_RARE = ("right", "steps", "needs")
_FAULTS = (NameError, TypeError, ValueError, ArithmeticError, SyntaxError, LookupError, AttributeError)
_KIT = {
    **vars(math),
    **vars(repeats),
    **vars(charts),
    **{one.__name__: one for one in (percent, signed, celsius, counted, numeral)},
    "stats": statistics,
}
"""What every expression knows: what the first lessons define, and the words of the house."""


@dataclass(frozen=True, eq=False)
class Draft:
    """A question before it is drawn."""

    lesson: str
    name: str
    spec: Mapping[str, Any]

    def __call__(self, generator: Generator, **given: object) -> Question:
        """Draw the question.

        generator : Source of chance.
        given : What the lesson knows and the question speaks of.
        Raises LessonError : An expression of the file can't be worked out: which field of which question.
        """
        words = _Words(self, generator, given)
        text, why = words.of("text"), words.of("why")
        if "options" in self.spec:
            return self._choice(words, generator, text, why)
        return self._number(words, "answer", text, why, *self.spec["answer"])

    def _number(
        self, words: _Words, name: str, text: str, why: str, size: str, unit: str, decimals: int
    ) -> NumberQuestion:
        answer = float(words.work(size, name))
        usual = max(0.02 * abs(answer), 0.6 * 10.0**-decimals)
        tolerance = float(words.worked("tolerance")) if "tolerance" in self.spec else usual
        given = self.spec.get("slips", {}).items()
        slips = tuple(Slip(float(words.work(one, "slips")), words.fill(said, "slips")) for one, said in given)
        data_decimals, level = self.spec.get("data_decimals", words.data_decimals), bool(self.spec.get("level", False))
        told = why, slips, data_decimals, level, words.of("hint")
        return NumberQuestion(self.name, text, answer, unit, tolerance, decimals, *told)

    def _choice(self, words: _Words, generator: Generator, text: str, why: str) -> Choice:
        options = [Option(*(words.fill(part, "options") for part in pair)) for pair in self.spec["options"].items()]
        right = int(words.worked("right")) if "right" in self.spec else 0
        order = range(len(options)) if "right" in self.spec else generator.permutation(len(options)).tolist()
        return Choice(self.name, text, tuple(options[i] for i in order), list(order).index(right), why)

    def steps(self, generator: Generator) -> tuple[str, tuple[NumberQuestion, ...]]:
        """Draw a worked example: its text, and each step as a question of its own."""
        words = _Words(self, generator, {})
        steps = [
            replace(self._number(words, "steps", words.fill(said, "steps"), "", *step), name=f"step {number}")
            for number, (said, *step) in enumerate(self.spec["steps"], start=1)
        ]
        return words.of("text"), tuple(steps)

    def lacks(self, **given: object) -> str:
        """Return what the given material lacks for this question; empty where nothing is."""
        condition, missing = self.spec.get("needs", ("True", ""))
        words = _Words(self, np.random.default_rng(0), given, defined=False)
        return "" if words.work(condition, "needs") else str(missing)


class _Words(Template):
    """The numbers of one question, and its words with them filled in."""

    def __init__(self, draft: Draft, generator: Generator, given: Mapping[str, object], defined: bool = True) -> None:
        self._draft = draft
        self._known = {**_KIT, **vars(importlib.import_module(f"labcalc.lessons.{draft.lesson}")), **given}
        self.data_decimals: int | None = None
        if defined:
            for name, what in draft.spec.get("draw", {}).items():
                self._known[name] = self._drawn(what, generator, name)
            for name, what in draft.spec.get("let", {}).items():
                self._known[name] = self.work(what, name)

    def _drawn(self, what: object, generator: Generator, name: str) -> object:
        match what:
            case [float() | int() as low, float() | int() as high, int() as decimals]:
                self.data_decimals = max(decimals, self.data_decimals or 0)
                return round(float(generator.uniform(low, high)), decimals)
            case {"one_of": [_, *_] as items}:
                return items[int(generator.integers(len(items)))]
            case {"whole": [int() as low, int() as high]}:
                return int(generator.integers(low, high + 1))
            case str():
                self._known["chance"] = generator
                return self.work(what, name)
        raise self._refusal(name, f"{what!r}: [low, high, decimals], one_of, whole or an expression was expected")

    def _refusal(self, field: str, problem: str) -> LessonError:
        return LessonError(f"{self._draft.lesson}.toml", f"{self._draft.name}: {field}", problem)

    def work(self, expression: str, field: str) -> Any:
        """Work an expression out."""
        try:
            return eval(expression, self._known)
        except _FAULTS as failure:
            raise self._refusal(field, f"'{expression}' can't be worked out: {failure}") from failure

    def worked(self, field: str) -> Any:
        """Work a field out."""
        return self.work(str(self._draft.spec[field]), field)

    def of(self, field: str) -> str:
        """Return the words of a field; empty where there is none."""
        return self.fill(self._draft.spec.get(field, ""), field)

    def fill(self, words: str, field: str) -> str:
        """Return words with their expressions worked out."""
        return self.vformat(words, (), {"": field})

    def get_field(self, field_name: str, args: Any, kwargs: Any) -> tuple[Any, str]:
        return self.work(field_name, kwargs[""]), field_name


@dataclass(frozen=True, eq=False)
class Drafts:
    """All questions of a lesson."""

    title: str
    edition: int  # goes up when a question changes: results of another edition can't be graded again
    test: tuple[Draft, ...]
    ask: Mapping[str, Draft]
    worked: Draft


@lru_cache(maxsize=16)
def drafts_of(lesson: str) -> Drafts:
    """Read the questions of a lesson.

    Raises LessonError : A field has a name that no question has.
    """
    content = lesson_file(lesson)
    test, ask = ([Draft(lesson, name, spec) for name, spec in content[part].items()] for part in ("test", "ask"))
    worked = Draft(lesson, "worked example", content["worked"])
    for one in (*test, *ask, worked):
        if unknown := sorted(set(one.spec) - {*_FIELDS, *_RARE}):
            raise LessonError(f"{lesson}.toml", f"{one.name}: {unknown[0]}", "no question has such a field")
    return Drafts(content["title"], content["edition"], tuple(test), {one.name: one for one in ask}, worked)
