"""What the trade writes for units: names, and products of powers in any order and spelling."""

import math
import re
import unicodedata
from dataclasses import dataclass
from functools import lru_cache

_SIGNIFICANT = ".12g"  # figures kept by a conversion: more than are ever printed, fewer than show the binary fraction


@dataclass(frozen=True)
class Unit:
    """A unit, the dimension it measures, and value in the tidy table's unit = value · factor + offset."""

    kind: str
    factor: float = 1.0
    offset: float = 0.0

    def converted(self, value: float) -> float:
        """Return the value in the tidy table's unit."""
        if self.factor == 1.0 and not self.offset:
            return value
        return float(format(value * self.factor + self.offset, _SIGNIFICANT))


class ApiGravity(Unit):
    """API gravity, converted to the density at 60 °F; ``factor``: its steepest slope in oil, at 10 °API."""

    def converted(self, value: float) -> float:
        """Return the density at 60 °F, [kg/m³]; NaN where no density has that gravity."""
        from labcalc.formulae.densities.gravity import density_from_api_gravity

        return float(format(density_from_api_gravity(value), _SIGNIFICANT)) if value > -131.5 else math.nan


def relative_to_water(water_C: float) -> Unit | None:
    """Return the unit of relative densities to water at a temperature, [°C]; None where water has no known density."""
    from labcalc.formulae.apparatus.water import water_density
    from labcalc.formulae.densities.gravity import density_from_relative_density

    if water_C == SIXTY_F:
        return Unit("density", float(density_from_relative_density(1.0)))
    return Unit("density", float(water_density(water_C))) if 0.0 <= water_C <= 40.0 else None


SIXTY_F = round(60.0 * 5.0 / 9.0 - 160.0 / 9.0, 9)  # 60 °F, base of API gravity and most relative densities, [°C]
OPEN_GALLON = "density by the gallon, of the USA or the Empire"
_NAMED = {
    "cst|csts|centistoke|centistokes": Unit("kinematic viscosity"),  # 1 cSt = 1 mm²/s, by definition
    "st|stoke|stokes": Unit("kinematic viscosity", 100.0),  # 1 St = 1 cm²/s, by definition
    "cp|cps|centipoise|centipoises": Unit("dynamic viscosity"),  # 1 cP = 1 mPa·s, by definition
    "p|poise|poises": Unit("dynamic viscosity", 100.0),  # 1 P = 0.1 Pa·s, by definition
    "lb/gal|lbs/gal|ppg": Unit(OPEN_GALLON),  # no conversion
    "gm/cc|gms/cc|gm/ml|gm/cm3": Unit("density", 1000.0),  # as the USA abbreviate the gram
    "°c|c|degc|degreec|degreesc|celsius|imp|uk|°celsius|degreescelsius|gradc|gradcelsius|grc": Unit("temperature"),
    "k|kelvin": Unit("temperature", 1.0, -273.15),  # ITS-90: t/°C = T/K - 273.15
    "°f|f|degf|degreef|degreesf|fahrenheit|°fahrenheit": Unit("temperature", 5.0 / 9.0, -160.0 / 9.0),
    "°api|degapi|api": ApiGravity("API gravity", 7.1),
}
_BY_NAME = {name: unit for names, unit in _NAMED.items() for name in names.split("|")}
_POUND_KG, _FOOT_M, _US_GALLON_M3 = 0.45359237, 0.3048, 3.785411784e-3
"""Exact: international yard and pound agreement, 1959; US gallon of 231 cubic inches; imperial gallon of 4.54609 L."""
_MASS, _LENGTH, _VOLUME, _TIME, _FORCE, _PRESSURE = (1, 0, 0), (0, 1, 0), (0, 3, 0), (0, 0, 1), (1, 1, -2), (1, -1, -2)
_BASES = {  # name → power of ten, dimension in kg, m and s, and what is no power of ten
    name: (power, dimension, factor)
    for names, power, dimension, factor in (
        ("g gram grams", -3, _MASS, 1.0), ("kg", 0, _MASS, 1.0), ("t", 3, _MASS, 1.0), ("lb lbs", 0, _MASS, _POUND_KG),
        ("mm", -3, _LENGTH, 1.0), ("cm", -2, _LENGTH, 1.0), ("dm", -1, _LENGTH, 1.0), ("m", 0, _LENGTH, 1.0),
        ("ml cc ccm milliliter millilitre", -6, _VOLUME, 1.0), ("l ltr liter litre", -3, _VOLUME, 1.0),
        ("cbm", 0, _VOLUME, 1.0), ("ft", 0, _LENGTH, _FOOT_M), ("cuft", 0, _VOLUME, _FOOT_M**3),
        ("usgal galus gallonus usgallon", 0, _VOLUME, _US_GALLON_M3),
        ("impgal ukgal galimp galuk", -3, _VOLUME, 4.54609),
        ("s sec sek", 0, _TIME, 1.0),
        ("n", 0, _FORCE, 1.0), ("mn", -3, _FORCE, 1.0), ("pa", 0, _PRESSURE, 1.0), ("mpa", -3, _PRESSURE, 1.0),
    )
    for name in names.split()
}  # fmt: skip
_KINDS: dict[tuple[int, ...], tuple[str, int]] = {  # dimension → what it is of, power of ten of its tidy unit
    (0, 2, -1): ("kinematic viscosity", 6),
    (1, -1, -1): ("dynamic viscosity", 3),
    (1, -3, 0): ("density", 0),
}
_BASE = "|".join(sorted(_BASES, key=len, reverse=True))
_FACTOR = re.compile(rf"(/?)({_BASE})(-?[1-3])?")
_FIRST_WORD = re.compile(rf"(?:{_BASE}){{1,3}}|deg(?:rees?)?|gr|grad|gms?|us|°|{'|'.join(map(re.escape, _BY_NAME))}")


def plain(text: str) -> str:
    """Return the text with one sign for each that has several: degrees, minus, powers, micro."""
    return unicodedata.normalize("NFKC", text.replace("º", "°").replace("˚", "°")).replace("−", "-").strip()


@lru_cache(maxsize=4096)
def begins_unit(word: str) -> bool:
    """Tell whether a word can be the first of a unit."""
    return _FIRST_WORD.fullmatch(word.casefold()) is not None


@lru_cache(maxsize=4096)
def unit_of(text: str) -> Unit | None:
    """Return the unit that the text spells, in or without brackets; None if it spells none."""
    key = re.sub(r"[\s·⋅•*^×.()\[\]{}<>]", "", re.sub(r"(?<=\w)[\s_]per[\s_](?=\w)", "/", plain(text[:60])))
    if len(text) > 60 or not key or key.startswith("MPa"):  # no mPa; all other units are known in capitals too
        return None
    key = key.casefold()
    return _BY_NAME.get(key) or _product(key.replace("_", "")) or _product(key.replace("_", "/"))


def _product(key: str) -> Unit | None:
    at, sign, power, factor = 0, 1, 0, 1.0
    dimension: tuple[int, ...] = (0, 0, 0)
    key = re.sub(r"-(?=[a-z])", "", key)
    while at < len(key):
        found = _FACTOR.match(key, at)
        if found is None:
            return None
        sign = -1 if found[1] else sign
        times, (ten, base, value) = sign * int(found[3] or 1), _BASES[found[2]]
        power, factor, at = power + times * ten, factor * value**times, found.end()
        dimension = tuple(have + times * new for have, new in zip(dimension, base, strict=True))
    if dimension not in _KINDS:
        return None
    kind, tidy = _KINDS[dimension]
    return Unit(kind, factor * 10.0 ** (power + tidy))
