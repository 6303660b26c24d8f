"""One thing looked at in a run: what was found, against which limit, on whose word."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

State = Literal["met", "not checked", "doubtful", "not met"]

About = Literal["numbers", "instrument", "order", "specification", "decision"]
"""What a check looks at: the run's own numbers, its instrument, what ran before it, what is asked of the product."""

STATES: tuple[State, ...] = ("met", "not checked", "doubtful", "not met")  # from best to worst


@dataclass(frozen=True)
class HeldLimit:
    """A limit that a value was held against; NaN where it has no such end, or its quantity no temperature."""

    quantity: str
    temperature_C: float  # in °C
    lowest: float  # in the unit of the value, as ``highest``
    highest: float
    words: str  # both ends in words, without unit
    rule: str  # name of the decision rule that was applied; empty where the limit could not be held


@dataclass(frozen=True)
class Check:
    """A checked fact with its number and its limit; ``not checked`` says why not."""

    name: str
    state: State
    finding: str
    basis: str = ""  # standard, statement or setting that the limit comes from
    missed: bool = False  # whether it was not checked although the run gives what it needs: the verdict says so
    about: About = "numbers"
    advice: str = ""  # what to do although it holds nothing back: the verdict says so
    limit: HeldLimit | None = None  # what the specification asks, where the check holds a value against it


def worst(states: Sequence[State]) -> State:
    """Return the worst of some states; ``not checked`` of none."""
    return max(states, key=STATES.index, default="not checked")
