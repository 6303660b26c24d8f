"""What lab.toml may hold: its tables, keys, units and ranges, and the records that they become."""

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo, available_timezones

from labcalc.exports.arranging.names import placed
from labcalc.exports.profile import BLANKS, DATE_ORDERS, FOR_ALL_ROWS, LAYOUTS, MOMENT_PARTS, Column, Profile
from labcalc.exports.table import QUANTITY_COLUMNS
from labcalc.lab._control import CONTROL, DECISIONS, DUPLICATES, RECORD
from labcalc.lab._oils import PRODUCT, QUANTITIES, REFERENCE, quantity_and_temperature
from labcalc.lab._tables import (
    UNFIT,
    Key,
    Problems,
    choice,
    day,
    in_order,
    keys_of,
    listed,
    mapping,
    number,
    one_that,
    record_of,
    shown,
    table,
    tables,
    text,
    whole_number,
)
from labcalc.lab.laboratory import (
    ConformityChoices,
    ControlChoices,
    DecisionChoices,
    DuplicateChoices,
    Instrument,
    Laboratory,
    Precision,
    PrecisionFunction,
    ReportChoices,
    Uncertainty,
)
from labcalc.lab.precision import method_names

HOLDS = (
    *("run", "sample", "product", "lot", "role", "instrument", "operator", "remark"),
    *("measured_at", "date", "time", "replicate", "temperature", "set temperature", *QUANTITY_COLUMNS),
    *("status", "ignored"),
    *(*MOMENT_PARTS, "elapsed", "start", "quantity", "value", "unit"),
)
"""What a column of an export may hold."""


_TIME_ZONE = one_that(ZoneInfo, "a time zone such as 'Europe/Lisbon' is expected", words=available_timezones)
_NO_CHARACTER_SET = re.compile("escape|puny|idna|undefined|utf.?7", re.IGNORECASE)


def _is_character_set(name: str) -> bool:
    """Tell whether it names a character set; what Python calls an encoding beside them unpacks or interprets bytes."""
    written = "Sample; 1,5\n"
    return written.encode(name).decode(name) == written and not _NO_CHARACTER_SET.search(name)


def _is_sign(value: Any) -> bool:
    return isinstance(value, str) and len(value) == 1 and not (value.isalnum() or value in '\0\r\n"')


_ENCODING = one_that(_is_character_set, "an encoding such as 'utf-8', 'utf-16' or 'cp1252' is expected")
_SIGN = one_that(_is_sign, "one character, no letter or digit, is expected")
_DELIMITER = one_that(
    lambda value: value in BLANKS or _is_sign(value),
    "one character, no letter or digit, 'blanks' or 'two blanks' is expected",
    words=lambda: BLANKS,
)
_UNITS_ROW = one_that(
    lambda value: value in range(-9, 10) and value and not isinstance(value, bool),
    "a whole number but 0 is expected: 1 right beneath, -1 right above",
)
_MOMENT = one_that(
    lambda value: isinstance(value, datetime), "date and time without quotes are expected: 2026-01-31T08:00:00"
)


def _from_name(value: Any, path: str, problems: Problems) -> Any:
    names = re.findall(r"\{(.*?)\}", value) if isinstance(value, str) else []
    allowed = (*FOR_ALL_ROWS, "ignored")
    if not names or "}{" in value:
        example = "'{instrument}_{date}', with a text between the brackets,"
        return problems.note(path, f"{shown(value)}: a pattern such as {example} is expected")
    for name in names:
        choice(allowed)(name, path, problems)
        if names.count(name) > 1 and name != "ignored":
            return problems.note(path, f"{shown(value)}: '{name}' once is expected")
    return value if {*names} <= {*allowed} else UNFIT


def _column(value: Any, path: str, problems: Problems) -> Any:
    if isinstance(value, dict):
        return _COLUMN_TABLE(value, path, problems)
    holds = choice(HOLDS)(value, path, problems)
    return Column(holds) if isinstance(holds, str) else holds


def _check_column(column: Column) -> Iterator[tuple[str, str]]:
    if column.temperature_C is not None and column.holds not in QUANTITY_COLUMNS:
        yield "temperature_C", f"a column that holds '{column.holds}' takes no temperature_C"


def _check_profile(profile: Profile) -> Iterator[tuple[str, str]]:
    held, layout = {column.holds for column in profile.columns.values()}, profile.layout
    by_place, is_across = placed(profile.columns), layout in ("rows", "quantities")
    rules = (
        (profile.widths and profile.delimiter, "widths", "the columns have a delimiter; one of both is expected"),
        (profile.block_start and layout != "blocks", "block_start", "layout = 'blocks' is expected beside it"),
        (profile.header_rows != 1 and not is_across, "header_rows", f"layout = '{layout}' has no header lines"),
        (profile.sections and layout == "turned", "sections", "layout = 'turned' has no sections"),
        (
            profile.header_rows == 0 and (not held or by_place != profile.columns),
            "columns",
            "without a header, columns are named by place: 'column 1', 'column 2', or by letter",
        ),
        (
            layout == "quantities" and not {"quantity", "value"} <= held,
            "columns",
            "layout = 'quantities' needs columns that hold 'quantity' and 'value', and 'unit' if there is one",
        ),
    )
    yield from ((key, problem) for is_broken, key, problem in rules if is_broken)
    signs = {"decimal": profile.decimal, "thousands": profile.thousands, "delimiter": profile.delimiter}
    seen: dict[str, str] = {}
    for name, sign in signs.items():
        if sign is not None and seen.setdefault(sign, name) != name:
            yield name, f"{shown(sign)}: {seen[sign]} is the same character; they must differ"


_NAME = Key(text)
_TEMPERATURE = number(-80, 400, unit="°C")
_POSITIVE = number(above=0)
_PATTERNS = listed(text, "patterns")
_SHEETS = listed(text, "names of sheets")


def _sheets(value: Any, path: str, problems: Problems) -> Any:
    """Read one name, or a list of names."""
    return _SHEETS([value] if isinstance(value, str) else value, path, problems)


def _named(record: Any) -> str:
    return str(record.name).casefold()


_COLUMN_TABLE = table(
    {
        "holds": Key(choice(HOLDS)),
        "unit": Key(text, None),
        "temperature_C": Key(_TEMPERATURE, None),
        "repeat": Key(whole_number(1, 99), 0),
    },
    Column,
    _check_column,
)
_PROFILE = table(
    {
        "name": _NAME,
        "files": Key(_PATTERNS),
        "encoding": Key(_ENCODING, None),
        "layout": Key(choice(LAYOUTS), "rows"),
        "delimiter": Key(_DELIMITER, None),
        "widths": Key(listed(whole_number(1, 1000), "widths in characters"), ()),
        "header_rows": Key(whole_number(0, 5), 1),
        "units_row": Key(_UNITS_ROW, None),
        "block_start": Key(text, None),
        "sections": Key(listed(choice(FOR_ALL_ROWS), "what their heads say"), ()),
        "set_aside": Key(_PATTERNS, ()),
        "as_above": Key(listed(choice(FOR_ALL_ROWS), "what a blank cell has of the row above"), ()),
        "decimal": Key(choice((".", ",")), None),
        "thousands": Key(_SIGN, None),
        "date_order": Key(choice(DATE_ORDERS), None),
        "missing": Key(listed(text, "what stands for no value"), ()),
        "sheet": Key(_sheets, ()),
        "from_name": Key(_from_name, None),
        "start": Key(_MOMENT, None),
        "instrument": Key(text, None),
        "operator": Key(text, None),
        "product": Key(text, None),
        "temperature_C": Key(_TEMPERATURE, None),
        "date": Key(day, None),
        "columns": Key(mapping(_column), {}),
    },
    Profile,
    _check_profile,
)
_INSTRUMENT = record_of(Instrument, methods=Key(listed(choice(method_names()), "methods")))


_DIFFERENCE = table(keys_of(PrecisionFunction) | {"factor": Key(_POSITIVE, field="factor")}, PrecisionFunction)
_PRECISION = record_of(
    Precision,
    in_order("lowest", "highest", "a number greater than lowest", strictly=True),
    **dict.fromkeys(("repeatability", "determinability", "reproducibility"), Key(_DIFFERENCE)),
)
_HEAD = table(
    {
        "name": _NAME,
        "address": Key(text, ""),
        "logo": Key(text, ""),
        "time_zone": Key(_TIME_ZONE),
        "earlier_exports": Key(listed(text, "patterns", may_be_empty=True), ()),
        "proficiency_rounds": Key(text, ""),
    },
    dict,
    record=Laboratory,
)


def _check_file(laboratory: Laboratory) -> Iterator[tuple[str, str]]:
    if laboratory.name == Laboratory.name and replace(laboratory, profiles=()) != Laboratory():
        yield "laboratory", "missing, and must be given beside other settings than profiles"


_NAMED = {"instrument": _INSTRUMENT, "profile": _PROFILE, "reference": REFERENCE, "product": PRODUCT}
FILE = table(
    {
        "laboratory": Key(_HEAD, {}),
        **{
            name: Key(tables(one, unique=_named, called="this name"), (), field=f"{name}s")
            for name, one in _NAMED.items()
        },
        "precision": Key(
            tables(
                _PRECISION,
                unique=lambda one: (one.precision_class.casefold(), *quantity_and_temperature(one)),
                called="the same class, quantity and temperature",
            ),
            (),
        ),
        "report": Key(record_of(ReportChoices, quantities=QUANTITIES), ReportChoices()),
        "uncertainty": Key(record_of(Uncertainty), Uncertainty()),
        "control": Key(CONTROL, ControlChoices()),
        "duplicates": Key(DUPLICATES, DuplicateChoices()),
        "conformity": Key(record_of(ConformityChoices), ConformityChoices()),
        "decisions": Key(DECISIONS, DecisionChoices()),
        "record": Key(RECORD, None),
    },
    lambda laboratory, **rooms: Laboratory(**laboratory, **rooms),
    _check_file,
)
