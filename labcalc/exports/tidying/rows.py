"""Columns → tidy rows: a row a determination; runs and repeats numbered; the third quantity from the other two."""

from collections.abc import Iterable, Sequence
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.exports.arranging.flat import Field
from labcalc.exports.grammar.vocabulary import LIMITS
from labcalc.exports.source.text import ContentError, shown
from labcalc.exports.table import QUANTITY_COLUMNS, TIDY_COLUMNS, Refusal, derived_mark
from labcalc.exports.tidying import contradictions
from labcalc.exports.tidying.cells import Cells
from labcalc.exports.tidying.contradictions import Determinations, thermometer
from labcalc.exports.tidying.runs import name_runs
from labcalc.exports.values.columns import Column, joined
from labcalc.wording import plain

_SAME_TEMPERATURE_K = 0.1  # temperatures are of one set of repeats if they round to the same tenth


def tidy(cells: Cells) -> tuple[dict[str, Any], tuple[Refusal, ...]]:
    """Return the columns of the tidy table of an export and its refused rows, in the order of the file."""
    groups = _determinations(cells)
    contradictions.check_set_temperature(cells)
    contradictions.check_status(cells)
    samples, moments, _ = cells.texts["sample"], cells.moments, cells.replicates  # each notes what it can't read
    _check_presence(cells, samples, groups)
    cells.note_doubled()
    cells.texts["run"] = name_runs(cells, [_measured(one) for one in groups])
    rows = sorted(cells.refused)
    refusals = tuple(map(cells.refusal, rows, samples.each(np.array(rows, np.int64)), moments[rows].tolist()))
    return _columns(cells, groups), refusals


def framed(parts: Sequence[dict[str, Any]], zone: ZoneInfo) -> pd.DataFrame:
    """Return the columns of one or more exports as one tidy table; the parts are used up."""
    table = {}
    for name in TIDY_COLUMNS:
        values = [part.pop(name) for part in parts]
        column = values.pop() if len(values) == 1 else np.concatenate(values)
        if name == "measured_at":
            column = pd.DatetimeIndex(column.view("datetime64[us]"), tz="UTC").tz_convert(zone)
        table[name] = pd.Series(column, dtype=column.dtype, copy=False)
    return pd.DataFrame(table, copy=False)


def _measured(group: Determinations) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    rows = np.flatnonzero(group.measured & ~np.isnan(group.temperature))
    return rows, _tenths(group.temperature[rows])


def _tenths(temperature: NDArray[np.float64]) -> NDArray[np.int64]:
    return np.rint(temperature / _SAME_TEMPERATURE_K).astype(np.int64)


def _determinations(cells: Cells) -> list[Determinations]:
    fields = [one for one in cells.layout.fields if one.holds in QUANTITY_COLUMNS]
    together: dict[tuple[int, float | None], list[Field]] = {}
    for one in sorted(fields, key=lambda field: field.repeat):
        together.setdefault((one.repeat, one.temperature_C), []).append(one)
    groups = [_at_temperature(cells, at, group) for (_, at), group in together.items()]
    if len({one.temperature_C for one in fields if one.temperature_C is not None}) == 1:
        contradictions.hold_against_the_row(cells, groups)
    for group in groups:
        _complete(cells, group)
    return groups


def _at_temperature(cells: Cells, at: float | None, fields: list[Field]) -> Determinations:
    values = dict.fromkeys(QUANTITY_COLUMNS, np.broadcast_to(np.nan, len(cells)))
    halves = values.copy()
    for one in fields:
        values[one.holds], halves[one.holds] = cells.numbers(one)
    return Determinations(at, fields, _temperatures(cells, at, fields), values, halves, np.zeros(len(cells), np.int8))


def _complete(cells: Cells, group: Determinations) -> None:
    contradictions.check_consistency(cells, group)
    group.halves.clear()
    _derive(cells, group)
    if group.at is None:
        place = thermometer(cells, group.fields[0].repeat)
        assert place is not None
        for row in np.flatnonzero(group.measured & np.isnan(group.temperature)).tolist():
            cells.note(row, place, None, "expected a temperature")


def _temperatures(cells: Cells, at: float | None, fields: list[Field]) -> NDArray[np.float64]:
    if at is not None:
        return np.full(len(cells), at)
    place = thermometer(cells, fields[0].repeat)
    if place is None:
        raise ContentError(
            f"column '{shown(fields[0].header)}' has no temperature; expected a temperature column, one in the header, "
            "or temperature_C in [profile.columns] of lab.toml"
        )
    return cells.numbers(place)[0]


def _derive(cells: Cells, group: Determinations) -> None:
    nu, eta, rho = group.values.values()
    follow = (eta / rho * 1000.0, nu * rho / 1000.0, eta / nu * 1000.0)
    for number, (name, value) in enumerate(zip(QUANTITY_COLUMNS, follow, strict=True), 1):
        low, high, unit = LIMITS[name]
        new = np.isnan(group.values[name]) & ~np.isnan(value)
        group.values[name] = np.where(new, value, group.values[name])
        group.derived[new] = number
        one = next(field for field in group.fields if field.holds != name) if new.any() else group.fields[0]
        for row in np.flatnonzero(new & ~((low <= value) & (value <= high))).tolist():
            what = f"a {name} of {value[row]:.5g} {unit} follows"
            expected = f"{what}; expected one from {plain(low, 10)} to {plain(high, 10)} {unit}"
            cells.note(row, one, cells.cell(one, row), expected)


def _check_presence(cells: Cells, samples: Column, groups: list[Determinations]) -> None:
    place = cells.where("sample")
    if place is None:
        raise ContentError("there is no column with the sample's name; [profile.columns] can name one")
    nameless = [at for at, sample in enumerate(samples.distinct) if not sample]
    for row in samples.rows_of(nameless) if nameless else ():
        cells.note(row, place, None, "expected the sample's name, or profile.as_above in lab.toml")
    measured = np.logical_or.reduce([group.measured for group in groups])
    first = next(one for one in cells.layout.fields if one.holds in QUANTITY_COLUMNS)
    for row in np.flatnonzero(~measured & cells.good).tolist():
        cells.note(row, first, None, "the row has neither viscosity nor density; expected at least one")


def _columns(cells: Cells, groups: list[Determinations]) -> dict[str, Any]:
    good = cells.good
    order: Any = slice(None)
    picked: list[Any] = [np.flatnonzero(group.measured & good) for group in groups]
    rows: Any = np.concatenate(picked)
    if len(groups) > 1:
        order = np.argsort(rows, kind="stable")
        rows = rows[order]
    elif len(rows) == len(cells):  # all there are: nothing is copied
        rows = picked[0] = order

    def gathered(parts: Iterable[NDArray[Any]]) -> NDArray[Any]:
        some: list[NDArray[Any]] = [part[at] for part, at in zip(parts, picked, strict=True)]
        return np.concatenate(some)[order] if len(some) > 1 else some[0]

    texts = cells.texts
    runs, derived, columns = texts["run"].at[rows], gathered(group.derived for group in groups), dict[str, Any]()
    for name in ("remark", *texts):  # the one that takes most memory while it is made goes first
        if name in texts:
            text = texts.pop(name).of_rows(rows)
            columns[name] = (_marked(text, derived) if name == "remark" else text).or_none
    temperature = gathered(group.temperature for group in groups)
    replicates = _replicates(runs, _tenths(temperature), cells.replicates[rows])
    columns |= {"measured_at": cells.moments[rows], "temperature_C": temperature, "replicate": replicates}
    columns |= {"source_file": np.full(len(temperature), cells.file, object), "source_line": cells.lines[rows]}
    for name, column in QUANTITY_COLUMNS.items():
        columns[column] = gathered(group.values.pop(name) for group in groups)
    return columns


def _marked(remarks: Column, derived: NDArray[np.int8]) -> Column:
    """Return the remarks with the mark of what was derived, where it isn't there yet."""
    if not derived.any():
        return remarks
    marks = ["", *map(derived_mark, QUANTITY_COLUMNS)]
    at, both = pd.factorize(joined(derived, remarks.at))
    pairs = zip(*np.divmod(both, int(remarks.at.max()) + 1), strict=True)
    said = [(marks[one], remarks.distinct[of]) for one, of in pairs]
    return Column([text if mark in text else f"{text} {mark}".strip() for mark, text in said], at)


def _replicates(runs: NDArray[Any], tenths: NDArray[np.int64], given: NDArray[np.float64]) -> NDArray[np.int64]:
    """Return the numbers of the repeats of a run at a temperature; counted where one is missing or comes twice."""
    key = joined(runs, tenths - tenths.min(initial=0))
    if np.diff(np.sort(key)).all():
        return np.where(np.isnan(given), 1, given).astype(np.int64)
    _, at, times = np.unique(key, return_inverse=True, return_counts=True)
    order = np.argsort(at, kind="stable")
    counted = np.empty(len(at), np.int64)
    counted[order] = np.arange(1, len(at) + 1) - np.repeat(np.cumsum(times) - times, times)
    known = np.nan_to_num(given).astype(np.int64)
    _, again, often = np.unique(joined(at, known), return_inverse=True, return_counts=True)
    return np.where(np.bincount(at, np.isnan(given) | (often[again] > 1))[at] > 0, counted, known)
