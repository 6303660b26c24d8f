"""Which rows make a run, and the run's name: from the export's own column, or from what stands together."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from pathlib import PurePath
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.exports.cells import Cells

_LONGEST_STEP_US = 60 * 60 * 1_000_000
"""Longest time between two determinations of a run, 60 min, [µs]."""
_NAT = np.iinfo(np.int64).min
_MERE_NUMBER = re.compile(r"\d{1,4}")
_ONE_OF_A_RUN = ("sample", "instrument", "operator", "lot")


def name_runs(
    cells: Cells,
    texts: dict[str, list[str | None]],
    moments: NDArray[np.int64],
    replicates: Sequence[int | None],
    measured: Sequence[tuple[float, ...]],
    zone: ZoneInfo,
) -> list[str | None]:
    """Return the name of each row's run, None for refused rows.

    A name depends on the file alone: never on the files that are read with it. Without a column for it, rows that
    follow each other belong together while sample, instrument, operator and lot stay the same, no step in time is
    over 60 min, and no numbered repeat comes again.
    """
    good = [row for row in range(len(cells)) if row not in cells.problems.found]
    given = cells.text("run")
    keys = list(zip(*(texts[name] for name in _ONE_OF_A_RUN), strict=True))
    names: list[str | None] = [None] * len(cells)
    groups = _together(good, given, keys, moments.tolist(), replicates, measured)
    labels = _labels(cells, groups, texts, moments, zone)
    samples: dict[str, set[str | None]] = {}
    for row in good:
        samples.setdefault(given[row] or "", set()).add(texts["sample"][row])
    for group, label in zip(groups, labels, strict=True):
        for row in group:
            own = given[row]
            names[row] = label if own is None else _own(cells, own, texts["sample"][row], label, samples[own])
    _refuse_repeated(cells, good, given, names, replicates, measured)
    return names


def _own(cells: Cells, own: str, sample: str | None, label: str, samples: set[str | None]) -> str:
    if cells.layout.is_tidy:
        return own
    if _MERE_NUMBER.fullmatch(own):
        return f"{label} run {own}"
    return own if len(samples) == 1 else f"{own} {sample}"


def _together(
    good: list[int],
    given: list[str | None],
    keys: list[tuple[str | None, ...]],
    moments: list[int],
    replicates: Sequence[int | None],
    measured: Sequence[tuple[float, ...]],
) -> list[list[int]]:
    groups: list[list[int]] = []
    by_name: dict[tuple[object, ...], list[int]] = {}
    seen: set[tuple[float, int]] = set()
    for row in good:
        if given[row] is not None:
            key = (given[row], keys[row][0])
            if key not in by_name:
                by_name[key] = []
                groups.append(by_name[key])
            by_name[key].append(row)
            continue
        number = replicates[row]
        repeats = set() if number is None else {(at, number) for at in measured[row]}
        before = groups[-1][-1] if groups else None
        if (
            before is None
            or given[before] is not None
            or keys[before] != keys[row]
            or repeats & seen
            or not _near(moments[before], moments[row])
        ):
            groups.append([])
            seen = set()
        groups[-1].append(row)
        seen |= repeats
    return groups


def _near(one: int, other: int) -> bool:
    return one == _NAT or other == _NAT or abs(other - one) <= _LONGEST_STEP_US


def _labels(
    cells: Cells,
    groups: list[list[int]],
    texts: dict[str, list[str | None]],
    moments: NDArray[np.int64],
    zone: ZoneInfo,
) -> list[str]:
    firsts = np.array([group[0] for group in groups], dtype=np.int64)
    times = pd.to_datetime(moments[firsts].astype("datetime64[us]"), utc=True).tz_convert(zone)
    written = times.strftime("%Y-%m-%d %H:%M").tolist()
    labels: list[str] = []
    count: Counter[str] = Counter()
    for first, when in zip(firsts.tolist(), written, strict=True):
        known = moments[first] != _NAT
        place = when if known else f"{PurePath(cells.file).stem} line {cells.lines[first]}"
        label = " ".join(filter(None, (place, texts["instrument"][first], texts["sample"][first])))
        count[label] += 1
        labels.append(label if count[label] == 1 else f"{label} ({count[label]})")
    return labels


def _refuse_repeated(
    cells: Cells,
    good: list[int],
    given: list[str | None],
    names: list[str | None],
    replicates: Sequence[int | None],
    measured: Sequence[tuple[float, ...]],
) -> None:
    place = cells.where("replicate")
    if place is None:
        return
    seen: dict[tuple[str | None, float, int], int] = {}
    for row in good:
        number = replicates[row]
        if number is None or given[row] is None:
            continue
        for at in measured[row]:
            first = seen.setdefault((names[row], at, number), row)
            if first != row:
                line = cells.lines[first]
                cells.note(
                    row, place, str(number), f"line {line} has this repeat at {at:g} °C; expected another number"
                )
