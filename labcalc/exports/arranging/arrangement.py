"""Records, or the sheets of a workbook, → one flat table: set aside, reshaped, headed, divided into sections."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import islice

from labcalc.errors import ExportError
from labcalc.exports.arranging.divisions import TOLD_OF_A_ROW, Beneath, Sections, headed, is_rule, refuse_other_header
from labcalc.exports.arranging.flat import MEASURED, Flat, fits, key_and_value, meaning_at, missing, named, placed
from labcalc.exports.arranging.layout import preamble_of
from labcalc.exports.arranging.reshape import blocks, pivoted, turned
from labcalc.exports.grammar.units import unit_of
from labcalc.exports.profile import BLANKS, DATE_ORDERS, Arrangement, Column, Profile
from labcalc.exports.source.text import ContentError, Record, shown
from labcalc.exports.table import TIDY_COLUMNS
from labcalc.exports.values.dates import parse_moment

_DATED = {"measured_at", "date", "year", "start"}
HEAD = 1000  # records at the beginning among which the header stands
_ANCHORS = {"blocks": "the key of a viscosity or a density", "turned": "'Sample', or what [profile.columns] has for it"}
WIDEST = 4096  # cells of a header; a line that holds more is none, and is not looked at word by word
Sheet = tuple[str, bool, Iterator[Record]]  # name, whether it is hidden, and records
_SAYS_WHICH = "profile.sheet in lab.toml says which to read, one name or a list"


@dataclass(frozen=True)
class Header:
    """Where a header stands among the records, how many of its cells are known, and its texts in one record."""

    place: int
    known: int
    record: Record


def arrange(records: Iterable[Record], how: Arrangement, header: Header | None = None) -> Flat | None:
    """Return an export as one flat table, beneath a header or that which is found; None where none is found."""
    aside: list[int] = []
    sections = Sections(how.sections, how.columns)
    if how.layout == "blocks":
        table = blocks(sections.without_heads(_rest(records, how, aside)), how, aside)
    else:
        records = iter(reshaped(records, how))
        head = list(islice(records, HEAD))
        header = header or header_of(head, how)
        table = _beneath(head, records, header, how, sections, aside) if header else None
    if table is None:
        return None
    names = [*table.header.cells, *(field.header for field, _ in table.preamble.values())]
    if sections.kinds:
        table.add({kind: Column(kind) for kind in sections.kinds}, sections.over)
    table.fill(how.as_above)
    if how.layout == "quantities":
        table = pivoted(table, how)
    if problem := missing(how.columns, [*names, *table.header.cells]):
        raise ContentError(problem)
    return table


def reshaped(records: Iterable[Record], how: Arrangement) -> Iterable[Record]:
    """Return the records with the header across, as ``lay_out`` wants it."""
    return turned(records, how.columns) if how.layout == "turned" else records


def why_not(records: Iterable[Record], how: Arrangement) -> str:
    """Return what keeps an export from being read as the profile says; empty where the profile says nothing of it."""
    if how.layout in _ANCHORS:
        anchor = f"'{how.block_start}'" if how.block_start else _ANCHORS[how.layout]
        return f"profile.layout is '{how.layout}', but no line begins with {anchor}"
    lines = [(one.line, [cell.strip() for cell in one.cells]) for one in islice(records, HEAD)]
    line, cells = max(lines, key=lambda one: len(named(how.columns, one[1])), default=(0, []))
    nearest = f"no line is the header that the profile describes; line {line} comes nearest, but "
    return nearest + missing(how.columns, cells) if named(how.columns, cells) else ""


def _rest(records: Iterable[Record], how: Arrangement, aside: list[int], table: Flat | None = None) -> Iterable[Record]:
    """Return the records that the profile doesn't set aside; beneath a header, another one never is."""
    return _without(records, how, aside, table) if how.set_aside else records


def _without(records: Iterable[Record], how: Arrangement, aside: list[int], table: Flat | None) -> Iterator[Record]:
    above = headed(table) if table else []
    for record in records:
        cells = [cell.strip() for cell in record.cells]
        if not any(cell and fits(cell, how.set_aside) for cell in cells):
            yield record
            continue
        if table:
            words, texts = ", ".join(filter(None, cells)), zip(above, cells, strict=False)
            refuse_other_header(texts, f"line {record.line}", words, table.header.line)
        aside.append(record.line)


def header_of(records: Iterable[Record], how: Arrangement) -> Header | None:
    """Return the first header, or the best of those that begin in its lines; None if there is none."""
    window: list[Record] = []
    best: Header | None = None
    for last, record in enumerate(records):
        window = [*window, record][-max(how.header_rows, 1) :]
        if len(window) < how.header_rows:
            continue
        header = joined_lines(window) if how.header_rows else header_of_places(record, how)
        known = 0 if record.is_blank else _known(header, how)
        if known > (best.known if best else 0):
            best = Header(last + 1 - len(window), known, header)
        if best and last - best.place >= 2 * (len(window) - 1):
            break
    return best


def _known(header: Record, how: Arrangement) -> int:
    """Return how many cells are known, 0 if they make no header."""
    cells = [cell.strip() for cell in header.cells]
    if len(cells) > WIDEST and sum(map(bool, cells)) > WIDEST:
        return 0
    said = named(how.columns, cells)
    meanings = [meaning_at(cell, said.get(at)) for at, cell in enumerate(cells)]
    understood = ((at, one.holds) for at, one in enumerate(meanings) if one is not None)
    holds = {at: held for at, held in understood if held not in ("ignored", "method", "status")}
    kinds = {*holds.values()}
    is_result = {"quantity", "value"} <= kinds if how.layout == "quantities" else bool({*MEASURED} & kinds)
    known = sum(bool(cells[at]) for at in holds)
    return known if is_result and known >= 2 and 2 * known >= len(named(placed(how.columns), cells)) else 0


def joined_lines(records: Sequence[Record]) -> Record:
    """Return header lines as one: a text above others spans to the right until the next one in its line."""
    width = max(len(record.cells) for record in records)
    rows = [[cell.strip() for cell in record.cells] + [""] * (width - len(record.cells)) for record in records]
    lower = rows[-1]
    for upper in reversed(rows[:-1]):
        head, texts = "", list[str]()
        for text, beneath in zip(upper, lower, strict=True):
            head = (text if beneath else "") if text else head
            texts.append(" ".join(filter(None, (text or (head if beneath else ""), beneath))))
        lower = texts
    return Record(records[0].line, lower)


def header_of_places(record: Record, how: Arrangement) -> Record:
    """Return places as header of a record that is wide enough for the columns named, and none for another."""
    names = {place: name for name in how.columns for place in named({name: how.columns[name]}, [])}
    width = len(record.cells) if len(record.cells) > max(names, default=0) else 0
    return Record(record.line, [names.get(at, f"column {at + 1}") for at in range(width)])


def _beneath(
    head: list[Record], more: Iterator[Record], header: Header, how: Arrangement, sections: Sections, aside: list[int]
) -> Flat:
    """Return the table that begins with a header in the head of the records."""
    place, end = header.place, header.place + how.header_rows
    if how.header_rows > 1 and (earlier := [record.line for record in head[:place] if _known(record, how)]):
        problem = f"line {earlier[0]} is a header above that of {how.header_rows} lines, line {header.record.line}"
        raise ContentError(f"{problem}; expected profile.header_rows to fit the first")
    cells = [cell.strip() for cell in header.record.cells]
    said = named(how.columns, cells)
    width = max([*said, *(at for at, cell in enumerate(cells) if cell)], default=-1) + 1
    first, units = _units(head, place, end, how)
    if units and how.delimiter in BLANKS and len(units) != len(cells):
        problem = f"there are {len(units)} units for {len(cells)} columns"
        raise ContentError(f"{problem} in line {header.record.line}; profile.widths can say where each stands")
    table = Flat(Record(header.record.line, (cells + [""] * width)[:width]), units, said, [], set_aside=aside)
    table.preamble = preamble_of(head[:place], how.columns)
    gap = max((at for at in range(place) if head[at].is_blank), default=-1)
    for above, is_near in ((head[: gap + 1], False), (head[gap + 1 : place], True)):
        list(sections.without_heads(above, is_near))
    meanings = [one.holds if (one := table.meaning(at)) else "" for at in range(width)]
    if not _DATED & {*meanings, *table.preamble, *how.sections}:
        table.unread += [f"'{shown(key)}' of line {record.line}" for record in head[:place] if (key := _dated(record))]
    measured, told = ([at for at in range(width) if meanings[at] in kinds] for kinds in (MEASURED, TOLD_OF_A_ROW))
    repeated = [[cell.strip() for cell in record.cells] for record in head[place:first]]
    beneath = Beneath(repeated, len(cells), width, measured, told, tuple(table.header.cells) == TIDY_COLUMNS, aside)
    near, rest = (sections.without_heads(_rest(part, how, aside, table)) for part in (head[first:], more))
    table.rows = beneath.rows(list(near), iter(rest))
    return table


def _dated(record: Record) -> str:
    """Return the key of a line whose value is a day or a moment; empty for another line."""
    key, value = key_and_value(record.cells)
    return key if any(parse_moment(value[:60], "", order) for order in DATE_ORDERS) else ""


def _units(records: list[Record], place: int, end: int, how: Arrangement) -> tuple[int, list[str]]:
    """Return the place of the first row, and the units."""
    if how.units_row is None or not how.header_rows:
        return _units_beneath(records, end - 1) if how.header_rows else (place, [])
    at = (end - 1 if how.units_row > 0 else place) + how.units_row
    cells = [cell.strip() for cell in records[at].cells] if 0 <= at < len(records) else []
    units = [cell if unit_of(cell) else "" for cell in cells]
    if not any(units):
        texts = ", ".join(map(shown, filter(None, cells)))
        where = f"line {records[at].line} has {texts}" if cells else "there is none"
        raise ContentError(f"profile.units_row is {how.units_row}: {where}; expected the line of units")
    return max(at + 1, end), units


def _units_beneath(records: list[Record], place: int) -> tuple[int, list[str]]:
    """Return the place of the first row beneath a header, and the units where a line of them stands between."""
    for at in range(place + 1, len(records)):
        cells = [cell.strip() for cell in records[at].cells]
        filled = [cell for cell in cells if cell.strip("-–")]
        if not any(cells) or is_rule(records[at]):
            continue
        if filled and all(unit_of(cell) for cell in filled):
            return at + 1, cells
        break
    return place + 1, []


def with_results(sheets: Iterable[Sheet], how: Profile) -> dict[tuple[str, bool], Flat | ExportError]:
    """Return the table of each sheet with results, or why it can't be read; empty tables only where all are."""
    found: dict[tuple[str, bool], Flat | ExportError] = {}
    for name, is_hidden, records in sheets:
        try:
            if table := arrange(records, how):
                found[name, is_hidden] = table
        except ExportError as failure:
            found[name, is_hidden] = failure
    filled = {key: table for key, table in found.items() if isinstance(table, ExportError) or table.near()}
    return found if how.sheet else filled or dict([*found.items()][:1])


def chosen(found: Mapping[tuple[str, bool], Flat | ExportError], how: Profile) -> dict[str, Flat]:
    """Return the tables that the profile names, or the only visible one; raise ExportError where that can't be told."""
    names = [name for name, is_hidden in found if how.sheet or not is_hidden]
    if found and not names:
        raise ContentError(f"only hidden sheets have results: {listed(name for name, _ in found)}; {_SAYS_WHICH}")
    if len(names) > 1 and not how.sheet:
        raise ContentError(f"{listed(names)} have results; {_SAYS_WHICH}")
    if names and (without := [name for name in how.sheet if name not in names]):
        raise ContentError(f"{listed(without)}, named by profile.sheet: there is no header of results")
    tables = {name: table for (name, _), table in found.items() if name in names}
    if failure := next((one for one in tables.values() if isinstance(one, ExportError)), None):
        raise failure
    return {name: table for name, table in tables.items() if isinstance(table, Flat)}


def listed(names: Iterable[str]) -> str:
    """Return the names of sheets in words: sheets 'A', 'B'."""
    named = [f"'{shown(name)}'" for name in names]
    return f"sheet{'s' if len(named) > 1 else ''} {', '.join(named)}"


def stacked(tables: Mapping[str, Flat]) -> Flat:
    """Return the tables of sheets as one: columns of the same header and unit are one; each row knows its sheet."""
    first, *others = tables.values()
    if not others:
        return first
    if differ := {holds for one in others for holds, _ in _said_above(one) ^ _said_above(first)}:
        what = f"{listed(tables)} differ in what is above their headers: {', '.join(sorted(differ))}"
        raise ContentError(f"{what}; expected profile.sheet to name one of them, or each as a file of its own")
    names: dict[tuple[str, str, int], int] = {}
    places: dict[str, list[int]] = {}
    for sheet, table in tables.items():
        cells = table.header.cells
        keys = [(cell, table.unit_beneath(at), cells[:at].count(cell)) for at, cell in enumerate(cells)]
        places[sheet] = [names.setdefault(key, len(names)) for key in keys]
    header, units, _ = zip(*names, strict=True)
    said = {places[sheet][at]: column for sheet, table in tables.items() for at, column in table.said.items()}
    rows = [row for sheet, table in tables.items() for row in _placed(table, sheet, places[sheet], len(names))]
    aside = [line for table in tables.values() for line in table.set_aside]
    return Flat(replace(first.header, cells=[*header]), [*units], said, rows, first.preamble, aside)


def _said_above(table: Flat) -> set[tuple[str, object]]:
    return {(holds, (field.unit, value)) for holds, (field, value) in table.preamble.items()}


def _placed(table: Flat, sheet: str, places: list[int], width: int) -> Iterator[Record]:
    for row in table.listed():
        flaw, cells = row.fault(len(places)), [""] * width
        for place, cell in zip(places, row.cells, strict=False):
            cells[place] = cell
        yield replace(row, cells=row.cells if flaw else cells, flaw=flaw, sheet=sheet)
