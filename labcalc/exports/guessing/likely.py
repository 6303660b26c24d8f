"""Which settings would make an export readable: a ranking for a proposal. Nothing is read by it."""

import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import chain, islice

from labcalc.errors import ExportError
from labcalc.exports.arranging.arrangement import WIDEST, Header, arrange, header_of_places, joined_lines
from labcalc.exports.arranging.divisions import Sections, is_rule
from labcalc.exports.arranging.flat import MEASURED, NOT_TAKEN, Flat, fits, key_and_value, measure
from labcalc.exports.grammar.units import unit_of
from labcalc.exports.grammar.vocabulary import meaning_of
from labcalc.exports.profile import BLANKS, FOR_ALL_ROWS, Arrangement, Column
from labcalc.exports.source.text import DELIMITERS, Record, divided
from labcalc.exports.values.numbers import figure

_HEAD = 300  # records that are looked at
_MOST_ABOVE, _LONGEST_LINE = 50, 1000  # lines above a header, and characters of a line that is cut at widths
_MOST = 5
_SECTIONS = ((), ("temperature",), ("sample",), ("sample", "temperature"))
_SAID = tuple(holds for holds in FOR_ALL_ROWS if holds != "remark")
_REPEAT = re.compile(r"(.*?\S)([\s_#-]*)(\d{1,2})(?:st|nd|rd|th)?(\s*[(\[].*)?")  # 'KV 1', 'KV1 (cSt)'


def likely_tables(records: Iterable[Record]) -> list[tuple[Arrangement, Flat]]:
    """Return the arrangements that make most of the records readable, the best first, and the table that each makes."""
    head = list(islice(records, _HEAD))
    scores: list[tuple[float, Arrangement, Flat]] = []
    for plain, cut in _divided(head):
        for how in _candidates(cut, plain):
            try:
                table = arrange([replace(one, cells=[*one.cells]) for one in cut], how)
            except ExportError:
                continue
            if table is not None and (score := _score(table, len(how.sections))):
                scores.append((score, how, table))
    return [(how, table) for _, how, table in sorted(scores, key=lambda one: -one[0])[:_MOST]]


def shaped_tables(records: Iterable[Record]) -> Iterator[tuple[Arrangement, Flat]]:
    """Yield arrangements by shape alone, words unknown: a line of texts above columns of figures, or no header."""
    head = list(islice(records, _HEAD))
    for how, cut in (*_divided(head), *_by_width(head)):
        place, is_header = _first_of_shape(cut)
        if place is not None:
            how = how if is_header else replace(how, header_rows=0)
            header = Header(place, 0, cut[place] if is_header else header_of_places(cut[place], how))
            if (table := arrange(cut, how, header)) is not None:
                table.listed()
                yield how, table


def _first_of_shape(cut: Sequence[Record]) -> tuple[int | None, bool]:
    """Return the place of the first line above or among lines alike with figures, and whether it is a header."""
    for place, record in enumerate(cut[:_MOST_ABOVE]):
        width, some = len(record.cells), cut[place + 1 : place + 10]
        beneath = [one for one in some if not one.is_blank and len(one.cells) == width]
        filled = [at for at, cell in enumerate(record.cells) if cell.strip()]
        have = [sum(_is_number(one.cells[at].strip()) for one in beneath) for at in range(width)]
        if len(filled) > 1 and beneath and 2 * max(have) > len(beneath):
            return place, not any(_is_number(record.cells[at].strip()) for at in filled)
    return None, False


def _by_width(head: Sequence[Record]) -> Iterator[tuple[Arrangement, list[Record]]]:
    """Yield lines of text cut where blanks stand in all of them, or a figure ends in all of them."""
    lines = [one.cells[0] for one in head if len(one.cells) == 1 and one.cells[0].strip()]
    longest = max(map(len, lines), default=0)
    if len(lines) < 2 or len(lines) != len([one for one in head if not one.is_blank]) or longest > _LONGEST_LINE:
        return
    blank = [all(line[at : at + 1] in ("", " ") for line in lines) for at in range(longest)]
    starts = [at for at in range(longest) if not blank[at] and (at == 0 or blank[at - 1])]
    starts += [at for at in range(1, longest) if not blank[at] and _figures_end(lines, starts, at)]
    ends = [*sorted({*starts})[1:], longest]
    widths = tuple(end - start for start, end in zip([0, *ends], ends, strict=False))
    if len(widths) > 1:
        cut = list(divided("\n".join(one.cells[0] for one in head) + "\n", "", widths))
        yield Arrangement(widths=widths, header_rows=0), cut


def _figures_end(lines: Sequence[str], starts: Sequence[int], at: int) -> bool:
    """Tell whether figures stand in all lines from the start of a column to here, and a letter behind them in one."""
    start = max(one for one in starts if one <= at)
    return any(line[at : at + 1].isalpha() for line in lines) and all(
        figure(line[start:at].strip(), ".") is not None and not line[at : at + 1].isdigit() for line in lines
    )


def _divided(head: list[Record]) -> Iterator[tuple[Arrangement, list[Record]]]:
    yield Arrangement(), head
    if all(len(one.cells) < 2 for one in head):
        text = "\n".join("".join(one.cells) for one in head) + "\n"
        for delimiter in (*DELIMITERS, *reversed(BLANKS)):
            cut = list(divided(text, delimiter))
            if all(len(one.cells) <= WIDEST for one in cut):
                yield Arrangement(delimiter=delimiter), cut


def _candidates(cut: Sequence[Record], plain: Arrangement) -> Iterator[Arrangement]:
    if max((len(one.cells) for one in cut), default=0) > 1:
        for sections in dict.fromkeys((*_SECTIONS, _sections(cut))):
            yield from (replace(plain, sections=sections, header_rows=count) for count in (1, 2, 3))
            for count in (1, 2):
                if repeats := _repeats(cut, count):
                    yield replace(plain, sections=sections, header_rows=count, columns=repeats)
        yield from (replace(plain, header_rows=count, units_row=at) for count in (1, 2) for at in (-1, 2))
        yield from (replace(plain, layout="turned", units_row=at) for at in (None, 1))
        yield replace(plain, layout="quantities", columns=_quantities(cut))
    keys = Counter(key_and_value(one.cells)[0] for one in cut)
    has_gaps = any(one.is_blank or is_rule(one) for one in cut[1:-1])
    starts = [None, *(key for key, count in keys.items() if key and count > 1 and not has_gaps)][:_MOST]
    blocks = (replace(plain, layout="blocks", block_start=start) for start in starts)
    yield from (replace(one, sections=sections) for one in blocks for sections in _SECTIONS[: 1 if has_gaps else None])


def _score(table: Flat, sections: int) -> float:
    """Return how much is known of a table, each column once; nothing if heads of sections stand in a column too."""
    width, known, rows = len(table.header.cells), dict[object, float](), table.listed()
    own = [one.holds for at in range(width - sections) if (one := table.meaning(at))]
    if {*own} & {*table.header.cells[width - sections :]}:
        return 0.0
    has_temperature = table.of("temperature") is not None or "temperature" in table.preamble
    for at in range(width):
        meaning = table.meaning(at)
        cells = [row.cells[at].strip() for row in rows if at < len(row.cells) and row.cells[at].strip()]
        if meaning is None or meaning.holds in NOT_TAKEN or not cells:
            continue
        worth = 1.0
        if meaning.holds in (*MEASURED, "temperature"):
            has_unit = meaning.unit is not None or any(map(measure, cells))
            is_placed = meaning.temperature_C is not None or has_temperature
            worth = (1.0 + has_unit + is_placed) * sum(map(_is_number, cells)) / len(cells)
        said = table.said.get(at)
        known[meaning.holds, meaning.temperature_C, said.repeat if said else 0] = worth * len(cells) / len(rows)
    lines = len(rows) + len(table.set_aside)
    worth = sum(known.values()) * (1.0 if table.of("sample") is not None or "sample" in table.preamble else 0.5)
    return worth * sum(row.fault(width) is None for row in rows) / max(lines, 1)


def _is_number(cell: str) -> bool:
    text, _ = measure(cell) or (cell, "")
    return figure(text, ",") is not None or figure(text, ".") is not None


def _sections(cut: Sequence[Record]) -> tuple[str, ...]:
    """Return what lines that stand alone say more than once, in the order of the first."""
    heads = Sections(_SAID, {})
    said = Counter(kind for record in cut if (kind := heads.head(record, False)[0]))
    return tuple(kind for kind, count in said.items() if count > 1)


def _repeats(cut: Sequence[Record], count: int) -> Mapping[str, Column]:
    """Return names for columns whose headers, of so many lines, differ in a number from 1 on."""
    for place in range(len(cut) - count + 1):
        headers = [cell.strip() for cell in joined_lines(cut[place : place + count]).cells]
        repeated: dict[tuple[str, str, str], list[tuple[int, str]]] = {}
        for header, found in zip(headers, map(_REPEAT.fullmatch, headers), strict=True):
            if found:
                repeated.setdefault((found[1], found[2], found[4] or ""), []).append((int(found[3]), header))
        named = [_named(key, said, headers) for key, said in repeated.items() if [at for at, _ in said[:2]] == [1, 2]]
        if any(named):
            return dict(chain.from_iterable(named))
    return {}


def _named(key: tuple[str, ...], said: list[tuple[int, str]], headers: list[str]) -> list[tuple[str, Column]]:
    """Return a name for all repeats, or where it would take in another column, one for each; none of other columns."""
    stem, between, tail = key
    meaning, name = meaning_of(stem + tail), f"{stem}{between}*{tail}"
    if meaning is None or meaning.holds not in MEASURED:
        return []
    column = Column(meaning.holds, meaning.unit, meaning.temperature_C)
    if sum(fits(header, [name]) for header in headers) == len(said):
        return [(name, column)]
    return [(header, replace(column, repeat=number)) for number, header in said]


def _quantities(cut: Sequence[Record]) -> Mapping[str, Column]:
    """Return names for a column of quantities, one of units, and the nearest one of numbers to the right."""
    width = max(len(one.cells) for one in cut)
    columns = [[one.cells[at].strip() if at < len(one.cells) else "" for one in cut] for at in range(width)]

    def most(tells: Callable[[str], bool]) -> tuple[int, int]:
        return max((sum(map(tells, column)), -at) for at, column in enumerate(columns))

    quantity = -most(lambda cell: (one := meaning_of(cell)) is not None and one.holds in MEASURED)[1]
    unit = most(lambda cell: unit_of(cell) is not None)
    some = (at for at in range(quantity + 1, width) if not any(map(meaning_of, columns[at])))
    numbers = (at for at in some if 2 * sum(map(_is_number, columns[at])) > len(cut))
    place = {"quantity": quantity, "value": next(numbers, quantity), **({"unit": -unit[1]} if unit[0] else {})}
    return {f"column {at + 1}": Column(holds) for holds, at in place.items()}
