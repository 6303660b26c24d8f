"""Questions that check themselves: a number with a tolerance, or a choice; each answer is explained, right or wrong."""

import re
from dataclasses import dataclass

from labcalc.errors import LessonError
from labcalc.wording import numeral

_NUMBER = re.compile(r"([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+))([eE][+-]?\d{1,2}(?!\d))?\s*(.*)", re.S)

_SLIP_WIDTH = 0.02  # how near an answer has to lie to what a known mistake gives, relative to it
_FIGURES = 2  # significant figures to which a right answer may be rounded
_SAME_UNIT = {
    "mm²/s": ("mm2/s", "mm^2/s", "cst"),
    "%": ("percent", "per cent"),
    "K": ("kelvin",),
    "s": ("sigma", "σ"),
    "mm²": ("mm2",),
}
"""Other ways to write a unit, in small letters."""


@dataclass(frozen=True)
class Feedback:
    """What an answer is told; ``hint`` in the place of the words leaves a second try."""

    right: bool
    words: str
    hint: str = ""


@dataclass(frozen=True)
class Slip:
    """A number that a known mistake gives, and what to say to it."""

    value: float
    words: str


@dataclass(frozen=True)
class NumberQuestion:
    """A question whose answer is a number, right within ``tolerance`` on either side, or rounded from it."""

    name: str
    text: str
    answer: float
    unit: str
    tolerance: float
    decimals: int  # decimals with which the answer is written
    explanation: str
    slips: tuple[Slip, ...] = ()
    data_decimals: int | None = None
    """Decimals of the numbers that are given: an answer rounded to as many is right; none: no such numbers."""
    level: bool = False  # the answer is a level, such as a limit: two significant figures of it would tell nothing
    hint: str = ""

    @property
    def answer_text(self) -> str:
        """The answer with its unit, such as ``0.31 mm²/s``."""
        return f"{numeral(self.answer, self.decimals)} {self.unit}".rstrip()

    def check(self, given: str) -> Feedback:
        """Check a typed number.

        Raises LessonError : The text is no number, or bears another unit.
        """
        value, step = _number(given, self.unit, self.text)
        if abs(value - self.answer) <= self.tolerance * (1.0 + 1e-9):
            return Feedback(True, f"Right: {self.answer_text}. {self.explanation}")
        if self._is_rounded(value, step):
            return Feedback(True, f"Right, but rounded: {self.answer_text}. {self.explanation}")
        near = [slip.words for slip in self.slips if abs(value - slip.value) <= _SLIP_WIDTH * abs(slip.value)]
        hint = (near or [self.hint or f"It is {'more' if self.answer > value else 'less'} than that."])[0]
        told = f"{near[0]} " if near else ""
        words = f"Not {given.strip()}: {told}It is {self.answer_text}. {self.explanation}"
        return Feedback(False, words, f"Not {given.strip()}: {hint}")

    def _is_rounded(self, value: float, step: float) -> bool:
        """Tell whether the value is the answer rounded to its last place, which isn't too coarse and spares no slip."""
        places = {10.0**-self.data_decimals} if self.data_decimals is not None else set()
        fine_enough = abs(value) >= 10.0 ** (_FIGURES - 1) * step and not self.level
        if value == 0.0 or not (fine_enough or any(step <= one * (1.0 + 1e-9) for one in places)):
            return False
        numbers = (self.answer, *(slip.value for slip in self.slips))
        return [abs(value - one) <= step / 2.0 * (1.0 + 1e-9) for one in numbers] == [True] + [False] * len(self.slips)


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
    right: int  # position of the right one, from 0
    explanation: str
    unit: str = ""

    @property
    def answer_text(self) -> str:
        """The right answer."""
        return self.options[self.right].text

    def check(self, given: str) -> Feedback:
        """Check a chosen answer, by its text.

        Raises LessonError : There is no such answer.
        """
        chosen = [option for option in self.options if option.text == given]
        if not chosen:
            raise LessonError("", "", f"'{given}' is none of the answers of this question")
        if given == self.answer_text:
            return Feedback(True, f"Right. {chosen[0].words} {self.explanation}".strip().replace("  ", " "))
        words = f"Not so. {chosen[0].words} It is: {self.answer_text}. {self.explanation}".strip()
        return Feedback(False, words.replace("  ", " "), f"Not so. {chosen[0].words}".strip())


Question = NumberQuestion | Choice


def number_from(given: str, unit: str = "") -> float:
    """Return the number that a person typed, with decimal point or comma, with its unit or without.

    Raises LessonError : The text is no number, or bears another unit.

    Examples
    --------
    >>> number_from("0,31"), number_from(" -2.5 % ", "%"), number_from("46.1 cSt", "mm²/s")
    (0.31, -2.5, 46.1)
    """
    return _number(given, unit, "")[0]


def _number(given: str, unit: str, text: str) -> tuple[float, float]:
    """Return a typed number and the size of its last place; without a unit, a word of the question may follow it."""
    found = _NUMBER.fullmatch(given.strip().replace("−", "-"))
    if found is None:
        raise LessonError("", "", f"'{given.strip()}' is no number; a number such as 0.25 was expected")
    digits, power, after = found[1].replace(",", "."), found[2] or "", found[3].strip()
    counted = not unit and after.isalpha() and after.casefold() in re.findall(r"\w+", text.casefold())
    if not (counted or after in ("", unit) or after.casefold() in _SAME_UNIT.get(unit, ())):
        expected = f"in {unit}" if unit else "without a unit"
        raise LessonError("", "", f"'{given.strip()}' ends with '{after}'; a number {expected} was expected")
    return float(digits + power), 10.0 ** (int(power[1:] or 0) - len(digits.partition(".")[2]))
