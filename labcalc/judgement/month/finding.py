"""One thing that a month found, before it is ranked."""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

URGENT, IMPORTANT, LATER = 0, 1, 2
SEVERITIES = ("now", "soon", "later")  # how each is called


@dataclass(frozen=True)
class Finding:
    """What it is about, what was found and what to do, with what ranks it among others of its severity."""

    severity: int
    about: str
    finding: str
    what_to_do: str
    size: float = math.nan  # in its own measure; NaN where it has none
    which: str = ""  # tells findings of one kind about the same thing apart
    weight: float = 0.0
    """What it does to released results: its size in limits of its chart, times the samples since its likeliest
    beginning, [-]."""
    facts: tuple[tuple[str, str | float], ...] = ()
    """The same for programs: instrument, quantity, oil, unit, since, runs, whatever is known."""
    details: tuple[str, ...] = ()
    """The runs, results, charts or files that it speaks of, where the sentence holds not all of them."""

    def key(self, kind: str) -> str:
        """Return what finds it again in another month."""
        return re.sub(r"[\W_]+", "-", f"{kind} {self.about} {self.which}".casefold()).strip("-")


def shortened(items: Sequence[str], most: int = 2) -> tuple[str, tuple[str, ...]]:
    """Return a list as a sentence holds it, its first items, and as details hold it: all, where the sentence doesn't.

    >>> shortened(["a", "b", "c", "d"])
    ('a; b; and 2 more', ('a', 'b', 'c', 'd'))
    """
    left = len(items) - most
    return ("; ".join([*items[:most], f"and {left} more"]), tuple(items)) if left > 1 else ("; ".join(items), ())
