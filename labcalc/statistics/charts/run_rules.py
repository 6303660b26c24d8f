"""Run rules: patterns of points that a chart in control shows rarely. Vectorised over points and over charts."""

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import compress
from types import MappingProxyType
from typing import ClassVar, Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.statistics.series import Array

Flags: TypeAlias = NDArray[np.bool_]


@dataclass(frozen=True)
class _Consecutive:
    """A pattern of ``count`` points one after the other."""

    count: int
    _FEWEST: ClassVar[int] = 1
    _WORDS: ClassVar[str]  # at the bench

    def __post_init__(self) -> None:
        if self.count < self._FEWEST:
            raise ValueError(f"run rule over {self.count} points: {self._FEWEST} or more was expected")

    @property
    def window(self) -> int:
        """Points that the rule looks at."""
        return self.count

    def __str__(self) -> str:
        return self._WORDS.format(self)


@dataclass(frozen=True)
class Beyond:
    """``count`` of ``window`` consecutive points beyond ``sigmas``, the last of them among these.

    Beyond is strict: a point on the line is not beyond it, so a point on the centre line ends a run on one side.
    """

    count: int
    window: int
    sigmas: float
    side: Literal["same", "either"] = "same"

    def __post_init__(self) -> None:
        if not 1 <= self.count <= self.window:
            raise ValueError(f"run rule: {self.count} of {self.window}: 1 up to the number of points was expected")
        if self.sigmas < 0.0:
            raise ValueError(f"run rule: {self.sigmas:g} sigma: 0 or more was expected")

    def __str__(self) -> str:
        number = f"{self.count} of {self.window}" if self.count < self.window else f"{self.count}"
        place = f"beyond {self.sigmas:g} s" if self.sigmas else "off the centre"
        return f"{number} {place}" + (", same side" if self.side == "same" and self.window > 1 else "")


@dataclass(frozen=True)
class Within(_Consecutive):
    """``count`` consecutive points not beyond ``sigmas``: the results hug the centre, the limits are too wide."""

    sigmas: float
    _WORDS = "{0.count} within {0.sigmas:g} s"


@dataclass(frozen=True)
class Trend(_Consecutive):
    """``count`` consecutive points, each above the one before, or each below; an equal one ends the trend."""

    _FEWEST, _WORDS = 2, "{0.count} rising or falling"


@dataclass(frozen=True)
class Alternation(_Consecutive):
    """``count`` consecutive points that go up and down in turn; an equal one ends it."""

    _FEWEST, _WORDS = 3, "{0.count} alternating up and down"


RunRule: TypeAlias = Beyond | Within | Trend | Alternation

WESTERN_ELECTRIC: tuple[RunRule, ...] = (Beyond(1, 1, 3.0), Beyond(2, 3, 2.0), Beyond(4, 5, 1.0), Beyond(8, 8, 0.0))
"""Zone rules of the Western Electric handbook (1956); Champ and Woodall, Technometrics 29 (1987) 393."""

NELSON: tuple[RunRule, ...] = (
    *(Beyond(1, 1, 3.0), Beyond(9, 9, 0.0), Trend(6), Alternation(14), Beyond(2, 3, 2.0), Beyond(4, 5, 1.0)),
    *(Within(15, 1.0), Beyond(8, 8, 1.0, "either")),
)
"""The eight tests of Nelson, Journal of Quality Technology 16 (1984) 237, in his order."""

PETROLEUM: tuple[RunRule, ...] = (Beyond(1, 1, 3.0), Beyond(2, 3, 2.0), Beyond(5, 5, 1.0), Beyond(8, 8, 0.0))
"""Counts of ASTM D6299 from memory: to be confirmed against the laboratory's own copy."""

_SETS = {"western electric": WESTERN_ELECTRIC, "nelson": NELSON, "petroleum": PETROLEUM}
RULE_SETS: Mapping[str, tuple[RunRule, ...]] = MappingProxyType({**_SETS, "limits only": (Beyond(1, 1, 3.0),)})
"""Rule sets by the name that a laboratory's settings use."""


@dataclass(frozen=True)
class Signal:
    """A point at which patterns are complete: its index, counted from 0, and the rules in the order of their set."""

    index: int
    rules: tuple[RunRule, ...]


@dataclass(frozen=True, eq=False)
class RuleSignals:
    """Which rule signals at which point: ``signals`` has a row a rule."""

    rules: tuple[RunRule, ...]
    signals: Flags

    @property
    def beyond(self) -> Flags:
        return np.asarray(np.any(self.signals, axis=0))

    @property
    def found(self) -> tuple[Signal, ...]:
        places = np.flatnonzero(self.beyond).tolist()
        return tuple(Signal(place, tuple(compress(self.rules, self.signals[:, place]))) for place in places)


def run_rule_signals(z: ArrayLike, rules: tuple[RunRule, ...] = WESTERN_ELECTRIC) -> RuleSignals:
    """Apply run rules to standardised results.

    z : Standardised results in the order of measurement along the last axis, [-]; a NaN belongs to no pattern and ends
        every run.
    rules : Rules, [-].
    Returns : Signals by rule and point, [-]; a pattern signals at every point at which it is complete.
    Source : Western Electric, Statistical Quality Control Handbook (1956); Nelson, J. Qual. Technol. 16 (1984) 237; ISO
        7870-2:2023.

    >>> for signal in run_rule_signals([0.3, 2.2, -0.4, 2.1, 0.2, 2.4]).found:
    ...     print(signal.index, *signal.rules)
    3 2 of 3 beyond 2 s, same side
    5 2 of 3 beyond 2 s, same side
    """
    points = np.asarray(z, dtype=float)
    return RuleSignals(tuple(rules), np.array([_complete(rule, points) for rule in rules], dtype=bool))


def _complete(rule: RunRule, z: Array) -> Flags:
    if isinstance(rule, Beyond):
        sides = (np.abs(z),) if rule.side == "either" else (z, -z)
        found = [_counted(one > rule.sigmas, rule.count, rule.window) for one in sides]
        return np.asarray(np.any(found, axis=0))
    if isinstance(rule, Within):
        return _unbroken(np.abs(z) <= rule.sigmas, rule.count)
    rises, falls = z[..., 1:] > z[..., :-1], z[..., 1:] < z[..., :-1]
    if isinstance(rule, Trend):
        return _placed(_unbroken(rises, rule.count - 1) | _unbroken(falls, rule.count - 1), z.shape, 1)
    turns = (rises[..., 1:] & falls[..., :-1]) | (falls[..., 1:] & rises[..., :-1])
    return _placed(_unbroken(turns, rule.count - 2), z.shape, 2)


def _counted(flags: Flags, count: int, window: int) -> Flags:
    """Return where ``count`` flags stand among the last ``window``, the last one included."""
    if count == window:
        return _unbroken(flags, count)
    number = flags.astype(np.uint16)
    for back in range(1, min(window, flags.shape[-1])):
        number[..., back:] += flags[..., :-back]
    return flags & (number >= count)


def _unbroken(flags: Flags, count: int) -> Flags:
    """Return where the last ``count`` flags all stand; each pass doubles the stretch that is known to be whole."""
    whole, known = flags.copy(), 1
    while known < count:
        step = min(known, count - known)
        whole[..., step:] &= whole[..., :-step]
        whole[..., :step] = False
        known += step
    return whole


def _placed(flags: Flags, shape: tuple[int, ...], late: int) -> Flags:
    """Give the flags of steps to the points that end them."""
    placed = np.zeros(shape, dtype=bool)
    placed[..., late:] = flags
    return placed
