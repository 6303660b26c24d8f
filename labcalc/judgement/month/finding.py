"""One thing that a month found, before it is ranked."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

URGENT, IMPORTANT, LATER = 0, 1, 2


@dataclass(frozen=True)
class Finding:
    """What it is about, what was found and what to do, with what ranks it among others of its severity."""

    severity: int
    about: str
    finding: str
    what_to_do: str
    size: float = math.nan
    """In its own measure; NaN where it has none."""
    which: str = ""
    """Tells findings of one kind about the same thing apart."""
    weight: float = 0.0
    """What it does to released results: its size in limits of its chart, times the samples that it touches, [-]."""
    facts: tuple[tuple[str, str | float], ...] = ()
    """The same for programs: instrument, quantity, oil, unit, since, runs, whatever is known."""

    def key(self, kind: str) -> str:
        """Return what finds it again in another month."""
        return re.sub(r"[\W_]+", "-", f"{kind} {self.about} {self.which}".casefold()).strip("-")
