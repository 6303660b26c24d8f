"""How much a simulation draws: all of it by night, where LABCALC_WHOLE is set, else a third."""

from __future__ import annotations

import math
import os

from scipy import stats

WHOLE = "LABCALC_WHOLE" in os.environ


def drawn(number: int) -> int:
    """Return how many of a simulation's laboratories or examples are drawn now."""
    return number if WHOLE else math.ceil(number / 3)


def at_most(share: float, of: int) -> int:
    """Return the number that an event of this probability exceeds once in a hundred times."""
    return int(stats.binom.ppf(0.99, of, share))
