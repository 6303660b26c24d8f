"""What lab.toml says of oils: what a product is held to, its class and standard, reference oils with certificates."""

from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from typing import Any

import labcalc.lab._tables as toml
import labcalc.lab.laboratory as records
from labcalc.formulae import COMMODITIES
from labcalc.lab.classes import ProductClass, all_quantities, product_classes, standard_limits, standards_for


def quantity_and_temperature(record: Any) -> tuple[str, str]:
    """Return what tells a value of a table from its others."""
    return record.quantity, f"{record.temperature_C:g}"


def _check_temperature(record: records.Limit | records.TypicalValue) -> Iterator[tuple[str, str]]:
    given = record.temperature_C == record.temperature_C
    if (index := records.INDICES.get(record.quantity)) and given:
        yield "temperature_C", f"{record.temperature_C:g}: {index} takes no temperature_C"
    if not index and not given:
        yield "temperature_C", f"missing, and must be given for {record.quantity}"


def _check_limit(limit: records.Limit) -> Iterator[tuple[str, str]]:
    yield from _check_temperature(limit)
    yield from toml.in_order("lowest", "highest", "a number greater than lowest", strictly=True)(limit)
    if limit.lowest != limit.lowest and limit.highest != limit.highest:
        yield "", "lowest or highest is missing; at least one of them must be given"


_values = partial(toml.tables, unique=quantity_and_temperature, called="the same quantity and temperature")


def _product(**given: Any) -> records.Product:
    """Fill in what its class brings and the limits of its standard, where the product says nothing of its own."""
    brought = product_classes().get(given["class_"], ProductClass())
    given["precision_class"] = given["precision_class"] or brought.precision_class
    given["commodity"] = given["commodity"] or brought.commodity or records.Product.commodity
    own = {quantity_and_temperature(one) for one in given["limits"]}
    published = standard_limits().get(given["standard"], ()) if given["standard"] else ()
    given["limits"] += tuple(one for one in published if quantity_and_temperature(one) not in own)
    return records.Product(**given)


def _check_product(product: records.Product) -> Iterator[tuple[str, str]]:
    known = standards_for(product.class_)
    if product.standard and product.standard not in known:
        of = f" of {product.class_}" if product.class_ else ""
        names = ", ".join(map(toml.shown, known))
        expected = f"one of {names} is expected" if known else f"no limits{of} are known here"
        yield "standard", f"{toml.shown(product.standard)}: {expected}{toml.nearest(product.standard, known)}"


def _change(value: Any, path: str, problems: toml.Problems) -> Any:
    words = all_quantities()
    if isinstance(value, str) and value[:1] in ("+", "-") and value[1:] in words:
        return value
    guess = toml.nearest(value.lstrip("+-"), words) if isinstance(value, str) else ""
    return problems.note(path, f"{toml.shown(value)}: + or - is expected before one of {', '.join(words)}{guess}")


QUANTITIES = toml.Key(toml.listed(_change, "quantities"), ())  # beside or without what the class names
PRODUCT = toml.table(
    toml.keys_of(
        records.Product,
        class_=toml.Key(toml.choice(product_classes())),
        commodity=toml.Key(toml.choice(COMMODITIES), ""),
        quantities=QUANTITIES,
        limits=toml.Key(_values(toml.record_of(records.Limit, _check_limit))),
        typical=toml.Key(_values(toml.record_of(records.TypicalValue, _check_temperature))),
    ),
    _product,
    _check_product,
    records.Product,
)
"""Reader of a [[product]]."""
_TWO = 2.0  # coverage factor where neither a value nor its lot states one: that of 95 %


def _lot(value: Any, path: str, problems: toml.Problems) -> Any:
    """Read a lot; what its certificate says of k holds for each value that says nothing itself."""
    lot = _LOT(value, path, problems)
    if lot is toml.UNFIT:
        return toml.UNFIT
    k = lot.coverage_factor
    silent = {"coverage_factor": k or _TWO, "k_is_stated": k is not None}
    values = (replace(one, **silent) if one.coverage_factor is None else one for one in lot.certified)
    return replace(lot, certified=tuple(values))


_LOT = toml.record_of(
    records.ReferenceLot,
    toml.in_order("valid_from", "valid_to", "a day on or after valid_from"),
    certified=toml.Key(_values(toml.record_of(records.CertifiedValue), may_be_empty=False)),
)
toml.described(_lot, lambda: toml.schema_of(_LOT))
_LOTS = toml.tables(_lot, unique=lambda lot: lot.lot.casefold(), called="a lot of this name", may_be_empty=False)
REFERENCE = toml.record_of(records.ReferenceMaterial, lots=toml.Key(_LOTS))
"""Reader of one reference oil."""
