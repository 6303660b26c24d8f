"""A column of a table as it is looked at, and what is guessed of it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from labcalc.exports.arranging.flat import NOT_TAKEN, measure
from labcalc.exports.grammar.headers import parts_of
from labcalc.exports.grammar.vocabulary import Meaning
from labcalc.exports.profile import Column
from labcalc.exports.values.numbers import figure
from labcalc.wording import at_celsius


@dataclass(frozen=True)
class Guess:
    """A column, what it is taken for, and why; ``said``: what a profile has to say of it."""

    header: str
    place: int
    values: tuple[str, ...]
    holds: str = ""
    why: str = "nothing is known of it: it is not used"
    said: Column | None = None
    instead: Column | None = None  # what it may as well be

    @property
    def names(self) -> tuple[str, ...]:
        """Return what [profile.columns] may call the column, its place last."""
        return (*filter(None, [self.header]), f"column {self.place + 1}")

    @property
    def taken_for(self) -> str:
        """Return in words what the column is taken for."""
        at = None if self.said is None else self.said.temperature_C
        unit = f" [{self.said.unit}]" if self.said is not None and self.said.unit else ""
        return (at_celsius(self.holds, at) if at is not None else self.holds) + unit if self.holds else "–"


@dataclass
class Seen:
    """A column of the table as it is looked at."""

    header: str
    place: int
    cells: list[str]
    meaning: Meaning | None
    said: Column | None
    unit_beneath: str
    guess: Guess = field(init=False)

    def __post_init__(self) -> None:
        values = tuple(dict.fromkeys(filter(None, self.cells)))[:3]
        self.guess = Guess(self.header, self.place, values)

    @cached_property
    def parts(self) -> dict[str, Any]:
        """What the header says, understood or not."""
        return dict(parts_of(f"{self.header} [{self.unit_beneath}]"))

    @property
    def filled(self) -> list[str]:
        return [cell for cell in self.cells if cell]

    @cached_property
    def numbers(self) -> NDArray[np.float64]:
        """Value of each cell, NaN where there is none; a sign that may be either is taken for the decimal one."""
        figures = [(measure(cell) or (cell, ""))[0] for cell in self.cells]
        sign = "," if any("," in one and "." not in one for one in figures) else "."
        return np.array([np.nan if (value := figure(one, sign)) is None else value for one in figures])

    @property
    def is_numeric(self) -> bool:
        return bool(2 * np.isfinite(self.numbers).sum() > len(self.filled) > 0)

    @property
    def middle(self) -> float:
        """Median of the numbers; NaN where there is none."""
        return median(self.numbers)

    def differs(self, other: NDArray[np.float64]) -> float:
        """Return by how much the column differs from numbers, relative, in the median; NaN where nothing compares."""
        both = np.isfinite(self.numbers) & np.isfinite(other) & (other != 0.0)
        return median(np.abs(self.numbers[both] / other[both] - 1.0))

    @cached_property
    def has_unit(self) -> bool:
        """Whether header, line of units or cells say the unit."""
        return bool(self.meaning and self.meaning.unit) or any(map(measure, self.filled))

    @property
    def has_own_word(self) -> bool:
        """Whether the header has a word that says nothing known of what is read."""
        return self.header != self.guess.names[-1] and bool({"unknown", "other"} & self.parts.keys())

    def are(self, reads: Callable[[str], object]) -> bool:
        return 2 * sum(reads(cell) is not None for cell in self.filled) > len(self.filled) > 0

    def take(self, holds: str, why: str, instead: Column | None = None, **said: object) -> None:
        """Guess; ``said`` beyond what the header says goes into the profile."""
        repeat = self.said.repeat if self.said else 0
        column = Column(holds, repeat=repeat, **said) if said else None  # type: ignore[arg-type]
        self.guess = replace(self.guess, holds=holds, why=why, said=column, instead=instead)

    def leave(self, why: str, instead: Column | None) -> None:
        """Guess that the column is to be ignored, or may be something else."""
        self.guess = replace(self.guess, holds="ignored", why=why, said=Column("ignored"), instead=instead)


def median(values: NDArray[np.float64]) -> float:
    """Return the median of the numbers; NaN where there is none."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else np.nan


def open_columns(seen: Iterable[Seen]) -> Iterator[Seen]:
    """Yield the columns that hold something, of which nothing is known yet."""
    taken = (one for one in seen if one.meaning is None or one.meaning.holds not in NOT_TAKEN)
    return (one for one in taken if not one.guess.holds and one.filled)
