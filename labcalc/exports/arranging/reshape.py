"""Records that are no rows → rows put together of them, each cell with the line and column that it comes from."""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import cache
from itertools import zip_longest

from labcalc.exports.arranging.divisions import is_rule
from labcalc.exports.arranging.flat import MEASURED, NOT_TAKEN, Flat, key_and_value, meaning_at, named, placed
from labcalc.exports.arranging.layout import preamble_of, refuse_measured
from labcalc.exports.grammar.units import unit_of
from labcalc.exports.grammar.vocabulary import Meaning, is_invalid
from labcalc.exports.profile import Arrangement, Column
from labcalc.exports.source.sheet import joined
from labcalc.exports.source.text import ContentError, Record

_MOST_COLUMNS = 1024
_Name = tuple[str, str]  # header of a column put together, and what tells it from others of the same header
_Cell = tuple[str, tuple[int, str]]  # a text, and the line and column that it comes from


def _put_together(rows: Sequence[Mapping[_Name, _Cell]]) -> tuple[Record, list[Record]]:
    """Return header and rows; each has the line of its first cell."""
    names = list(dict.fromkeys(name for row in rows for name in row))
    if len(names) > _MOST_COLUMNS:
        raise ContentError(f"there are {len(names)} different keys or quantities; expected {_MOST_COLUMNS} at most")
    records = []
    for row in rows:
        cells = [row.get(name, ("", None)) for name in names]
        line = min(origin[0] for _, origin in row.values())
        records.append(Record(line, [text for text, _ in cells], origins=[origin for _, origin in cells]))
    return Record(records[0].line, [title for title, _ in names]), records


def _by_text(columns: Mapping[str, Column]) -> dict[str, Column]:
    return {name: column for name, column in columns.items() if name not in placed(columns)}


def _said_of(key: str, columns: Mapping[str, Column], beneath: str = "") -> Meaning | None:
    return meaning_at(key, named(columns, [key]).get(0), beneath)


def turned(records: Iterable[Record], columns: Mapping[str, Column]) -> list[Record]:
    """Return the lines above a table with quantities down and samples across, and its columns as rows; none if none."""
    lines = [record for record in records if not record.is_blank and not is_rule(record)]
    labels = [record.cells[0].strip() for record in lines]
    columns = _by_text(columns)
    meanings = [_said_of(label, columns) if label else None for label in labels]
    named_so = [at for at, one in enumerate(meanings) if one is not None and one.holds == "sample"]
    starts = named_so or [at for at, label in enumerate(labels) if not label]
    if not starts:
        return []
    table, titles = lines[starts[0] :], [cell.strip() for cell in lines[starts[0]].cells]
    widths = [len(record.cells) for record in table]
    if len(table) * max(widths) > 20 * sum(widths) + 10**6:
        raise ContentError("the lines have very different numbers of cells; expected a table turned on its side")
    rows = []
    for number, cells in enumerate(zip_longest(*(record.cells for record in table), fillvalue="")):
        title = titles[number] if number < len(titles) and titles[number] else f"column {number + 1}"
        flaws = (one.flaw or (None if one.ended or number < len(one.cells) else "the line ends") for one in table)
        broken = next((f"line {one.line}: {flaw}" for one, flaw in zip(table, flaws, strict=True) if flaw), None)
        rows.append(Record(table[0].line, list(cells), broken, origins=[(one.line, title) for one in table]))
    rows[0].cells[0] = rows[0].cells[0].strip() or "Sample"
    return lines[: starts[0]] + [row for row in rows if not row.is_blank]


def blocks(records: Iterable[Record], how: Arrangement, aside: list[int]) -> Flat | None:
    """Return a row a block, None where there is none; what stands above the first holds for all."""
    columns = _by_text(how.columns)
    above: list[Record] = []
    found: list[dict[_Name, _Cell]] = []
    flaws: dict[int, str] = {}
    for lines in _blocks(records, how, aside):
        pairs = [(record.line, *_pair(record)) for record in lines]
        meanings = [_said_of(key, columns) for _, key, _ in pairs]
        is_result = any(one is not None and one.holds in MEASURED for one in meanings)
        if not found and (pairs[0][1] != how.block_start if how.block_start else not is_result):
            above += lines
            continue
        block: dict[_Name, _Cell] = {}
        for line, key, value in pairs:
            _, (first, _) = block.setdefault((key, ""), (value, (line, key)))
            if first != line:
                flaws[len(found)] = f"the block has '{key}' in lines {first} and {line}; expected it once"
        for record in lines:
            if record.flaw:
                flaws[len(found)] = f"line {record.line}: {record.flaw}"
        found.append(block)
    if not found:
        return None
    header, rows = _put_together(found)
    for number, flaw in flaws.items():
        rows[number].flaw = flaw
    return Flat(header, [], named(columns, header.cells), rows, preamble_of(above, columns), aside)


def _blocks(records: Iterable[Record], how: Arrangement, aside: list[int]) -> Iterator[list[Record]]:
    block: list[Record] = []
    first = how.block_start
    for record in records:
        key, _ = _pair(record)
        is_gap = record.is_blank or is_rule(record)
        if block and (key == first if not is_gap else not how.block_start):
            yield block
            block, first = [], how.block_start
        if is_gap:
            continue
        if key[:1].isalpha():
            first = first or key
            block.append(record)
        else:
            aside.append(record.line)
    if block:
        yield block


def _pair(record: Record) -> tuple[str, str]:
    """Return key and value, with a unit of its own where there is a third cell; no key where no value follows."""
    filled = [cell for cell in record.cells if cell.strip()]
    key, value = key_and_value(filled[:2])
    is_key = value or (filled and filled[0].strip().endswith((":", "=")))
    return key if is_key else "", joined(value, " ".join(filled[2:]))


def pivoted(table: Flat, how: Arrangement) -> Flat:
    """Return a row for all quantities of rows that agree in the other columns; a quantity that comes again is next."""
    header, width = table.header.cells, len(table.header.cells)
    quantity, value, unit, status = (table.of(holds) for holds in ("quantity", "value", "unit", "status"))
    assert quantity is not None
    assert value is not None
    meanings = {at: table.meaning(at) for at in range(width) if at not in (quantity, value, unit)}
    keys = [at for at, one in meanings.items() if one is not None and one.holds not in NOT_TAKEN]
    found: dict[tuple[tuple[str, ...], int], dict[_Name, _Cell]] = {}
    count: Counter[tuple[tuple[str, ...], _Name]] = Counter()
    broken: list[Record] = []
    kinds: dict[str, str] = {}
    columns = _by_text(how.columns)

    @cache
    def is_taken(what: str, written: str) -> bool:
        meaning = _said_of(what, columns, written)
        if meaning is None:
            refuse_measured(what, written)
        return meaning is not None and meaning.holds not in NOT_TAKEN

    for record in table.listed():
        if fault := record.fault(width):
            broken.append(replace(record, flaw=fault))
            continue
        what, written = record.cells[quantity].strip(), record.cells[unit].strip() if unit is not None else ""
        text = record.cells[value]
        if not text.strip() or not is_taken(what, written):
            table.set_aside.append(record.line)
            continue
        key = tuple(record.cells[at].strip() for at in keys if at != status or is_invalid(record.cells[at]))
        kinds[what] = own.kind if (own := unit_of(written)) else kinds.get(what, "")
        name = (what, kinds[what])
        number = count[key, name] = count[key, name] + 1
        same = {(header[at], str(at)): (record.cells[at], (record.line, header[at])) for at in keys}
        found.setdefault((key, number), same)[name] = (joined(text, written), (record.line, header[value]))
    if not found:
        raise ContentError(f"beneath line {table.header.line} there is no quantity that is known")
    top, rows = _put_together(list(found.values()))
    said = {number: table.said[at] for number, at in enumerate(keys) if at in table.said}
    said |= named(columns, ["" for _ in keys] + top.cells[len(keys) :])
    units = [table.units[at] if at < len(table.units) else "" for at in keys]
    rows = sorted([*rows, *broken], key=lambda record: record.line)
    return Flat(replace(top, line=table.header.line), units, said, rows, table.preamble, table.set_aside)
