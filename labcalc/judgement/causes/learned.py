"""What a laboratory's own conclusions say of its causes: how often, how large, and how often 90 % was right."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from labcalc.judgement.causes.catalogue import CAUSES, PRIOR_ODDS
from labcalc.lab import Decision
from labcalc.wording import counted

OTHER = "something else"
"""Key of a conclusion that names none of the causes."""

_NOT_A_FAULT = "noise"
_WORTH = 20.0
"""How many conclusions the odds of the catalogue are worth, [-]: labcalc's own choice."""
_LARGE = 0.9
"""Probability from which a leading cause is held against what was concluded, [-]."""


@dataclass(frozen=True)
class LaboratoryOdds:
    """A laboratory's conclusions, the last of each run: an input for the odds and sizes before anything is measured."""

    counts: Mapping[str, int]
    sizes: Mapping[str, tuple[float, ...]]
    """By cause, in the unit that it is told in."""
    stated: int
    """How often a cause led with 90 % or more, [-]."""
    right: int
    """How often of these it was concluded, [-]."""

    @property
    def total(self) -> int:
        return sum(self.counts.values())

    @property
    def words(self) -> str:
        """What the odds rest on, and how often 90 % was right here; empty without conclusions."""
        if not self.total:
            return ""
        held = f"90 % or more was said of {self.stated} of them, and was right in {self.right}"
        return f"The odds follow {counted(self.total, 'conclusion')} of this laboratory too; {held}."

    def of(self, cause: str) -> str:
        """Return how often a cause was concluded here, as ``yours: 12 of 40``; empty without conclusions."""
        return f"yours: {self.counts.get(cause, 0)} of {self.total}" if self.total else ""

    def odds(self, prior: Mapping[str, float] = PRIOR_ODDS) -> dict[str, float]:
        """Return odds for ``rank_causes``, [-]: those given, worth 20 conclusions, and the laboratory's own.

        How many runs have a fault stays as given: conclusions are drawn about runs that look wrong, not about all.
        """
        faults = {cause: share for cause, share in prior.items() if cause != _NOT_A_FAULT}
        every, own = sum(faults.values()), sum(self.counts.get(cause, 0) for cause in faults)
        pooled = {c: every * (_WORTH * p / every + self.counts.get(c, 0)) / (_WORTH + own) for c, p in faults.items()}
        return {**prior, **pooled}

    def scale(self, cause: str) -> tuple[float, float]:
        """Return median and factor of a cause's size, as ``SizeScale`` has them, [K] or [-]; NaN where it has none.

        The catalogue's median is worth 4 conclusions; for whoever integrates over sizes (``paths.sizes_of``).
        """
        scale = CAUSES[cause].scale
        if scale is None:
            return math.nan, math.nan
        found = [math.log(abs(one) / scale.shown) for one in self.sizes.get(cause, ()) if one]
        prior, worth = math.log(scale.median), 4.0
        centre = (worth * prior + sum(found)) / (worth + len(found))
        squares = worth * (math.log(scale.factor) ** 2 + (prior - centre) ** 2) + sum((x - centre) ** 2 for x in found)
        return math.exp(centre), math.exp(math.sqrt(squares / (worth + len(found))))


def laboratory_odds(decisions: Iterable[Decision], without: str = "") -> LaboratoryOdds:
    """Return what conclusions say of causes.

    Parameters
    ----------
    decisions : Those in force, in their order; of several conclusions about a run the last holds.
    without : A run whose conclusion doesn't count: the one that is looked at.

    Returns
    -------
    Counts in [-], sizes in the unit of their cause.
    """
    last = {one.run: one for one in decisions if one.what == "conclusion" and one.cause and one.run != without}
    stated = [one for one in last.values() if one.leading_probability >= _LARGE]
    sizes: dict[str, tuple[float, ...]] = {}
    for one in last.values():
        if not math.isnan(one.size):
            sizes[one.cause] = (*sizes.get(one.cause, ()), one.size)
    right = sum(one.probability == one.leading_probability for one in stated)
    return LaboratoryOdds(Counter(one.cause for one in last.values()), sizes, len(stated), right)
