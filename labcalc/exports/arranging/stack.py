"""The sheets of a workbook → which of them hold results, and several of them as one table."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

from labcalc.errors import ExportError
from labcalc.exports.arranging.arrangement import arrange
from labcalc.exports.arranging.flat import Flat
from labcalc.exports.profile import Profile
from labcalc.exports.source.records import Record
from labcalc.exports.source.text import ContentError, shown

Sheet = tuple[str, bool, Iterator[Record]]  # name, whether it is hidden, and records
_SAYS_WHICH = "profile.sheet in lab.toml says which to read, one name or a list"


def with_results(sheets: Iterable[Sheet], how: Profile) -> dict[tuple[str, bool], Flat | ExportError]:
    """Return the table of each sheet that has a header of results, or why it can't be read.

    Of a sheet with nothing beneath the header only where no other has anything.
    """
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
