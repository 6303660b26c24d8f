"""A product in lab.toml: its class, what the class brings, the standard that it is held to."""

from collections.abc import Iterator
from typing import Any

from labcalc.formulae import COMMODITIES
from labcalc.lab._conformity import LIMITS, TYPICAL, quantity_and_temperature
from labcalc.lab._tables import Key, Problems, choice, listed, nearest, shown, table, text
from labcalc.lab.classes import ProductClass, all_quantities, product_classes, standard_limits, standards_for
from labcalc.lab.laboratory import Product


def _product(**given: Any) -> Product:
    """Fill in what its class brings and the limits of its standard, where the product says nothing of its own."""
    brought = product_classes().get(given["class_"], ProductClass())
    given["precision_class"] = given["precision_class"] or brought.precision_class
    given["commodity"] = given["commodity"] or brought.commodity or Product.commodity
    own = {quantity_and_temperature(one) for one in given["limits"]}
    published = standard_limits().get(given["standard"], ()) if given["standard"] else ()
    given["limits"] += tuple(one for one in published if quantity_and_temperature(one) not in own)
    return Product(**given)


def _check(product: Product) -> Iterator[tuple[str, str]]:
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
    {
        "name": Key(text),
        "samples": Key(listed(text, "patterns"), ()),
        "class": Key(choice(product_classes()), "", field="class_"),
        "precision_class": Key(text, ""),
        "commodity": Key(choice(COMMODITIES), ""),
        "standard": Key(text, ""),
        "quantities": QUANTITIES,
        "specification": Key(text, ""),
        "customer": Key(text, ""),
        "sampling": Key(text, ""),
        "limit": Key(LIMITS, (), field="limits"),
        "typical": Key(TYPICAL, ()),
    },
    _product,
    _check,
    Product,
)
"""Reader of a [[product]]."""
