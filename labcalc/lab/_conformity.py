"""What a product is held to: its limits and typical values, and the table [conformity] of lab.toml."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from labcalc.exports.table import QUANTITY_COLUMNS
from labcalc.lab._tables import Key, choice, number, table, tables, whole_number
from labcalc.lab.laboratory import ConformityChoices, Limit, TypicalValue
from labcalc.statistics import DECISION_RULES

_NAN = float("nan")
_TEMPERATURE = number(-80, 400, unit="°C")
_INDICES = {"viscosity index": "the viscosity index", "CCAI": "CCAI"}
_JUDGED = choice((*QUANTITY_COLUMNS, *_INDICES))
_RULE = choice(DECISION_RULES)
_DEFAULT = ConformityChoices()

VALUE_TWICE = "the same quantity and temperature"  # how a message calls a value that stands there twice


def quantity_and_temperature(record: Any) -> tuple[str, str]:
    """Return what tells a value of a table from its others."""
    return record.quantity, f"{record.temperature_C:g}"


def _check_temperature(record: Limit | TypicalValue) -> Iterator[tuple[str, str]]:
    given = record.temperature_C == record.temperature_C
    if (index := _INDICES.get(record.quantity)) and given:
        yield "temperature_C", f"{record.temperature_C:g}: {index} takes no temperature_C"
    if not index and not given:
        yield "temperature_C", f"missing, and must be given for {record.quantity}"


def _check_limit(limit: Limit) -> Iterator[tuple[str, str]]:
    yield from _check_temperature(limit)
    if limit.lowest >= limit.highest:
        yield "highest", f"{limit.highest:g}: a number greater than lowest ({limit.lowest:g}) is expected"
    if limit.lowest != limit.lowest and limit.highest != limit.highest:
        yield "", "lowest or highest is missing; at least one of them must be given"


LIMITS = tables(
    table(
        {
            "quantity": Key(_JUDGED),
            "temperature_C": Key(_TEMPERATURE, _NAN),
            "lowest": Key(number(), _NAN),
            "highest": Key(number(), _NAN),
            "decimals": Key(whole_number(0, 6)),
            "decision_rule": Key(_RULE, ""),
        },
        Limit,
        _check_limit,
    ),
    unique=quantity_and_temperature,
    called=VALUE_TWICE,
)
"""Reader of a product's specification limits."""

TYPICAL = tables(
    table(
        {
            "quantity": Key(_JUDGED),
            "temperature_C": Key(_TEMPERATURE, _NAN),
            "mean": Key(number()),
            "standard_deviation": Key(number(above=0)),
        },
        TypicalValue,
        _check_temperature,
    ),
    unique=quantity_and_temperature,
    called=VALUE_TWICE,
)
"""Reader of a product's typical values."""

CONFORMITY = table(
    {
        "decision_rule": Key(_RULE, _DEFAULT.decision_rule),
        "guard_band": Key(number(0, 5), _DEFAULT.guard_band),
    },
    ConformityChoices,
)
"""Reader of the whole table."""
