"""The causes that a strange result is looked at for, as ``data/causes.toml`` tells each, and the form of their curves;
how far they are to be trusted, by simulation and by a laboratory's own word.

Odds and sizes are labcalc's own choice; a laboratory that knows better gives ``rank_causes`` its own odds.
"""

import tomllib
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from importlib.resources import files
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from labcalc.formulae.curves.walther import double_log_argument, solved_viscosity
from labcalc.lab import Decision
from labcalc.lab.practice import HOT, PRESSED_AIR, SOLVENTS, SPITS
from labcalc.wording import counted

_CAUTIONS = {"solvents": f"{SOLVENTS} {PRESSED_AIR}", "hot": HOT, "spits": SPITS, "": ""}


@dataclass(frozen=True)
class Cause:
    """One cause: its stable key, how often a run has it, its size where it has one, its words and its repair."""

    key: str
    title: str
    odds: float  # share of runs that have it before anything was measured, [-]
    repair: str  # what confirms and repairs it; how to fill and clean is told by ``FILLING_AND_CLEANING``
    sentence: str = "{title}{place}: {its.shift}."  # filled in by ``words.opening_of``
    median: float = 0.0  # of its log-normal size, in kelvin or as a fraction; 0 where it has no size
    factor: float = 1.0  # one standard deviation of the size up or down, as a factor
    unit: str = ""  # what people tell the size in
    shown: float = 1.0  # what turns a size into ``unit``
    caution: str = ""


_TOLD = tomllib.loads(files("labcalc.data").joinpath("causes.toml").read_text("utf-8"))
CAUSES: Mapping[str, Cause] = MappingProxyType(
    {key: Cause(key, **one | {"caution": _CAUTIONS[one.get("caution", "")]}) for key, one in _TOLD.items()}
)
# share of runs that have each cause, [-], together 1: our own choice
PRIOR_ODDS: Mapping[str, float] = MappingProxyType({key: one.odds for key, one in CAUSES.items()})
SURE = 0.95  # probability of the leading cause above which its repair is told instead of what tells it apart, [-]
Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
DEVIATIONS = np.linspace(-3.0, 3.0, 13)  # nodes of a path in standard deviations of its log-normal size
_LOWEST_ORDINATE, _HIGHEST_ORDINATE = -1.57, 0.86  # the chart's ends: 0.21 and 2e7 mm²/s


@dataclass(frozen=True, eq=False)
class Paths:
    """The curves of one cause through the rows of a run."""

    cause: str
    where: tuple[str, ...]  # where it sits or what it is, in words, one a path
    weights: Array  # share of each path, together 1
    sizes: Array  # signed size at each node, path by node
    effects: Array  # what it does to ln ν and ρ [kg/m³]: path by node by row
    unequal: tuple[float, ...] = ()  # how unequal its size is from fill to fill and place to place, as a share, a path
    axes: tuple[tuple[int, bool], ...] = ()  # the paths as a grid, last axis quickest: length, and what may lie between
    told: Array | None = None  # ln of how much likelier each node is by what else is known of the day, path by node


TAIL = 20.0  # degrees of freedom of all deviations together; a single row far off is left to 'something else'


def tail_log(z: Array | float) -> Array:
    """Return how much less likely z standard deviations are than none, as -ln, with the tails of Student's t."""
    return np.asarray((TAIL + 1.0) / 2.0 * np.log1p(np.square(z) / TAIL))


def sizes_of(cause: str) -> Array:
    """Return the sizes at the nodes of a path, in the unit that the physics computes with."""
    return np.asarray(CAUSES[cause].median * CAUSES[cause].factor ** DEVIATIONS)


def ordinate_of(log_viscosity: Array) -> Array:
    """Return the ordinate of the viscosity-temperature chart of ln ν."""
    return np.asarray(np.log10(np.log10(double_log_argument(np.exp(log_viscosity)))))


def log_viscosity_of(ordinate: Array) -> Array:
    """Return ln ν of an ordinate; beyond the chart, at its end."""
    return np.asarray(np.log(solved_viscosity(np.clip(ordinate, _LOWEST_ORDINATE, _HIGHEST_ORDINATE))))


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
_WORTH = 20.0  # how many conclusions the odds of the catalogue are worth, [-]: labcalc's own choice
_LARGE = 0.9  # probability from which a leading cause is held against what was concluded, [-]


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

        return self.stated == 0 or bool(bdtr(self.right, self.stated, _LARGE) >= 0.05)

    def of(self, cause: str) -> str:
        """Return how often a cause was concluded here, as ``yours: 12 of 40``; empty without conclusions."""
        return f"yours: {self.counts.get(cause, 0)} of {self.total}" if self.total else ""

    def odds(self, prior: Mapping[str, float] = PRIOR_ODDS) -> dict[str, float]:
        """Return odds for ``rank_causes``, [-]: those given, worth 20 conclusions, and the laboratory's own.
        How many runs have a fault stays as given: conclusions are drawn about runs that look wrong, not about all."""
        faults = {cause: share for cause, share in prior.items() if cause != "noise"}
        every, own = sum(faults.values()), sum(self.counts.get(cause, 0) for cause in faults)
        pooled = {c: every * (_WORTH * p / every + self.counts.get(c, 0)) / (_WORTH + own) for c, p in faults.items()}
        return {**prior, **pooled}


def laboratory_odds(decisions: Iterable[Decision], without: str = "") -> LaboratoryOdds:
    """Return what conclusions in force, in their order, say of causes; of several about a run the last holds.
    ``without`` is a run whose conclusion doesn't count: the one that is looked at."""
    last = {one.run: one for one in decisions if one.what == "conclusion" and one.cause and one.run != without}
    stated = [one for one in last.values() if one.leading_probability >= _LARGE]
    right = sum(one.probability == one.leading_probability for one in stated)
    return LaboratoryOdds(Counter(one.cause for one in last.values()), len(stated), right)
