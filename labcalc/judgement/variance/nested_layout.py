"""Which levels a repeatedly measured sample holds: instruments, operators, days, runs; and what can be told apart."""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.wording import listed

FEWEST_DEGREES = 8
"""Degrees of freedom from which on the upper end of the 95 % interval of a standard deviation is less than twice the
estimate (chi-square: 1.92 with 8, 2.04 with 7): our own choice of what is enough."""

_LEVELS = ("instrument", "operator", "day", "run")
_LOWEST = "determination"


@dataclass(frozen=True)
class Level:
    """One level of the layout; of several names where nothing tells what comes from the one and what from the other."""

    names: tuple[str, ...]
    groups: int
    degrees_of_freedom: int

    @property
    def name(self) -> str:
        """The names as one."""
        return listed(self.names)


@dataclass(frozen=True, eq=False)
class Layout:
    """The levels that the results hold, outermost first, and what had to be left out."""

    levels: tuple[Level, ...]
    codes: Mapping[str, NDArray[np.intp]]  # group of each result on every level but the lowest, within those above
    lacking: tuple[str, ...]  # why a level is missing, or stands for two, with the numbers and what would help

    @property
    def lowest(self) -> str:
        """Name of the lowest level."""
        return self.levels[-1].name if self.levels else _LOWEST


def layout_of(rows: pd.DataFrame) -> Layout:
    """Return the nested layout of the results of one sample: levels with their groups and degrees of freedom, [-].

    A level of which there is one only is left out; so is one that some results don't name. A level with one of the
    next within each of it stands together with that one.
    """
    known, lacking = _known_codes(rows)
    found: list[tuple[tuple[str, ...], NDArray[np.intp], int]] = []
    path = np.zeros(len(rows), dtype=np.intp)
    for name, codes in known.items():
        path = pd.MultiIndex.from_arrays([path, codes]).factorize()[0] if len(path) else path
        groups = int(path.max(initial=-1)) + 1
        if len(set(codes)) <= 1:
            so_far = f"{name}: there is one only, so what another would add can't be seen"
            lacking.append(f"{so_far}; {FEWEST_DEGREES + 1} would show it well")
        elif found and groups == found[-1][2]:
            found[-1] = ((*found[-1][0], name), found[-1][1], groups)
        else:
            found.append(((name,), path, groups))
    if not found or found[-1][2] < len(rows):
        found.append(((_LOWEST,), path, len(rows)))
    counts = [1, *(groups for _, _, groups in found[:-1])]
    each = zip(found, counts, strict=True)
    levels = tuple(Level(names, groups, groups - above) for (names, _, groups), above in each)
    lacking += [_together(level) for level in levels if len(level.names) > 1]
    codes_of = {listed(names): codes for names, codes, _ in found[:-1]}
    return Layout(levels, MappingProxyType(codes_of), tuple(lacking))


def _known_codes(rows: pd.DataFrame) -> tuple[dict[str, NDArray[np.object_]], list[str]]:
    """Return the code of each result by level, and a reason for each level that some results don't name."""
    known: dict[str, NDArray[np.object_]] = {}
    lacking: list[str] = []
    for name in _LEVELS:
        column = rows["measured_at"].dt.date if name == "day" else rows[name].astype(object)
        missing = int((column.isna() | (column == "")).sum())
        if missing:
            lacking.append(f"{name}: {missing} of {len(rows)} results don't name one: the level is left out")
        else:
            known[name] = column.to_numpy(object)
    return known, lacking


def _together(level: Level) -> str:
    tell = f"a second {level.names[-1]} within {min(FEWEST_DEGREES, level.groups)} of them would tell"
    fewer = f" a little, within {FEWEST_DEGREES} it would tell well" if level.groups < FEWEST_DEGREES else ""
    return (
        f"{level.name}: each of {level.groups} holds one of the next, so what the one adds can't be told from what "
        f"the other adds; {tell}{fewer}"
    )
