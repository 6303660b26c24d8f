"""Questions that check themselves: a number with a tolerance, or a choice; each answer is explained, right or wrong."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from numpy.random import Generator

from labcalc.errors import LessonError
from labcalc.wording import numeral

_NUMBER = re.compile(r"([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?)\s*(.*)", re.S)

_SLIP_WIDTH = 0.02
"""How near an answer has to lie to what a known mistake gives, relative to it."""


@dataclass(frozen=True)
class Feedback:
    """What an answer is told."""

    right: bool
    words: str


@dataclass(frozen=True)
class Slip:
    """A number that a known mistake gives, and what to say to it."""

    value: float
    words: str


@dataclass(frozen=True)
class NumberQuestion:
    """A question whose answer is a number, right within ``tolerance`` on either side."""

    name: str
    text: str
    answer: float
    unit: str
    tolerance: float
    decimals: int
    """Decimals with which the answer is written."""
    explanation: str
    slips: tuple[Slip, ...] = ()

    @property
    def answer_text(self) -> str:
        """The answer with its unit, such as ``0.31 mm²/s``."""
        return _with_unit(numeral(self.answer, self.decimals), self.unit)

    def check(self, given: str) -> Feedback:
        """Check a typed number.

        Raises
        ------
        LessonError : The text is no number, or bears another unit.
        """
        value = number_from(given, self.unit)
        if abs(value - self.answer) <= self.tolerance * (1.0 + 1e-9):
            return Feedback(True, f"Right: {self.answer_text}. {self.explanation}")
        near = [slip for slip in self.slips if abs(value - slip.value) <= _SLIP_WIDTH * abs(slip.value)]
        hint = f"{near[0].words} " if near else ""
        return Feedback(False, f"Not {given.strip()}: {hint}It is {self.answer_text}. {self.explanation}")


@dataclass(frozen=True)
class Option:
    """One answer to choose, and what is said to who chooses it."""

    text: str
    words: str


@dataclass(frozen=True)
class Choice:
    """A question with a few answers, one of them right."""

    name: str
    text: str
    options: tuple[Option, ...]
    right: int
    """Position of the right one, from 0."""
    explanation: str

    @property
    def answer_text(self) -> str:
        """The right answer."""
        return self.options[self.right].text

    def check(self, given: str) -> Feedback:
        """Check a chosen answer, by its text.

        Raises
        ------
        LessonError : There is no such answer.
        """
        chosen = [position for position, option in enumerate(self.options) if option.text == given]
        if not chosen:
            raise LessonError("", "", f"'{given}' is none of the answers of this question")
        words = f"{self.options[chosen[0]].words} {self.explanation}".strip()
        if chosen[0] == self.right:
            return Feedback(True, f"Right. {words}")
        return Feedback(False, f"Not so. {words}")


Question = NumberQuestion | Choice


def shuffled_choice(
    generator: Generator, name: str, text: str, options: Sequence[Option], explanation: str, right: int = 0
) -> Choice:
    """Return a choice whose options stand in an order of chance; ``right`` is the place of the right one as given."""
    order = generator.permutation(len(options)).tolist()
    return Choice(name, text, tuple(options[i] for i in order), order.index(right), explanation)


def number_from(given: str, unit: str = "") -> float:
    """Return the number that a person typed, with decimal point or comma, with its unit or without.

    Raises
    ------
    LessonError : The text is no number, or bears another unit.

    Examples
    --------
    >>> number_from("0,31"), number_from(" -2.5 % ", "%")
    (0.31, -2.5)
    """
    found = _NUMBER.fullmatch(given.strip().replace("−", "-"))
    if found is None:
        raise LessonError("", "", f"'{given.strip()}' is no number; a number such as 0.25 was expected")
    if found[2] not in ("", unit):
        expected = f"in {unit}" if unit else "without a unit"
        raise LessonError("", "", f"'{given.strip()}' ends with '{found[2]}'; a number {expected} was expected")
    return float(found[1].replace(",", "."))


def _with_unit(number: str, unit: str) -> str:
    return f"{number} {unit}".rstrip()
