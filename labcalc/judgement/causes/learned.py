"""How far causes are to be trusted: how often they were right in simulation, and by a laboratory's own word."""

import tomllib
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

from labcalc.judgement.causes.catalogue import PRIOR_ODDS
from labcalc.lab import Decision
from labcalc.wording import counted

BEYOND = "beyond the list"  # name of what was wrong where it was nothing that the catalogue has, or two causes at once


@dataclass(frozen=True)
class TrueCause:
    """Simulated runs with one true cause, those that an oracle can tell."""

    cause: str  # key of the catalogue, or ``BEYOND``
    runs: int
    first: int  # runs in which the true cause came first
    among_two: int  # runs in which it was among the first two
    leading: Mapping[str, int]  # how often each cause came first, the most often first


@dataclass(frozen=True)
class Stated:
    """Runs held back whose leading cause was stated with a probability from ``lowest`` to below ``highest``, [-]."""

    lowest: float
    highest: float
    runs: int
    right: int


@dataclass(frozen=True)
class Reliability:
    """What the simulation found, and how to make it again."""

    date: str
    command: str
    seeds: list[int]
    runs: int  # all runs, good ones and those that can't be told included
    causes: tuple[TrueCause, ...]  # ``noise`` stands for good runs
    stated: tuple[Stated, ...]


def reliability(text: str = "") -> Reliability:
    """Return the figures of a file like the package's own, of which they are without one."""
    text = text or files("labcalc.data").joinpath("causes_reliability.toml").read_text("utf-8")
    found: dict[str, Any] = tomllib.loads(text)
    found["causes"] = tuple(TrueCause(**one) for one in found.pop("true"))
    found["stated"] = tuple(Stated(**one) for one in found["stated"])
    return Reliability(**found)


OTHER = "something else"  # key of a conclusion that names none of the causes

_NOT_A_FAULT = "noise"
_WORTH = 20.0  # how many conclusions the odds of the catalogue are worth, [-]: labcalc's own choice
_LARGE = 0.9  # probability from which a leading cause is held against what was concluded, [-]

_BY_CHANCE = 0.05


@dataclass(frozen=True)
class LaboratoryOdds:
    """A laboratory's conclusions, the last of each run: an input for the odds before anything is measured."""

    counts: Mapping[str, int]
    stated: int  # how often a cause led with 90 % or more, [-]
    right: int  # how often of these it was concluded, [-]

    @property
    def total(self) -> int:
        return sum(self.counts.values())

    @property
    def words(self) -> str:
        """What the odds rest on, and how often 90 % was right here; empty without conclusions."""
        if not self.total:
            return ""
        held = f"90 % or more was said of {self.stated} of them, and was right in {self.right}"
        if not self.keeps_its_word:
            held += ": fewer than that promises, so measure before you believe it here"
        return f"The odds follow {counted(self.total, 'conclusion')} of this laboratory too; {held}."

    @property
    def keeps_its_word(self) -> bool:
        """Whether so few would be right in more than one of twenty laboratories where 90 % holds."""
        from scipy.special import bdtr

        return self.stated == 0 or bool(bdtr(self.right, self.stated, _LARGE) >= _BY_CHANCE)

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


def laboratory_odds(decisions: Iterable[Decision], without: str = "") -> LaboratoryOdds:
    """Return what conclusions say of causes.

    decisions : Those in force, in their order; of several conclusions about a run the last holds.
    without : A run whose conclusion doesn't count: the one that is looked at.
    """
    last = {one.run: one for one in decisions if one.what == "conclusion" and one.cause and one.run != without}
    stated = [one for one in last.values() if one.leading_probability >= _LARGE]
    right = sum(one.probability == one.leading_probability for one in stated)
    return LaboratoryOdds(Counter(one.cause for one in last.values()), len(stated), right)
