"""What lab.toml says of oils: what a product is held to, reference oils with their certificates, and [conformity]."""

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from labcalc.exports.table import QUANTITY_COLUMNS
from labcalc.lab._tables import (
    UNFIT,
    Key,
    Problems,
    choice,
    day,
    described,
    listed,
    number,
    schema_of,
    table,
    tables,
    text,
    whole_number,
)
from labcalc.lab.laboratory import (
    CertifiedValue,
    ConformityChoices,
    Limit,
    ReferenceLot,
    ReferenceMaterial,
    TypicalValue,
)
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


_POSITIVE = number(above=0)
_K = Key(_POSITIVE, None)
_TWO = 2.0  # coverage factor where neither a value nor its lot states one: that of 95 %


def _check_lot(lot: ReferenceLot) -> Iterator[tuple[str, str]]:
    if lot.valid_to < lot.valid_from:
        yield "valid_to", f"{lot.valid_to}: a day on or after valid_from ({lot.valid_from}) is expected"


def _lot(value: Any, path: str, problems: Problems) -> Any:
    """Read a lot; what its certificate says of k holds for each value that says nothing itself."""
    lot = _LOT(value, path, problems)
    if lot is UNFIT:
        return UNFIT
    k = lot.coverage_factor
    silent = {"coverage_factor": k or _TWO, "k_is_stated": k is not None}
    values = (replace(one, **silent) if one.coverage_factor is None else one for one in lot.certified)
    return replace(lot, certified=tuple(values))


_CERTIFIED = table(
    {
        "quantity": Key(choice(QUANTITY_COLUMNS)),
        "temperature_C": Key(number(-80, 400, unit="°C")),
        "value": Key(_POSITIVE),
        "expanded_uncertainty": Key(number(0)),
        "coverage_factor": _K,
    },
    CertifiedValue,
)
_LOT = table(
    {
        "lot": Key(text),
        "valid_from": Key(day),
        "valid_to": Key(day),
        "certified": Key(tables(_CERTIFIED, unique=quantity_and_temperature, called=VALUE_TWICE, may_be_empty=False)),
        "certificate": Key(text, ""),
        "producer": Key(text, ""),
        "accreditation": Key(text, ""),
        "coverage_factor": _K,
        "file": Key(text, ""),
    },
    ReferenceLot,
    _check_lot,
)
described(_lot, lambda: schema_of(_LOT))
REFERENCE = table(
    {
        "name": Key(text),
        "samples": Key(listed(text, "patterns")),
        "lot": Key(
            tables(_lot, unique=lambda lot: lot.lot.casefold(), called="a lot of this name", may_be_empty=False),
            field="lots",
        ),
    },
    ReferenceMaterial,
)
"""Reader of one reference oil."""
