"""How often the ranked causes were right in simulated laboratories: data/causes_reliability.toml, and who made it."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

_FILE = "causes_reliability.toml"

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
    found: dict[str, Any] = tomllib.loads(text or files("labcalc.data").joinpath(_FILE).read_text("utf-8"))
    found["causes"] = tuple(TrueCause(**one) for one in found.pop("true"))
    found["stated"] = tuple(Stated(**one) for one in found["stated"])
    return Reliability(**found)
