"""What lab.toml may hold: its tables, keys, units and ranges, and the records that they become."""

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from functools import partial
from typing import Any
from zoneinfo import ZoneInfo, available_timezones

import labcalc.lab._tables as toml
from labcalc.exports.arranging.flat import placed
from labcalc.exports.profile import BLANKS, DATE_ORDERS, FOR_ALL_ROWS, LAYOUTS, MOMENT_PARTS, Column, Profile
from labcalc.exports.table import QUANTITY_COLUMNS
from labcalc.lab._control import CONTROL, DECISIONS, DUPLICATES, RECORD
from labcalc.lab.classes import PRODUCT, QUANTITIES, REFERENCE, quantity_and_temperature
from labcalc.lab.laboratory import Instrument, Laboratory, Precision, PrecisionFunction, ReportChoices
from labcalc.lab.precision import method_names

HOLDS = (
    *("run", "sample", "product", "lot", "role", "instrument", "operator", "remark"),
    *("measured_at", "date", "time", "replicate", "temperature", "set temperature", *QUANTITY_COLUMNS),
    *("status", "ignored"),
    *(*MOMENT_PARTS, "elapsed", "start", "quantity", "value", "unit"),
)  # what a column of an export may hold
_TIME_ZONE = toml.one_that(ZoneInfo, "a time zone such as 'Europe/Lisbon' is expected", words=available_timezones)
_NO_CHARACTER_SET = re.compile("escape|puny|idna|undefined|utf.?7", re.IGNORECASE)


def _is_character_set(name: str) -> bool:
    """Tell whether it names a character set; what Python calls an encoding beside them unpacks or interprets bytes."""
    written = "Sample; 1,5\n"
    return written.encode(name).decode(name) == written and not _NO_CHARACTER_SET.search(name)


def _is_sign(value: Any) -> bool:
    return isinstance(value, str) and len(value) == 1 and not (value.isalnum() or value in '\0\r\n"')


_ENCODING = toml.one_that(_is_character_set, "an encoding such as 'utf-8', 'utf-16' or 'cp1252' is expected")
_SIGN = toml.one_that(_is_sign, "one character, no letter or digit, is expected")
_DELIMITER = toml.one_that(
    lambda value: value in BLANKS or _is_sign(value),
    "one character, no letter or digit, 'blanks' or 'two blanks' is expected",
    words=lambda: BLANKS,
)
_UNITS_ROW = toml.one_that(
    lambda value: value in range(-9, 10) and value and not isinstance(value, bool),
    "a whole number but 0 is expected: 1 right beneath, -1 right above",
)
_MOMENT = toml.one_that(
    lambda value: isinstance(value, datetime), "date and time without quotes are expected: 2026-01-31T08:00:00"
)


def _from_name(value: Any, path: str, problems: toml.Problems) -> Any:
    names = re.findall(r"\{(.*?)\}", value) if isinstance(value, str) else []
    allowed = (*FOR_ALL_ROWS, "ignored")
    if not names or "}{" in value:
        example = "'{instrument}_{date}', with a text between the brackets,"
        return problems.note(path, f"{toml.shown(value)}: a pattern such as {example} is expected")
    for name in names:
        toml.choice(allowed)(name, path, problems)
        if names.count(name) > 1 and name != "ignored":
            return problems.note(path, f"{toml.shown(value)}: '{name}' once is expected")
    return value if {*names} <= {*allowed} else toml.UNFIT


def _column(value: Any, path: str, problems: toml.Problems) -> Any:
    if isinstance(value, dict):
        return _COLUMN_TABLE(value, path, problems)
    holds = toml.choice(HOLDS)(value, path, problems)
    return Column(holds) if isinstance(holds, str) else holds


def _check_column(column: Column) -> Iterator[tuple[str, str]]:
    if column.temperature_C is not None and column.holds not in QUANTITY_COLUMNS:
        yield "temperature_C", f"a column that holds '{column.holds}' takes no temperature_C"


def _check_profile(profile: Profile) -> Iterator[tuple[str, str]]:
    held, layout = {column.holds for column in profile.columns.values()}, profile.layout
    by_place, is_across = placed(profile.columns), layout in ("rows", "quantities")
    unnamed = profile.header_rows == 0 and (not held or by_place != profile.columns)
    places = "without a header, columns are named by place: 'column 1', 'column 2', or by letter"
    lacking = layout == "quantities" and not {"quantity", "value"} <= held
    needs = "layout = 'quantities' needs columns that hold 'quantity' and 'value', and 'unit' if there is one"
    rules = (
        (profile.widths and profile.delimiter, "widths", "the columns have a delimiter; one of both is expected"),
        (profile.block_start and layout != "blocks", "block_start", "layout = 'blocks' is expected beside it"),
        (profile.header_rows != 1 and not is_across, "header_rows", f"layout = '{layout}' has no header lines"),
        (profile.sections and layout == "turned", "sections", "layout = 'turned' has no sections"),
        (unnamed, "columns", places),
        (lacking, "columns", needs),
    )
    yield from ((key, problem) for is_broken, key, problem in rules if is_broken)
    signs = {"decimal": profile.decimal, "thousands": profile.thousands, "delimiter": profile.delimiter}
    seen: dict[str, str] = {}
    for name, sign in signs.items():
        if sign is not None and seen.setdefault(sign, name) != name:
            yield name, f"{toml.shown(sign)}: {seen[sign]} is the same character; they must differ"


_TEXT = toml.Key(toml.text)
_PATTERNS = toml.listed(toml.text, "patterns")
_SHEETS = toml.listed(toml.text, "names of sheets")


def _sheets(value: Any, path: str, problems: toml.Problems) -> Any:
    """Read one name, or a list of names."""
    return _SHEETS([value] if isinstance(value, str) else value, path, problems)


_COLUMN = {"holds": toml.Key(toml.choice(HOLDS)), "unit": _TEXT, "temperature_C": toml.Key(toml.CELSIUS)}
_COLUMN_TABLE = toml.record_of(Column, _check_column, **_COLUMN, repeat=toml.Key(toml.whole_number(1, 99)))
_PROFILE = toml.table(
    {
        "name": _TEXT,
        "files": toml.Key(_PATTERNS),
        "encoding": toml.Key(_ENCODING, None),
        "layout": toml.Key(toml.choice(LAYOUTS), "rows"),
        "delimiter": toml.Key(_DELIMITER, None),
        "widths": toml.Key(toml.listed(toml.whole_number(1, 1000), "widths in characters"), ()),
        "header_rows": toml.Key(toml.whole_number(0, 5), 1),
        "units_row": toml.Key(_UNITS_ROW, None),
        "block_start": toml.Key(toml.text, None),
        "sections": toml.Key(toml.listed(toml.choice(FOR_ALL_ROWS), "what their heads say"), ()),
        "set_aside": toml.Key(_PATTERNS, ()),
        "as_above": toml.Key(toml.listed(toml.choice(FOR_ALL_ROWS), "what a blank cell has of the row above"), ()),
        "decimal": toml.Key(toml.choice((".", ",")), None),
        "thousands": toml.Key(_SIGN, None),
        "date_order": toml.Key(toml.choice(DATE_ORDERS), None),
        "missing": toml.Key(toml.listed(toml.text, "what stands for no value"), ()),
        "sheet": toml.Key(_sheets, ()),
        "from_name": toml.Key(_from_name, None),
        "start": toml.Key(_MOMENT, None),
        "instrument": toml.Key(toml.text, None),
        "operator": toml.Key(toml.text, None),
        "product": toml.Key(toml.text, None),
        "temperature_C": toml.Key(toml.CELSIUS, None),
        "date": toml.Key(toml.day, None),
        "columns": toml.Key(toml.mapping(_column), {}),
    },
    Profile,
    _check_profile,
)
_INSTRUMENT = toml.record_of(Instrument, methods=toml.Key(toml.listed(toml.choice(method_names()), "methods")))
_FACTOR = {"factor": toml.Key(toml.ABOVE_ZERO, field="factor")}
_DIFFERENCE = toml.table(toml.keys_of(PrecisionFunction) | _FACTOR, PrecisionFunction)
_PRECISION = toml.record_of(
    Precision,
    toml.in_order("lowest", "highest", "a number greater than lowest", strictly=True),
    **dict.fromkeys(("repeatability", "determinability", "reproducibility"), toml.Key(_DIFFERENCE)),
)
_NEEDED = {"name": _TEXT, "time_zone": toml.Key(_TIME_ZONE)}
_HEAD = toml.table(toml.keys_of(Laboratory, **_NEEDED) | _NEEDED, dict, record=Laboratory)


def _check_file(laboratory: Laboratory) -> Iterator[tuple[str, str]]:
    if laboratory.name == Laboratory.name and replace(laboratory, profiles=()) != _UNSAID:
        yield "laboratory", "missing, and must be given beside other settings than profiles"


_UNSAID = Laboratory()  # what holds where lab.toml says nothing
_CHOICES = {
    "report": toml.record_of(ReportChoices, quantities=QUANTITIES),
    "uncertainty": toml.record_of(type(_UNSAID.uncertainty)),
    "control": CONTROL,
    "duplicates": DUPLICATES,
    "conformity": toml.record_of(type(_UNSAID.conformity)),
    "decisions": DECISIONS,
    "record": RECORD,
}
_by_name = partial(toml.tables, unique=lambda one: one.name.casefold(), called="this name")
_NAMED = {"instrument": _INSTRUMENT, "profile": _PROFILE, "reference": REFERENCE, "product": PRODUCT}
_STATEMENTS = toml.tables(
    _PRECISION,
    unique=lambda one: (one.precision_class.casefold(), *quantity_and_temperature(one)),
    called="the same class, quantity and temperature",
)
FILE = toml.table(
    {
        "laboratory": toml.Key(_HEAD, {}),
        **{name: toml.Key(_by_name(one), (), field=f"{name}s") for name, one in _NAMED.items()},
        "precision": toml.Key(_STATEMENTS, ()),
        **{name: toml.Key(read, getattr(_UNSAID, name)) for name, read in _CHOICES.items()},
    },
    lambda laboratory, **rooms: Laboratory(**laboratory, **rooms),
    _check_file,
)
