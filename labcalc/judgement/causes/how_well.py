"""How often the ranked causes were right in simulated laboratories: data/causes_reliability.toml, and who made it."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files

BEYOND = "beyond the list"
"""Name of what was wrong where it was nothing that the catalogue has, or two causes at once."""


@dataclass(frozen=True)
class TrueCause:
    """Simulated runs with one true cause, those that an oracle can tell."""

    cause: str
    """Key of the catalogue, or ``BEYOND``."""
    runs: int
    first: int
    """Runs in which the true cause came first."""
    among_two: int
    """Runs in which it was among the first two."""
    leading: Mapping[str, int]
    """How often each cause came first, the most often first."""


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
    seeds: tuple[int, ...]
    runs: int
    """All runs, good ones and those that can't be told included."""
    causes: tuple[TrueCause, ...]
    """``noise`` stands for good runs."""
    stated: tuple[Stated, ...]


def reliability() -> Reliability:
    """Return the stored figures."""
    return reliability_from(tomllib.loads(files("labcalc.data").joinpath("causes_reliability.toml").read_text("utf-8")))


def reliability_from(found: Mapping[str, object]) -> Reliability:
    """Return figures as the data file has them."""
    known = dict(found)
    causes, stated = known.pop("true"), known.pop("stated")
    assert isinstance(causes, list)
    assert isinstance(stated, list)
    seeds = known.pop("seeds")
    assert isinstance(seeds, list)
    return Reliability(
        **known,  # type: ignore[arg-type]
        seeds=tuple(seeds),
        causes=tuple(TrueCause(**one) for one in causes),
        stated=tuple(Stated(**one) for one in stated),
    )
