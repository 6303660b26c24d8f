"""Precision statements: the laboratory's own first, then the published ones that ship in labcalc/data."""

import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from itertools import product
from typing import Any

import numpy as np

from labcalc.lab.laboratory import Laboratory, Precision, PrecisionFunction

_NAN = float("nan")
_WITHIN_K = 0.5
LEAST_DEGREES_OF_FREEDOM = 30.0  # ISO 4259 asks a published repeatability to rest on no fewer [memory]


@dataclass(frozen=True)
class PrecisionStatement:
    """What a method says about differences between results, 95 %."""

    method: str
    edition: str
    precision_class: str
    quantity: str
    temperature_C: float  # temperature, [°C]; NaN for any
    determinability: PrecisionFunction
    repeatability: PrecisionFunction
    reproducibility: PrecisionFunction
    mark: str  # ``seen`` or ``memory`` for a published statement, ``laboratory`` for the laboratory's own
    lowest: float = _NAN  # lower end of the range of results that it was found for, [unit of the quantity]
    highest: float = _NAN  # its upper end; NaN where none is stated
    default: bool = False  # whether the edition is the one taken unless the laboratory says otherwise
    degrees_of_freedom: float = LEAST_DEGREES_OF_FREEDOM  # of the repeatability, [-]

    @property
    def edition_title(self) -> str:
        """Method and edition."""
        return self.method if self.mark == "laboratory" else f"{self.method}, edition {self.edition}"

    @property
    def title(self) -> str:
        """Method, edition and class, as a report names the statement; the mark stands once on its page."""
        own = f" [{self.mark}]" if self.mark == "laboratory" else ""
        return f"{self.edition_title}, {self.precision_class}{own}"

    def holds_for(self, x: float) -> bool:
        """Tell whether a result [unit of the quantity] is in the range that the statement was found for."""
        return not (x < self.lowest or x > self.highest)


@cache
def published_precision() -> tuple[PrecisionStatement, ...]:
    """Return every statement that ships, one for each class and temperature."""
    return tuple(one for method in _methods() for one in _statements(method))


@cache
def _methods() -> list[dict[str, Any]]:
    content = files("labcalc.data").joinpath("precision.toml").read_text("utf-8")
    return list(tomllib.loads(content)["method"])


def _edition(method: dict[str, Any]) -> str:
    return f"{method['method']}, edition {method['edition']}"


def method_names() -> tuple[str, ...]:
    """Return how lab.toml may name a method: bare, for its first edition here, or with an edition."""
    return tuple(dict.fromkeys(name for one in _methods() for name in (one["method"], _edition(one))))


def method_of(laboratory: Laboratory, instrument: str, quantity: str) -> str:
    """Return the method and edition by which an instrument measures a quantity.

    instrument : Name of the instrument, case ignored; empty: any, where all that name a method name the same.
    Returns : The first of its methods that is for the quantity, with edition; empty where lab.toml names none.
    """
    asked = [one for one in laboratory.instruments if one.name.casefold() == instrument.casefold() or not instrument]
    found = {_method(one.methods, quantity) for one in asked} - {""}
    return found.pop() if len(found) == 1 else ""


def _method(names: Iterable[str], quantity: str) -> str:
    for_quantity = [one for one in _methods() if one["quantity"] == quantity]
    fitting = (_edition(one) for name in names for one in for_quantity if name in (one["method"], _edition(one)))
    return next(fitting, "")


_FUNCTIONS = {"determinability": "d", "repeatability": "r", "reproducibility": "R"}


def _statements(method: dict[str, Any]) -> Iterator[PrecisionStatement]:
    lines = method.get("statement", [])
    if same := method.get("same_as"):
        lines = next(one["statement"] for one in _methods() if _edition(one) == same)
    shared = {name: method[name] for name in ("method", "edition", "quantity", "default")}
    for line in lines:
        functions = {name: PrecisionFunction(**line.get(key, {})) for name, key in _FUNCTIONS.items()}
        ends = {name: float(line.get(name, _NAN)) for name in ("lowest", "highest")}
        stated = {**shared, **functions, **ends, "mark": line["mark"]}
        for precision_class, temperature_C in product(line["classes"], line.get("temperatures_C", [_NAN])):
            yield PrecisionStatement(precision_class=precision_class, temperature_C=float(temperature_C), **stated)


def precision_for(
    laboratory: Laboratory, precision_class: str, quantity: str, temperature_C: float, instrument: str = ""
) -> PrecisionStatement | None:
    """Return the statement that holds for a result.

    laboratory : Its own statements come before the published ones, of which the method of the instrument says which.
    temperature_C : Temperature of the result, [°C]; a statement for a temperature holds within 0.5 °C of it.
    instrument : Name of the instrument; without one, what ``method_of`` says of all.
    Returns : A statement for the temperature before one for any; None where nothing is stated.
    """
    own = [_own(one) for one in laboratory.precision]
    method = method_of(laboratory, instrument, quantity)
    shipped = [one for one in published_precision() if (one.edition_title == method if method else one.default)]
    fitting = (_best(these, precision_class, quantity, temperature_C) for these in (own, shipped))
    return next((one for one in fitting if one is not None), None)


def _own(own: Precision) -> PrecisionStatement:
    given = {name: one for name, one in vars(own).items() if name != "source"}
    return PrecisionStatement(own.source, "lab.toml", mark="laboratory", **given)


def _best(
    statements: Iterable[PrecisionStatement], precision_class: str, quantity: str, temperature_C: float
) -> PrecisionStatement | None:
    """Return the statement nearest in temperature; one for any temperature comes last."""

    def away(one: PrecisionStatement) -> float:
        return _WITHIN_K if np.isnan(one.temperature_C) else abs(one.temperature_C - temperature_C) - 1e-9

    of_class = (one for one in statements if one.precision_class.casefold() == precision_class.casefold())
    return min((one for one in of_class if one.quantity == quantity and away(one) <= _WITHIN_K), key=away, default=None)
