"""Files → the tidy table."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from fnmatch import fnmatchcase
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import pandas as pd

from labcalc.errors import ExportError
from labcalc.exports.cells import Cells
from labcalc.exports.layout import Layout, header_of, lay_out
from labcalc.exports.profile import Profile
from labcalc.exports.records import DELIMITERS, split
from labcalc.exports.rows import tidy
from labcalc.exports.sheet import sheets
from labcalc.exports.table import Reading, SourceFile
from labcalc.exports.text import decode, shown

_WORKBOOKS = (".xlsx", ".xlsm")
_NO_PROFILE = Profile(name="", files=())
_UNRELATED = (
    "there is no header with a viscosity or density column beside others, such as 'Sample' and "
    "'Kinematic viscosity (mm²/s)'; [profile.columns] in lab.toml can name the columns"
)


def read_export(path: str | Path, *, profiles: Sequence[Profile] = (), time_zone: str = "UTC") -> Reading:
    """Read one run export.

    Parameters
    ----------
    path : str or pathlib.Path
        A .csv, .txt or .tsv of any dialect, or a workbook (.xlsx, .xlsm).
    profiles : sequence of Profile
        What the laboratory says about its exports; the first whose patterns fit the file name is used.
    time_zone : str
        IANA name; holds for times without an offset.

    Returns
    -------
    Reading
        The tidy table: temperatures in [°C], kinematic viscosity in [mm²/s], dynamic viscosity in [mPa·s], density in
        [kg/m³]; texts as objects with None, numbers with NaN and moments with NaT where there is none.

    Raises
    ------
    ExportError
        The file can't be read at all, or reads in two ways.
    """
    path = Path(path)
    data = _bytes(path)
    zone = _zone(time_zone)
    profile = next((one for one in profiles if _fits(path.name, one)), _NO_PROFILE)
    layout, delimiter, words = _layout(path, data, profile)
    cells = Cells(layout, profile, path.name, delimiter)
    table, refusals = tidy(cells, zone)
    source = SourceFile(
        name=path.name,
        sha256=hashlib.sha256(data).hexdigest(),
        rows_read=len(cells) - len(refusals),
        rows_refused=len(refusals),
        dialect=_dialect(words, cells, layout, profile),
    )
    return Reading(table, refusals, (source,))


def read_exports(paths: Iterable[str | Path], *, profiles: Sequence[Profile] = (), time_zone: str = "UTC") -> Reading:
    """Read run exports one after the other into one table.

    Content that was read already under another name is not read again: its source has no rows and says so. Files that
    can't be read are in ``failures``; see ``read_export`` for the rest.

    Raises
    ------
    ExportError
        No file could be read; the first one's reason.
    """
    readings: list[Reading] = []
    failures: list[ExportError] = []
    first: dict[str, str] = {}
    for path in map(Path, paths):
        try:
            again = _read_before(path, first)
            readings.append(again or read_export(path, profiles=profiles, time_zone=time_zone))
        except ExportError as failure:
            failures.append(failure)
            continue
        if again is None:
            first[readings[-1].sources[0].sha256] = path.name
    if not readings:
        raise failures[0] if failures else ExportError("exports", "no file is given; expected at least one")
    tables = [one.table for one in readings if len(one.table)]
    return Reading(
        pd.concat(tables, ignore_index=True) if tables else readings[0].table,
        tuple(refusal for one in readings for refusal in one.refusals),
        tuple(source for one in readings for source in one.sources),
        tuple(failures),
    )


def _read_before(path: Path, first: dict[str, str]) -> Reading | None:
    digest = hashlib.sha256(_bytes(path)).hexdigest()
    if digest not in first:
        return None
    source = SourceFile(path.name, digest, 0, 0, f"same content as {first[digest]}, read once")
    return Reading(pd.DataFrame(), (), (source,))


def _bytes(path: Path) -> bytes:
    if path.is_dir():
        raise ExportError(str(path), "this is a folder; expected a file")
    try:
        return path.read_bytes()
    except FileNotFoundError:
        raise ExportError(str(path), "there is no such file") from None
    except (OSError, ValueError) as failure:
        reason = getattr(failure, "strerror", None) or "its name can't be one"
        raise ExportError(str(path), f"the file can't be read: {reason}") from None


def _zone(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError):
        raise ExportError(
            "time zone", f"there is no time zone '{shown(name)}'; expected one like Europe/Lisbon"
        ) from None


def _fits(name: str, profile: Profile) -> bool:
    return any(fnmatchcase(name.casefold(), pattern.casefold()) for pattern in profile.files)


def _layout(path: Path, data: bytes, profile: Profile) -> tuple[Layout, str, list[str]]:
    if path.suffix.lower() in _WORKBOOKS:
        return _layout_of_sheet(path, data, profile)
    text, encoding = decode(data, path.name, profile.encoding)
    found = []
    for delimiter in [profile.delimiter] if profile.delimiter else DELIMITERS:
        header = header_of(split(text, delimiter), profile.columns) if delimiter in text else None
        if header is not None:
            found.append((header[1], header[0], delimiter))
    if not found:
        raise ExportError(path.name, _UNRELATED)
    _, place, delimiter = max(found, key=lambda one: one[0])
    layout = lay_out(list(split(text, delimiter)), place, profile.columns, path.name)
    return layout, delimiter, [encoding, DELIMITERS.get(delimiter, f"cells divided by '{delimiter}'")]


def _layout_of_sheet(path: Path, data: bytes, profile: Profile) -> tuple[Layout, str, list[str]]:
    if not data:
        raise ExportError(path.name, "the file is empty; expected a workbook (.xlsx)")
    for name, records in sheets(path, path.name, profile.sheet):
        header = header_of(iter(records), profile.columns)
        if header is not None:
            layout = lay_out(records, header[0], profile.columns, path.name)
            return layout, "", [f"workbook, sheet '{shown(name)}'"]
    raise ExportError(path.name, _UNRELATED)


def _dialect(words: list[str], cells: Cells, layout: Layout, profile: Profile) -> str:
    sign = "decimal comma" if cells.decimal == "," else "decimal point"
    parts = [*words, sign, f"header in line {layout.header_line}"]
    if layout.preamble:
        parts.append(f"{', '.join(layout.preamble)} from above the header")
    if layout.set_aside:
        lines = ", ".join(map(str, layout.set_aside[:5])) + (" ..." if len(layout.set_aside) > 5 else "")
        parts.append(f"no rows: line {lines}")
    if layout.unused:
        parts.append(f"columns not used: {', '.join(map(shown, layout.unused))}")
    if profile.name:
        parts.append(f"profile '{profile.name}'")
    return ", ".join(parts)
