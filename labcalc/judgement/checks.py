"""What was looked at in a run, against which limit, on whose word; and what is to be done, by what was found."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

State = Literal["met", "not checked", "doubtful", "not met"]
# what a check looks at: the run's own numbers, its instrument, what ran before it, what is asked of the product
About = Literal["numbers", "instrument", "order", "specification", "decision"]


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


URGENT, IMPORTANT, LATER, CLOSED = 0, 1, 2, 3
HOW_SOON = ("now", "soon", "later", "closed")  # how each is called


@dataclass(frozen=True)
class Action:
    """What it is about, what was found, what to do, and how long it can wait."""

    about: str
    finding: str
    what_to_do: str
    severity: int = IMPORTANT
    size: float = math.nan  # how large the finding is, in its own measure; NaN where it has none
    which: str = ""  # tells findings of one kind about the same thing apart
    weight: float = 0.0  # its size in limits of its chart, times the samples since its likeliest beginning, [-]
    facts: Mapping[str, Any] = field(default_factory=dict)  # for programs: whatever is known
    details: tuple[str, ...] = ()  # runs, results, charts or files, where the sentence holds not all of them
    rank: int = 0  # its place in the list
    key: str = ""  # the same in every month in which the same is found: what kind of finding it is, and about what
    followed: str = ""  # who sees to it, until when, since when it is open; empty where nobody was asked
    overdue: bool = False

    @property
    def urgent(self) -> bool:
        """It can't wait."""
        return self.severity == URGENT

    @property
    def runs(self) -> tuple[str, ...]:
        """What the details begin with: the names of the runs that they are about."""
        return tuple(one.partition(": ")[0] for one in self.details)


def shortened(items: Sequence[str], most: int = 2) -> tuple[str, tuple[str, ...]]:
    """Return a list as a sentence holds it, its first items, and as details hold it: all, where the sentence doesn't.

    >>> shortened(["a", "b", "c", "d"])
    ('a; b; and 2 more', ('a', 'b', 'c', 'd'))
    """
    left = len(items) - most
    return ("; ".join([*items[:most], f"and {left} more"]), tuple(items)) if left > 1 else ("; ".join(items), ())
