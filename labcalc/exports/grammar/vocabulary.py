"""What a header says: quantity, nature, temperature, unit, method in any order, or another field; None if in doubt."""

import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from labcalc.exports.grammar.headers import LONGEST_HEADER, parts_of
from labcalc.exports.grammar.units import SIXTY_F, Unit, unit_of

QUANTITIES = ("kinematic viscosity", "dynamic viscosity", "density")
LIMITS = {  # lowest and highest value that an oil can have; beyond lies a wrong unit or a broken figure
    "temperature": (-80.0, 400.0, "°C"),
    "set temperature": (-80.0, 400.0, "°C"),
    "kinematic viscosity": (0.1, 1e7, "mm²/s"),
    "dynamic viscosity": (0.05, 1e7, "mPa·s"),
    "density": (300.0, 2500.0, "kg/m³"),
}
FOOTER = re.compile(  # first cell of a line that is no row: counts, sums, notes and ends
    r"(end of (report|file|export|data|list)|(rows|count|number of (rows|results|samples)|results|samples|records|sum|"
    r"total|mean|average|std\.? ?dev\.?|standard deviation|minimum|maximum|min|max|n|zeilen|anzahl|summe|mittelwert|"
    r"total général|moyenne|media|média)\s*[:=]?\s*[\d.,]*|(notes?|printed|exported|signed|signature|checked|page|"
    r"seite)\b.*|[-=_*]{3,})\s*\.?",
    re.IGNORECASE | re.DOTALL,
)
_NO = ["no", "nein", "non", "nee", "nej", "nie", "não", "false", "falsch", "faux", "falso"]
_Said = dict[str, list[Any]]  # kind of part → what the parts of that kind say, each once
_ONCE = ("method", "nature", "qualifier", "at", "pair", "figure")  # a contradiction if there twice; not so of a unit
_BESIDE_FIELD = {"field", "label", "act", "value", "filler", "format", "qualifier"}
_OF_TIME = {"date", "time", "measured_at"}


@dataclass(frozen=True)
class Meaning:
    """What a header says; ``unit`` and ``method`` as written."""

    holds: str
    """``kinematic viscosity``, ``dynamic viscosity``, ``viscosity`` (which one isn't said), ``density``, ``relative
    density``, ``API gravity``, ``temperature``; ``statistic``: no result, but said of results; a field of the row
    (``sample``, ``lot``, ``measured_at``, ``method``, ...); ``ignored``."""
    unit: str | None = None
    temperature_C: float | None = None
    qualifier: str | None = None  # ``set`` or ``read``, of a temperature
    statistic: str | None = None
    """``mean``, ``standard deviation``, ``limit``, ``uncertainty``, ``repeatability``, ``count``, ``calculated``."""
    method: str | None = None
    water_C: float | None = None  # temperature of the water that a relative density is relative to, [°C]


@lru_cache(maxsize=4096)
def meaning_of(header: str) -> Meaning | None:
    """Return what a header says; None where a word of it is unknown, or it reads two ways."""
    if len(header) > LONGEST_HEADER or header.lower() == header.upper():
        return None
    said: _Said = {}
    for part, what in parts_of(header):
        if part in ("unknown", "other"):
            return None
        if what not in said.setdefault(part, []):
            said[part].append(what)
    if any(len(said.get(part, ())) > 1 for part in _ONCE) or len({unit_of(one) for one in said.get("unit", ())}) > 1:
        return None
    return _field(said) or _measured(said)


def carries_measured_unit(header: str) -> bool:
    """Tell whether a header not understood has a measured unit or a method; of a flash point and such it hasn't."""
    parts = list(parts_of(header))
    kinds = {part for part, _ in parts}
    units = {what for part, what in parts if part == "unit"} - ({"API"} if "unknown" in kinds else set())
    return "other" not in kinds and (bool(units) or "measured" in kinds)


@lru_cache(maxsize=4096)
def is_invalid(status: str) -> bool:
    """Tell whether a status says that a row doesn't count: 'no', or in a word of the trade, 'aborted', 'ungültig'."""
    return status.strip().casefold() in _NO or ("unknown", "invalid") in parts_of(status)


def _field(said: _Said) -> Meaning | None:
    """Return a field of the row that is no quantity; None where the header is about one, or about two fields."""
    fields, parts = set(said.get("field", ())), said.keys()
    if parts - {"filler"} == {"act", "label"} and said["label"] == ["number"]:
        return Meaning("run")
    if fields == {"date", "time"}:
        fields = {"measured_at"}
    if "remark" in fields:
        fields = {"remark"}
    if len(fields) != 1 or not parts <= _BESIDE_FIELD:
        return None
    (field,) = fields
    foreign = {"label"} if field in _OF_TIME else {"format", "qualifier"}
    return Meaning(field) if said.get("qualifier") in (None, ["read"]) and not parts & foreign else None


def _measured(said: _Said) -> Meaning | None:
    """Return a quantity, a temperature, or a statistic of them."""
    unit = unit_of(said["unit"][0]) if "unit" in said else None
    symbols = [one for one in said.get("symbol", ()) if one not in ("viscosity", "density")]
    if symbols and unit is None and not {"quantity", "statistic"} & said.keys():
        return None
    statistics = [*said.get("statistic", ()), *symbols]
    if said.get("field") == ["sample"] and said.get("quantity") == ["temperature"] and "qualifier" not in said:
        said = said | {"qualifier": ["read"]}
    elif not set(said.get("field", ())) <= ({"replicate", "run"} if statistics else set()):
        return None
    if statistics and "format" not in said:
        return _meaning("statistic", said, _at(said, "viscosity"), statistic=statistics[0])
    quantity = _quantity(said, unit)
    return None if quantity is None or {"format", "label", "percent"} & said.keys() else _of(quantity, said, unit)


def _meaning(holds: str, said: _Said, at: float | None, **more: Any) -> Meaning:
    unit, method = (said[part][0] if part in said else None for part in ("unit", "method"))
    return Meaning(holds, unit, at, method=method, **more)


def _quantity(said: _Said, unit: Unit | None) -> str | None:
    """Return the quantity that words, or else symbol or unit, decide; None where they don't, or decide for two."""
    kinds = set(said.get("quantity", ()))
    kind = unit.kind if unit else ""
    is_stated = bool({"at", "figure", "pair"} & said.keys())
    for symbol in said.get("symbol", ()):
        if not (kind.endswith(symbol) or (is_stated and unit is None)):
            return None
        kinds.add(symbol)
    if len(kinds) > 1 and (is_stated or kind in QUANTITIES):
        kinds.discard("temperature")
    if kind == "API gravity" and kinds <= {"density", "gravity"} and (kinds or is_stated or said["unit"] != ["API"]):
        return "API gravity"
    if not kinds and kind in QUANTITIES and (is_stated or {"method", "value", "nature"} & said.keys()):
        return kind.split()[-1]
    if not kinds and kind == "temperature" and "qualifier" in said:
        return "temperature"
    return kinds.pop() if len(kinds) == 1 and kinds != {"gravity"} else None


def _of(quantity: str, said: _Said, unit: Unit | None) -> Meaning | None:
    """Return what is said of a quantity, None where its parts contradict each other."""
    nature, qualifier, pair = (said[part][0] if part in said else None for part in ("nature", "qualifier", "pair"))
    at = _at(said, quantity)
    if at is None and {"at", "figure"} & said.keys():
        return None
    if quantity == "density" and (nature == "relative" or pair):
        sample, water = pair or (at, None)
        is_one = unit is None and at in (None, sample) and nature in (None, "relative")
        return _meaning("relative density", said, sample, water_C=water) if is_one else None
    if pair or nature not in ((None, "kinematic", "dynamic") if quantity == "viscosity" else (None,)):
        return None
    if quantity == "API gravity":
        return _meaning(quantity, said, SIXTY_F) if at in (None, SIXTY_F) else None
    if nature or (quantity == "viscosity" and unit is not None and "viscosity" in unit.kind):
        quantity = f"{nature} viscosity" if nature or unit is None else unit.kind
    if quantity == "temperature":
        return _meaning(quantity, said, at, qualifier=qualifier)
    return _meaning("statistic", said, at, statistic="limit") if qualifier == "set" else _meaning(quantity, said, at)


def _at(said: _Said, quantity: str) -> float | None:
    """Return the temperature in the header; None where there is none, or a figure that may be another."""
    if "figure" not in said or "at" in said:
        return None if "figure" in said else said.get("at", [None])[0]
    figure: float = said["figure"][0]
    if quantity == "API gravity":
        return SIXTY_F if figure == 60.0 else None
    is_open = quantity == "temperature" or (quantity, figure) == ("density", 60.0)
    return figure if _is_usual(figure) and not is_open else None


def _is_usual(figure: float) -> bool:
    """Tell a usual temperature in °C (common practice) from the count of repeats, 1 to 10, and one in °F: 104, 210."""
    return figure in (37.8, 98.9) or (figure % 5.0 == 0.0 and (-60.0 <= figure < 0.0 or 15.0 <= figure <= 150.0))
