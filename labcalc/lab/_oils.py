"""What lab.toml says of oils: what a product is held to, its class and standard, reference oils with certificates."""

from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from typing import Any

from labcalc.formulae import COMMODITIES
from labcalc.lab._tables import (
    UNFIT,
    Key,
    Problems,
    choice,
    described,
    in_order,
    keys_of,
    listed,
    nearest,
    record_of,
    schema_of,
    shown,
    table,
    tables,
)
from labcalc.lab.classes import ProductClass, all_quantities, product_classes, standard_limits, standards_for
from labcalc.lab.laboratory import (
    INDICES,
    CertifiedValue,
    Limit,
    Product,
    ReferenceLot,
    ReferenceMaterial,
    TypicalValue,
)


def quantity_and_temperature(record: Any) -> tuple[str, str]:
    """Return what tells a value of a table from its others."""
    return record.quantity, f"{record.temperature_C:g}"


def _check_temperature(record: Limit | TypicalValue) -> Iterator[tuple[str, str]]:
    given = record.temperature_C == record.temperature_C
    if (index := INDICES.get(record.quantity)) and given:
        yield "temperature_C", f"{record.temperature_C:g}: {index} takes no temperature_C"
    if not index and not given:
        yield "temperature_C", f"missing, and must be given for {record.quantity}"


def _check_limit(limit: Limit) -> Iterator[tuple[str, str]]:
    yield from _check_temperature(limit)
    yield from in_order("lowest", "highest", "a number greater than lowest", strictly=True)(limit)
    if limit.lowest != limit.lowest and limit.highest != limit.highest:
        yield "", "lowest or highest is missing; at least one of them must be given"


_values = partial(tables, unique=quantity_and_temperature, called="the same quantity and temperature")


def _product(**given: Any) -> Product:
    """Fill in what its class brings and the limits of its standard, where the product says nothing of its own."""
    brought = product_classes().get(given["class_"], ProductClass())
    given["precision_class"] = given["precision_class"] or brought.precision_class
    given["commodity"] = given["commodity"] or brought.commodity or Product.commodity
    own = {quantity_and_temperature(one) for one in given["limits"]}
    published = standard_limits().get(given["standard"], ()) if given["standard"] else ()
    given["limits"] += tuple(one for one in published if quantity_and_temperature(one) not in own)
    return Product(**given)


def _check_product(product: Product) -> Iterator[tuple[str, str]]:
    known = standards_for(product.class_)
    if product.standard and product.standard not in known:
        of = f" of {product.class_}" if product.class_ else ""
        expected = f"one of {', '.join(map(shown, known))} is expected" if known else f"no limits{of} are known here"
        yield "standard", f"{shown(product.standard)}: {expected}{nearest(product.standard, known)}"


def _change(value: Any, path: str, problems: Problems) -> Any:
    words = all_quantities()
    if isinstance(value, str) and value[:1] in ("+", "-") and value[1:] in words:
        return value
    guess = nearest(value.lstrip("+-"), words) if isinstance(value, str) else ""
    return problems.note(path, f"{shown(value)}: + or - is expected before one of {', '.join(words)}{guess}")


QUANTITIES = Key(listed(_change, "quantities"), ())  # what is calculated beside or without what the class names

PRODUCT = table(
    keys_of(
        Product,
        class_=Key(choice(product_classes())),
        commodity=Key(choice(COMMODITIES), ""),
        quantities=QUANTITIES,
        limits=Key(_values(record_of(Limit, _check_limit))),
        typical=Key(_values(record_of(TypicalValue, _check_temperature))),
    ),
    _product,
    _check_product,
    Product,
)
"""Reader of a [[product]]."""


_TWO = 2.0  # coverage factor where neither a value nor its lot states one: that of 95 %


def _lot(value: Any, path: str, problems: Problems) -> Any:
    """Read a lot; what its certificate says of k holds for each value that says nothing itself."""
    lot = _LOT(value, path, problems)
    if lot is UNFIT:
        return UNFIT
    k = lot.coverage_factor
    silent = {"coverage_factor": k or _TWO, "k_is_stated": k is not None}
    values = (replace(one, **silent) if one.coverage_factor is None else one for one in lot.certified)
    return replace(lot, certified=tuple(values))


_LOT = record_of(
    ReferenceLot,
    in_order("valid_from", "valid_to", "a day on or after valid_from"),
    certified=Key(_values(record_of(CertifiedValue), may_be_empty=False)),
)
described(_lot, lambda: schema_of(_LOT))
_LOTS = tables(_lot, unique=lambda lot: lot.lot.casefold(), called="a lot of this name", may_be_empty=False)
REFERENCE = record_of(ReferenceMaterial, lots=Key(_LOTS))
"""Reader of one reference oil."""
