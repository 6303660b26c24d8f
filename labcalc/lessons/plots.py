"""What a lesson shows, as numbers: simulation beside theory, series and marks, with words that say what they tell."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.wording import Template, plain

Array = NDArray[np.float64]

_FURTHEST = 4.0  # standard errors apart that still count as agreement: chance goes further in one case of 16 000
_FOUND_AT = 6.0  # by so many a theory has to be wrong for 98 % of simulations to show it: 4 and the 2 of chance


@dataclass(frozen=True, eq=False)
class Agreement:
    """One number by theory and by simulation, with the standard error of the simulation."""

    what: str
    theory: float
    unit: str
    draws: Array  # the simulated cases, [unit]; of a share 100 for a hit and 0 for none
    kind: Literal["share", "mean", "spread"]

    @property
    def number(self) -> int:
        """Number of simulated cases."""
        return self.draws.size

    @cached_property
    def simulated(self) -> float:
        """The number by simulation; NaN for the spread of a single case."""
        if self.kind == "spread":
            return float(np.std(self.draws, ddof=1)) if self.number > 1 else math.nan
        return float(np.mean(self.draws))

    @cached_property
    def standard_error(self) -> float:
        """Standard error of the simulation; that of a spread by the fourth moment, so that it holds for any law."""
        if self.kind == "share":
            return math.sqrt(self.theory * (100.0 - self.theory) / self.number)
        if self.number < 2:
            return math.nan
        if self.kind == "mean":
            return float(np.std(self.draws, ddof=1)) / math.sqrt(self.number)
        squares = (self.draws - np.mean(self.draws)) ** 2
        return float(np.std(squares, ddof=1)) / math.sqrt(self.number) / (2.0 * self.simulated)

    @property
    def apart(self) -> float:
        """Distance of the two in standard errors."""
        return (self.simulated - self.theory) / self.standard_error

    @property
    def agrees(self) -> bool:
        """Whether the distance is no more than chance gives."""
        return abs(self.apart) <= _FURTHEST

    @property
    def shows(self) -> float:
        """How wrong the theory has to be for this check to show it, [unit]."""
        return _FOUND_AT * self.standard_error

    @classmethod
    def of_share(cls, what: str, theory: float, hits: ArrayLike) -> Agreement:
        """Compare a probability [-], above 0 and below 1, with the share of hits among simulated cases, in percent."""
        return cls(what, 100.0 * theory, "%", 100.0 * np.asarray(hits, dtype=float), "share")

    @classmethod
    def of_mean(cls, what: str, theory: float, values: ArrayLike, unit: str) -> Agreement:
        """Compare an expectation with the mean of simulated values, [unit of the values]."""
        return cls(what, theory, unit, np.asarray(values, dtype=float), "mean")

    @classmethod
    def of_spread(cls, what: str, theory: float, values: ArrayLike, unit: str) -> Agreement:
        """Compare a standard deviation with that of simulated values, [unit of the values]."""
        return cls(what, theory, unit, np.asarray(values, dtype=float), "spread")

    def first(self, number: int) -> Agreement:
        """Return what the first few of the simulated cases say."""
        return replace(self, draws=self.draws[:number])


@lru_cache(maxsize=8)
def normal_draws(seed: int, *shape: int) -> Array:
    """Return standard normal numbers; the same ones for the same seed and shape, and nobody may change them."""
    drawn = np.random.default_rng([seed, *shape]).standard_normal(shape)
    drawn.setflags(write=False)
    return drawn


Kind = Literal["line", "points", "bars", "flags"]


@dataclass(frozen=True, eq=False)
class Series:
    """Numbers of one kind; ``error`` is the standard error of each y."""

    name: str
    x: Array
    y: Array
    kind: Kind = "line"
    error: Array | None = None


@dataclass(frozen=True)
class Mark:
    """A value on an axis that has a name."""

    value: float
    label: str


@dataclass(frozen=True, eq=False)
class Plot:
    """One picture of a lesson."""

    caption: str
    x_title: str
    y_title: str
    series: tuple[Series, ...]
    levels: tuple[Mark, ...] = ()  # on the y axis
    marks: tuple[Mark, ...] = ()  # on the x axis
    x_log: bool = False
    y_log: bool = False
    x_names: tuple[str, ...] = ()  # names in place of the numbers 0, 1, … on the x axis


@lru_cache(maxsize=16)
def lesson_file(lesson: str) -> Mapping[str, Any]:
    """Return what the file beside a lesson holds."""
    return tomllib.loads(Path(__file__).with_name(f"{lesson}.toml").read_text("utf-8"))


def plot_of(
    lesson: str,
    name: str,
    numbers: Mapping[str, object],
    series: Iterable[Series],
    levels: Iterable[float] = (),
    marks: Iterable[float] = (),
    x_names: Sequence[str] = (),
) -> Plot:
    """Return a picture whose words stand in the lesson's file, under ``plot``.

    numbers : What the words hold in braces (``wording.Template``).
    levels, marks : Places on the y axis and on the x axis, whose names stand in the file too.
    """
    words, fill = lesson_file(lesson)["plot"][name], Template().vformat
    caption, x_title, y_title = (fill(words[part], (), numbers) for part in ("caption", "x", "y"))

    def named(part: str, places: Iterable[float]) -> tuple[Mark, ...]:
        labels = (fill(one, (), numbers) for one in words.get(part, ()))
        return tuple(Mark(place, label) for place, label in zip(places, labels, strict=True))

    lines = named("levels", levels), named("marks", marks)
    logs = words.get("x_log", False), words.get("y_log", False)
    return Plot(caption, x_title, y_title, tuple(series), *lines, *logs, tuple(x_names))


def histogram(values: ArrayLike, edges: ArrayLike, name: str = "simulated", kind: Kind = "bars") -> Series:
    """Return the share of values between edges, [%]; values outside the edges count in the whole."""
    drawn, borders = np.asarray(values, dtype=float), np.asarray(edges, dtype=float)
    counts, _ = np.histogram(drawn, borders)
    return Series(name, (borders[1:] + borders[:-1]) / 2.0, 100.0 * counts / drawn.size, kind)


def curve(name: str, at: ArrayLike, f: Callable[[Any], float], kind: Kind = "line") -> Series:
    """Return a function at some places."""
    places = np.asarray(at)
    return Series(name, places.astype(float), np.array([f(one) for one in places.tolist()]), kind)


def share_curve(name: str, at: ArrayLike, f: Callable[[Any], ArrayLike], kind: Kind = "line") -> Series:
    """Return a probability [-] at some places, or how many of simulated cases are true, [%]."""
    return curve(name, at, lambda one: 100.0 * float(np.mean(np.asarray(f(one), dtype=float))), kind)


def agreement_series(at: ArrayLike, claims: Sequence[Agreement], kind: Kind = "bars") -> tuple[Series, Series]:
    """Return what theory says, and what was simulated with its standard error."""
    places = np.asarray(at, dtype=float)
    theory, found, errors = np.array([(one.theory, one.simulated, one.standard_error) for one in claims]).T
    return Series("theory", places, theory, kind), Series("simulated", places, found, "points", errors)


def plot_draws(claim: Agreement, number: int) -> Plot:
    """Show what the first few simulated cases say of a claim, case by case."""
    at = np.unique(np.geomspace(1, min(number, claim.number), 60).astype(int))
    parts = [claim.first(int(n)) for n in at]
    found = np.array([one.simulated for one in parts])
    known, last = np.isfinite(found), parts[-1]
    says = "nothing yet: a spread takes two" if not known[-1] else f"{plain(last.simulated, 4)} {last.unit}".rstrip()
    sure = f", with a standard error of {plain(last.standard_error, 2)}" if math.isfinite(last.standard_error) else ""
    theory = f"{plain(claim.theory, 4)} {claim.unit}".rstrip()
    caption = f"{claim.what}. {grouped(last.number)} drawn say {says}{sure}. Theory: {theory}."
    titles = "Cases drawn", f"{claim.what}{', ' if claim.unit else ''}{claim.unit}"
    series = Series("simulated so far", at[known].astype(float), found[known], "points")
    return Plot(caption, *titles, (series,), levels=(Mark(claim.theory, "theory"),), x_log=True)


def grouped(number: int) -> str:
    """Return a whole number with narrow spaces between its thousands."""
    return f"{number:,}".replace(",", "\u202f")
