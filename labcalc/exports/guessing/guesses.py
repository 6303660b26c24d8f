"""What columns may hold, by headers and units, then by sizes: guesses for a proposal; nothing is read by them."""

import re
from collections.abc import Iterable, Sequence
from itertools import pairwise

import numpy as np

from labcalc.exports.arranging.flat import MEASURED, NOT_TAKEN, Flat
from labcalc.exports.grammar.units import OPEN_GALLON, Unit, unit_of
from labcalc.exports.grammar.vocabulary import LIMITS, is_invalid, meaning_of
from labcalc.exports.guessing import sizes
from labcalc.exports.guessing.sizes import Guess, open_columns
from labcalc.exports.profile import DATE_ORDERS, FOR_ALL_ROWS, Arrangement, Column
from labcalc.exports.values.dates import parse_day, parse_moment, parse_time
from labcalc.exports.values.numbers import figure
from labcalc.wording import at_celsius

_PARTS = {  # how a header says the part of a moment; minutes are the months behind hours
    "year": "yyyy yy jjjj aaaa rrrr year jahr an ano año anno", "month": "mm mon month monat mois mes mês mese",
    "day": "dd tt jj gg day tag jour dia día giorno", "hour": "hh hour std heure hora ora", "second": "ss sec sek",
}  # fmt: skip
_PART_OF = {word: part for part, words in _PARTS.items() for word in words.split()}
_WITHOUT_UNIT = ("viscosity", "kinematic viscosity", "dynamic viscosity", "density", "temperature")  # need a unit
_OF_A_ROW = ("measured_at", "date", "time", "temperature", "set temperature")  # what a statistic of results has not
_DEVIATIONS = ("s", "s %", "s%", "σ")


def guess_columns(table: Flat) -> tuple[Guess, ...]:
    """Return a guess for each column of a table; all are to be judged by the laboratory."""
    near = [[cell.strip() for cell in row.cells] for row in table.near() if row.flaw is None]
    rows = [row + [""] * (len(table.header.cells) - len(row)) for row in near]
    seen = [
        Guess(header, at, [row[at] for row in rows], table.meaning(at), table.said.get(at), table.unit_beneath(at))
        for at, header in enumerate(table.header.cells)
    ]
    _by_words(seen)
    _by_units(seen)
    _parts_of_moments(seen)
    _moments(seen)
    is_placed = bool({"temperature", "set temperature"} & ({one.holds for one in seen} | table.preamble.keys()))
    if not is_placed:
        sizes.guess_temperatures(seen)
    sizes.guess_densities(seen)
    sizes.guess_exchanged(seen)
    sizes.guess_viscosities(seen, is_placed or any(one.holds == "temperature" for one in seen))
    if "sample" not in table.preamble and not any(one.holds == "sample" for one in seen):
        texts = (one for one in open_columns(seen) if not one.is_numeric)
        if most := max(texts, key=lambda one: len(set(one.cells)), default=None):
            most.take("sample", "the column of texts that differ most", unit=None)
    return tuple(seen)


def _by_words(seen: list[Guess]) -> None:
    held = set[tuple[object, ...]]()
    samples = [one for one in seen if one.meaning and one.meaning.holds == "sample"]
    for one in seen:
        meaning = one.meaning
        if meaning is None:
            continue
        if one in samples[:-1]:
            one.leave("the sample's name stands elsewhere", Column("run"))
            continue
        key = meaning.holds, meaning.temperature_C, meaning.qualifier, one.stated
        if key in held and meaning.holds in LIMITS and one.has_unit:
            instead = Column(meaning.holds, meaning.unit, meaning.temperature_C, repeat=2)
            one.leave(f"{meaning.holds} stands elsewhere", instead)
            continue
        held.add(key)
        if meaning.holds in NOT_TAKEN:
            one.why = f"{meaning.statistic or meaning.holds}: it is not used"
        elif meaning.unit and unit_of(meaning.unit) == Unit(OPEN_GALLON):
            why = "the header says so, but not which gallon"
            other = Column("density", "lb/imp gal", meaning.temperature_C)
            one.take("density", why, other, unit="lb/US gal", temperature_C=meaning.temperature_C)
        elif one.has_unit or meaning.holds not in _WITHOUT_UNIT:
            at = np.nan if meaning.temperature_C is None else meaning.temperature_C
            one.take(at_celsius(meaning.holds, at), "the header says so")
        elif meaning.holds == "density":
            sizes.density_by_size(one, meaning.temperature_C)
        elif meaning.holds == "temperature" and (unit := sizes.temperature_unit(one)):
            one.take("temperature", "the header says so; the unit by the sizes", unit=unit)


def _by_units(seen: list[Guess]) -> None:
    """Guess columns whose name is not known by unit and temperature in the header; what is there already is ignored."""
    for one in open_columns(seen):
        unit = unit_of(one.parts["unit"]) if "unit" in one.parts and "other" not in one.parts else None
        if one.meaning is not None or unit is None or unit.kind not in LIMITS:
            continue
        if any(other.holds.startswith(unit.kind) for other in seen):
            instead = Column(unit.kind, one.parts["unit"], one.parts.get("at"), repeat=2)
            one.leave(f"{unit.kind} stands elsewhere", None if unit.kind == "temperature" else instead)
        else:
            at = None if unit.kind == "temperature" else one.parts.get("at")
            one.take(unit.kind, "the unit in the header", unit=one.parts["unit"], temperature_C=at)


def _parts_of_moments(seen: list[Guess]) -> None:
    parts: dict[int, str] = {}
    for one in seen:
        words = re.findall(r"[^\W\d]+", one.header.casefold())
        may_be = one.is_numeric and (one.meaning is None or one.meaning.holds == "date")
        part = _PART_OF.get(words[-1]) if words and may_be else None
        parts |= {one.place: "minute" if part == "month" and "hour" in parts.values() else part} if part else {}
    if {"year", "month", "day"} <= {*parts.values()}:
        for place, part in parts.items():
            seen[place].take(part, "its name and those beside it", unit=None)


def _moments(seen: list[Guess]) -> None:
    if any(one.holds in ("measured_at", "date", "year") for one in seen):
        return
    held = set[str]()
    for one in open_columns(seen):
        if one.are(lambda cell: next(filter(None, (parse_day(cell, order) for order in DATE_ORDERS)), None)):
            holds, why = "date", "the cells are dates"
        elif one.are(lambda cell: next(filter(None, (parse_moment(cell, "", order) for order in DATE_ORDERS)), None)):
            holds, why = "measured_at", "the cells are dates and times"
        elif one.are(parse_time):
            holds, why = "time", "the cells are times"
        else:
            continue
        if holds in held or "measured_at" in held:
            one.leave(f"{holds} stands elsewhere", Column(holds))
        else:
            one.take(holds, why, unit=None)
            held.add(holds)


def statistics_among(table: Flat, sections: Sequence[str]) -> tuple[str, ...]:
    """Return first cells of lines said of results, 'Mean', 's'; of none with date, temperature or figure: 'Max 5'."""
    own = (at for at, header in enumerate(table.header.cells) if header not in sections)
    told = [at for at in own if (one := table.meaning(at)) and one.holds in _OF_A_ROW]
    rows = [[cell.strip() for cell in row.cells] for row in table.near()]
    lines = [(row, any(row[at : at + 1] > [""] and any(row[:at]) for at in told)) for row in rows]
    kept = {cell.casefold() for row, is_told in lines if is_told or not told for cell in row[not is_told :]}
    firsts = (next(filter(None, row), "") for row, is_told in lines if not is_told)
    return tuple(one for one in dict.fromkeys(firsts) if one.casefold() not in kept and _is_statistic(one))


def _is_statistic(text: str) -> bool:
    meaning = None if re.search(r"\d", text) else meaning_of(text)
    return text.casefold() in _DEVIATIONS or (meaning is not None and meaning.holds == "statistic")


def invalid_among(table: Flat) -> tuple[str, ...]:
    """Return what cells say of rows that don't count."""
    places = [at for at in range(len(table.header.cells)) if (one := table.meaning(at)) and one.holds == "status"]
    texts = (row.cells[at].strip() for row in table.near() for at in places if at < len(row.cells))
    return tuple(filter(is_invalid, dict.fromkeys(texts)))


def repeated_above(guesses: Iterable[Guess], table: Flat, how: Arrangement) -> tuple[str, ...]:
    """Return what is blank beneath a sample's row, by results; nothing if temperatures are too, or rows are means."""
    rows = [[cell.strip() for cell in row.cells] for row in table.near() if row.flaw is None and not row.is_blank]
    columns = {one.holds: ["".join(row[one.place : one.place + 1]) for row in rows] for one in guesses}
    blank = {holds: [not cell for cell in column] for holds, column in columns.items()}
    wanted = blank.get("sample", [])
    if how.layout != "rows" or not any(wanted) or wanted[0]:
        return ()
    lacks_more = any(map(all, zip(wanted, blank.get("temperature", [False] * len(wanted)), strict=True)))
    measured = [column for holds, column in columns.items() if holds.split(" at ")[0] in MEASURED]
    if lacks_more or _has_means(wanted, measured):
        return ()
    return tuple(holds for holds in FOR_ALL_ROWS if holds != "remark" and blank.get(holds) == wanted)


def _has_means(are_beneath: Sequence[bool], measured: Sequence[Sequence[str]]) -> bool:
    """Tell whether all last rows beneath a sample, of three or more, are the mean of those above them."""
    starts = [*(at for at, is_beneath in enumerate(are_beneath) if not is_beneath), len(are_beneath)]
    groups = [range(*ends) for ends in pairwise(starts) if ends[1] - ends[0] > 2]
    return bool(groups) and all(_is_mean([column[at] for at in group]) for group in groups for column in measured)


def _is_mean(cells: Sequence[str]) -> bool:
    values = [figure(cell, "," if "," in cell else ".") for cell in cells]
    *others, last = [np.nan if value is None else value for value in values]
    return bool(abs(np.mean(others) - last) <= 1e-3 * abs(last)) and len({*others}) > 1
