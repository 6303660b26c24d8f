"""Files → the tidy table."""

import hashlib
import stat
from collections.abc import Iterable, Sequence
from fnmatch import fnmatchcase
from itertools import islice
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from labcalc.errors import ExportError, typed
from labcalc.exports.arranging import arrangement
from labcalc.exports.arranging.flat import Flat
from labcalc.exports.arranging.layout import FILE_NAME, Layout, add_moments, lay_out, state
from labcalc.exports.profile import Profile
from labcalc.exports.source.sheet import sheets
from labcalc.exports.source.text import DELIMITERS, ContentError, decode, divided, name_of, naming, shown
from labcalc.exports.table import Reading, Refusal, SourceFile
from labcalc.exports.tidying.cells import Cells
from labcalc.exports.tidying.contradictions import refuse_dividing_lines
from labcalc.exports.tidying.rows import framed, tidy

WORKBOOKS = (".xlsx", ".xlsm")
_DIVIDED = {**DELIMITERS, "": "lines", "blanks": "blanks", "two blanks": "two blanks or more"}
_LARGEST, _MOST_LINES, _LONGEST_LINE = 128 << 20, 1 << 20, 16 << 20  # bytes, lines, characters: a million rows
_NO_PROFILE = Profile(name="", files=())
_Read = tuple[dict[str, Any], tuple[Refusal, ...], SourceFile]
_UNRELATED = (
    "there is no header with a viscosity or density column beside others, such as 'Sample' and "
    "'Kinematic viscosity (mm²/s)'; [profile.columns] in lab.toml can name the columns"
)
_HEADERS = {"rows": "header in line {}", "blocks": "blocks from line {} on", "turned": "samples across from line {} on"}
_HEADERS |= {"quantities": "a row a quantity, header in line {}"}


def read_export(path: str | Path, *, profiles: Sequence[Profile] = (), time_zone: str = "UTC") -> Reading:
    """Read one run export.

    path : A .csv, .txt or .tsv of any dialect, or a workbook (.xlsx, .xlsm).
    profiles : What the laboratory says about its exports; the first whose patterns fit the file name is used.
    Returns : The tidy table: temperatures in [°C], kinematic viscosity in [mm²/s], dynamic viscosity in [mPa·s],
        density in [kg/m³]; texts as objects with None, numbers with NaN and moments with NaT where there is none.
    Raises ExportError : The file can't be read at all, or reads in two ways.
    """
    return read_exports([path], profiles=profiles, time_zone=time_zone)


def read_exports(paths: Iterable[str | Path], *, profiles: Sequence[Profile] = (), time_zone: str = "UTC") -> Reading:
    """Read run exports one after the other into one table.

    Content that was read already under another name is not read again: its source has no rows and says so. Files that
    can't be read are in ``failures``; see ``read_export`` for the rest.

    Raises ExportError : No file could be read; the first one's reason.
    """
    zone = zone_of(time_zone)
    tables: list[dict[str, Any]] = []
    refusals: list[Refusal] = []
    failures: list[ExportError] = []
    sources: list[SourceFile] = []
    first: dict[str, str] = {}
    for path in map(Path, paths):
        try:
            held = [content_of(path)]
            digest = hashlib.sha256(held[0]).hexdigest()
            if digest in first:
                sources.append(SourceFile(name_of(path), digest, 0, 0, f"same content as {first[digest]}, read once"))
                continue
            columns, refused, source = read_bytes(path, held.pop(), digest, profiles, zone)
        except ExportError as failure:
            failures.append(failure)
            continue
        sources.append(source)
        refusals += refused
        tables.append(columns)
        first[digest] = name_of(path)
    if not sources:
        raise failures[0] if failures else ExportError("exports", "no file is given; expected at least one")
    return Reading(framed(tables, zone), tuple(refusals), tuple(sources), tuple(failures))


def read_bytes(path: Path, data: bytes, digest: str, profiles: Sequence[Profile], zone: ZoneInfo) -> _Read:
    """Return the tidy columns, refusals and source of the content of a file, by the profile that its name fits."""
    profile = next((one for one in profiles if fits_profile(name_of(path), one)), _NO_PROFILE)
    held = [data]
    del data  # handed over, it goes as soon as it is text
    try:
        return read_content(path, held.pop(), digest, profile, zone)
    except ExportError as failure:
        if profile is not _NO_PROFILE or "profile" not in failure.problem or "profile.encoding" in failure.problem:
            raise
        how = f"`labcalc read {typed(shown(name_of(path)))} --propose` proposes a profile"
        raise ExportError(failure.file, f"{failure.problem}; {how}") from None


def read_content(path: Path, data: bytes, digest: str, profile: Profile, zone: ZoneInfo) -> _Read:
    """Return the tidy columns, refusals and source of the content of a file."""
    held = [data]
    del data
    table, delimiter, words = table_of(path, held.pop(), profile, zone)
    name = name_of(path)
    with naming(name):
        layout = lay_out(table)
        cells = Cells(layout, profile, name, delimiter, zone)
        columns, refusals = tidy(cells)
        refuse_dividing_lines(cells)
    dialect = _dialect(words, cells, layout, profile)
    doubled = tuple(cells.lines[cells.doubled].tolist())
    read = len(cells) - len(refusals) - len(doubled), len(refusals)
    left_out = layout.set_aside, layout.unused
    return columns, refusals, SourceFile(name, digest, *read, dialect, len(columns["run"]), *left_out, doubled)


def content_of(path: Path) -> bytes:
    """Return the content of a regular file; what is none is never opened: reading it might not end."""
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise ExportError(str(path), "this is a folder; expected a file")
        if not stat.S_ISREG(status.st_mode):
            raise ExportError(str(path), "this is a pipe or a device; expected a file")
        if status.st_size > _LARGEST:
            size = f"{status.st_size / 2**20:,.0f} MB"
            raise ExportError(str(path), f"the file has {size}; expected an export of at most {_LARGEST >> 20} MB")
        return path.read_bytes()
    except FileNotFoundError:
        raise ExportError(str(path), "there is no such file") from None
    except ExportError:
        raise
    except (OSError, ValueError) as failure:
        reason = getattr(failure, "strerror", None) or "its name can't be one"
        raise ExportError(str(path), f"the file can't be read: {reason}") from None


def zone_of(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError):
        problem = f"there is no time zone '{shown(name)}'; expected one like Europe/Lisbon"
        raise ExportError("time zone", problem) from None


def fits_profile(name: str, profile: Profile) -> bool:
    """Tell whether a file's name fits one of the patterns of a profile."""
    return any(fnmatchcase(name.casefold(), pattern.casefold()) for pattern in profile.files)


def table_of(path: Path, data: bytes, profile: Profile, zone: ZoneInfo) -> tuple[Flat, str, list[str]]:
    """Return the content of a file as one table, what divides its cells, and in words how it was read."""
    held = [data]
    del data
    reader = _of_sheet if path.suffix.lower() in WORKBOOKS else _of_text
    with naming(name_of(path)):
        table, delimiter, words = reader(held.pop(), profile)
        state(table, profile, name_of(path))
        add_moments(table, profile, zone)
    return table, delimiter, words


def _of_text(data: bytes, profile: Profile) -> tuple[Flat, str, list[str]]:
    text, encoding = decode(data, profile.encoding)
    del data
    if (lines := max(text.count("\n"), text.count("\r"))) > _MOST_LINES:
        raise ContentError(f"the file has {lines:,} lines; expected at most {_MOST_LINES:,}")
    if _has_endless_line(text):
        raise ContentError(f"a line has over {_LONGEST_LINE:,} characters; expected lines of results")
    delimiters = [one for one in DELIMITERS if one in text]
    if profile.delimiter or profile.widths or profile.layout == "blocks":
        delimiters = [profile.delimiter or ""]

    def known(delimiter: str) -> int:
        records = arrangement.reshaped(divided(text, delimiter), profile)
        header = arrangement.header_of(islice(records, arrangement.HEAD), profile)
        return header.known if header else 0

    delimiter = max(delimiters, key=known) if len(delimiters) > 1 else "".join(delimiters)
    table = arrangement.arrange(divided(text, delimiter, profile.widths), profile)
    if table is None:
        reasons = (arrangement.why_not(divided(text, one, profile.widths), profile) for one in delimiters)
        raise ContentError(next(filter(None, reasons), _UNRELATED))
    words = "fixed widths" if profile.widths else _DIVIDED.get(delimiter, f"cells divided by '{delimiter}'")
    return table, delimiter, [encoding, words]


def _has_endless_line(text: str) -> bool:
    start = 0
    while len(text) - start > _LONGEST_LINE:
        end = max(text.rfind(mark, start, start + _LONGEST_LINE + 1) for mark in "\r\n")
        if end < 0:
            return True
        start = end + 1
    return False


def _of_sheet(data: bytes, profile: Profile) -> tuple[Flat, str, list[str]]:
    if not data:
        raise ContentError("the file is empty; expected a workbook (.xlsx)")
    found = arrangement.with_results(sheets(data, profile.sheet), profile)
    tables = arrangement.chosen(found, profile)
    if not tables:
        reasons = (arrangement.why_not(records, profile) for _, _, records in sheets(data, profile.sheet))
        raise ContentError(next(filter(None, reasons), _UNRELATED))
    table = arrangement.stacked(tables)
    hidden = (name for name, is_hidden in found if is_hidden and name not in tables)
    table.unread += [f"hidden {arrangement.listed([name])}" for name in hidden]
    return table, "", [f"workbook, {arrangement.listed(tables)}"]


def _dialect(words: list[str], cells: Cells, layout: Layout, profile: Profile) -> str:
    sign = "decimal comma" if cells.decimal == "," else "decimal point"
    parts = [*words, sign, _HEADERS[profile.layout].format(layout.header_line)]
    places = {holds: field.header if field.position == -1 else "" for holds, (field, _) in layout.preamble.items()}
    for place, called in (("", "above the header"), (FILE_NAME, "the file's name")):
        if said := [holds for holds, own in places.items() if own == place]:
            parts.append(f"{', '.join(said)} from {called}")
    return ", ".join([*parts, *[f"profile '{profile.name}'"] * bool(profile.name)])
