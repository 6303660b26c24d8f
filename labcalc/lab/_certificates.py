"""The tables [[reference]] of lab.toml: reference oils, their lots, and what the certificate of each lot says."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from labcalc.exports.table import QUANTITY_COLUMNS
from labcalc.lab._conformity import VALUE_TWICE, quantity_and_temperature
from labcalc.lab._tables import UNFIT, Key, Problems, choice, day, listed, number, table, tables, text
from labcalc.lab.laboratory import CertifiedValue, ReferenceLot, ReferenceMaterial

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
