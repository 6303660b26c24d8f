"""Columns → tidy rows: a row a determination; runs and repeats numbered; the third quantity from the other two."""

from __future__ import annotations

from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.errors import ExportError
from labcalc.exports.cells import Cells
from labcalc.exports.layout import Field
from labcalc.exports.runs import name_runs
from labcalc.exports.table import QUANTITY_COLUMNS, TIDY_COLUMNS, Refusal, derived_mark
from labcalc.exports.text import shown

_CONSISTENCY_ALLOWANCE = 1e-4
"""How far η may be from ν·ρ, relative, beyond what the rounding of the printed figures explains: instruments compute
with more figures than they print, some with a rounded density."""

_SAME_TEMPERATURE_K = 0.1
"""Temperatures are of one set of repeats if they round to the same tenth."""


@dataclass
class _Determinations:
    """All rows at one temperature; ``mark`` says what was derived."""

    temperature: NDArray[np.float64]
    values: dict[str, NDArray[np.float64]]
    mark: NDArray[np.object_]

    @property
    def measured(self) -> NDArray[np.bool_]:
        """Whether the row has any quantity at this temperature."""
        nu, eta, rho = (self.values[name] for name in QUANTITY_COLUMNS)
        return ~(np.isnan(nu) & np.isnan(eta) & np.isnan(rho))


def tidy(cells: Cells, zone: ZoneInfo) -> tuple[pd.DataFrame, tuple[Refusal, ...]]:
    """Return the tidy table of an export and its refused rows, in the order of the file."""
    groups = _determinations(cells)
    texts = {name: cells.text(name) for name in ("sample", "product", "lot", "role", "remark")}
    texts["instrument"] = cells.text("instrument", cells.profile.instrument)
    texts["operator"] = cells.text("operator", cells.profile.operator)
    moments, replicates = cells.moments(zone), cells.replicates()
    _check_presence(cells, texts["sample"], groups)
    measured = _measured_at(groups, len(cells))
    runs = name_runs(cells, texts, moments, replicates, measured, zone)
    return _table(cells, groups, texts, moments, replicates, runs, zone), _refusals(cells)


def _refusals(cells: Cells) -> tuple[Refusal, ...]:
    return tuple(refusal for _, (_, refusal) in sorted(cells.problems.found.items()))


def _measured_at(groups: list[_Determinations], count: int) -> list[tuple[float, ...]]:
    places: list[list[float]] = [[] for _ in range(count)]
    for group in groups:
        for row in np.flatnonzero(group.measured).tolist():
            places[row].append(round(float(group.temperature[row]), 1))
    return [tuple(place) for place in places]


def _determinations(cells: Cells) -> list[_Determinations]:
    fields = [one for one in cells.layout.fields if one.holds in QUANTITY_COLUMNS]
    by_temperature: dict[float | None, list[Field]] = {}
    for one in fields:
        by_temperature.setdefault(one.temperature_C, []).append(one)
    return [_at_temperature(cells, at, group) for at, group in by_temperature.items()]


def _at_temperature(cells: Cells, at: float | None, fields: list[Field]) -> _Determinations:
    values = {name: np.full(len(cells), np.nan) for name in QUANTITY_COLUMNS}
    halves = {name: np.full(len(cells), np.nan) for name in QUANTITY_COLUMNS}
    for one in fields:
        values[one.holds], halves[one.holds] = cells.numbers(one)
    group = _Determinations(_temperatures(cells, at, fields), values, np.full(len(cells), "", object))
    _check_consistency(cells, fields, values, halves)
    _derive(group)
    if at is None:
        place = cells.where("temperature")
        assert place is not None
        for row in np.flatnonzero(group.measured & np.isnan(group.temperature)).tolist():
            cells.note(row, place, None, "expected a temperature")
    return group


def _temperatures(cells: Cells, at: float | None, fields: list[Field]) -> NDArray[np.float64]:
    if at is not None:
        return np.full(len(cells), at)
    place = cells.where("temperature")
    if place is None:
        raise ExportError(
            cells.file,
            f"column '{shown(fields[0].header)}' has no temperature; expected a temperature column, one in the header, "
            "or temperature_C in [profile.columns] of lab.toml",
        )
    return cells.numbers(place)[0]


def _check_consistency(
    cells: Cells, fields: list[Field], values: dict[str, NDArray[np.float64]], halves: dict[str, NDArray[np.float64]]
) -> None:
    nu, eta, rho = (values[name] for name in QUANTITY_COLUMNS)
    half_nu, half_eta, half_rho = (halves[name] for name in QUANTITY_COLUMNS)
    expected = nu * rho / 1000.0  # η = ν·ρ, in mPa·s, mm²/s and kg/m³
    allowed = half_eta + (half_nu * rho + half_rho * nu) / 1000.0 + _CONSISTENCY_ALLOWANCE * expected
    for row in np.flatnonzero(np.abs(eta - expected) > allowed).tolist():
        one = next(field for field in fields if field.holds == "dynamic viscosity")
        cells.note(
            row, one, cells.texts_at(one, row), f"expected {expected[row]:.5g} mPa·s, kinematic viscosity · density"
        )


def _derive(group: _Determinations) -> None:
    nu, eta, rho = (group.values[name] for name in QUANTITY_COLUMNS)
    with np.errstate(invalid="ignore"):
        for name, value in (
            ("kinematic viscosity", eta / rho * 1000.0),
            ("dynamic viscosity", nu * rho / 1000.0),
            ("density", eta / nu * 1000.0),
        ):
            new = np.isnan(group.values[name]) & ~np.isnan(value)
            group.values[name] = np.where(new, value, group.values[name])
            group.mark[new] = derived_mark(name)


def _check_presence(cells: Cells, samples: list[str | None], groups: list[_Determinations]) -> None:
    place = cells.where("sample")
    if place is None:
        raise ExportError(cells.file, "there is no column with the sample's name; [profile.columns] can name one")
    measured = np.logical_or.reduce([group.measured for group in groups])
    for row, sample in enumerate(samples):
        if not sample:
            cells.note(row, place, None, "expected the sample's name")
    for row in np.flatnonzero(~measured).tolist():
        if row not in cells.problems.found:
            first = next(one for one in cells.layout.fields if one.holds in QUANTITY_COLUMNS)
            cells.note(row, first, None, "the row has neither viscosity nor density; expected at least one")


def _table(
    cells: Cells,
    groups: list[_Determinations],
    texts: dict[str, list[str | None]],
    moments: NDArray[np.int64],
    replicates: list[int | None],
    runs: list[str | None],
    zone: ZoneInfo,
) -> pd.DataFrame:
    good = np.ones(len(cells), bool)
    good[list(cells.problems.found)] = False
    picked = [np.flatnonzero(group.measured & good) for group in groups]
    rows = np.concatenate(picked)
    order = np.argsort(rows, kind="stable")
    rows = rows[order]

    def joined(parts: list[NDArray[np.float64]]) -> NDArray[np.float64]:
        return np.concatenate([part[at] for part, at in zip(parts, picked, strict=True)])[order]

    columns: dict[str, object] = {}
    by_name: dict[str, NDArray[np.object_]] = {name: np.array(values, object)[rows] for name, values in texts.items()}
    marks = np.concatenate([group.mark[at] for group, at in zip(groups, picked, strict=True)])[order]
    by_name["remark"] = _marked(by_name["remark"], marks)
    by_name["run"] = np.array(runs, object)[rows]
    by_name["source_file"] = np.full(len(rows), cells.file, object)
    columns |= {name: pd.Series(values, dtype=object) for name, values in by_name.items()}
    stamps = pd.to_datetime(moments[rows].astype("datetime64[us]"), utc=True)
    columns["measured_at"] = pd.DatetimeIndex(stamps).as_unit("us").tz_convert(zone)
    columns["temperature_C"] = joined([group.temperature for group in groups])
    for name, column in QUANTITY_COLUMNS.items():
        columns[column] = joined([group.values[name] for group in groups])
    columns["source_line"] = np.array(cells.lines, np.int64)[rows]
    table = pd.DataFrame(columns)
    table["replicate"] = _replicates(table, np.array(replicates, float)[rows])
    return table[list(TIDY_COLUMNS)]


def _marked(remarks: NDArray[np.object_], marks: NDArray[np.object_]) -> NDArray[np.object_]:
    for at in np.flatnonzero(marks != "").tolist():
        text = remarks[at] or ""
        if marks[at] not in text:
            remarks[at] = f"{text} {marks[at]}".strip()
    return remarks


def _replicates(table: pd.DataFrame, given: NDArray[np.float64]) -> NDArray[np.int64]:
    tenth = (table["temperature_C"] / _SAME_TEMPERATURE_K).round()
    groups = table["run"].groupby([table["run"], tenth], sort=False)
    missing = pd.Series(np.isnan(given)).groupby([table["run"], tenth], sort=False).transform("any").to_numpy(bool)
    counted = groups.cumcount().to_numpy() + 1
    return np.where(missing, counted, np.nan_to_num(given, nan=0.0)).astype(np.int64)
