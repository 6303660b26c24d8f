"""The trade's words and units, and what a header says."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from functools import lru_cache

QUANTITIES = ("kinematic viscosity", "dynamic viscosity", "density")

LIMITS = {
    "temperature": (-80.0, 400.0, "°C"),
    "kinematic viscosity": (0.1, 1e7, "mm²/s"),
    "dynamic viscosity": (0.05, 1e7, "mPa·s"),
    "density": (300.0, 2500.0, "kg/m³"),
}
"""Lowest and highest value that an oil in the laboratory can have; beyond lies a wrong unit or a broken figure."""

WORDS = {
    "kinematic viscosity": "kinematic viscosity|kin viscosity|kin visc|kinematic visc|viscosity kinematic|kv|kvis|ν|"
    "kinematische viskosität|kin viskosität|viscosité cinématique|viscosidad cinemática|viscosidade cinemática",
    "dynamic viscosity": "dynamic viscosity|dyn viscosity|dyn visc|dynamic visc|absolute viscosity|abs viscosity|"
    "viscosity dynamic|dv|η|μ|dynamische viskosität|dyn viskosität|viscosité dynamique|viscosidad dinámica|"
    "viscosidade dinâmica",
    "viscosity": "viscosity|visc|viskosität|viscosité|viscosidad|viscosidade",
    "density": "density|dens|ρ|rho|dichte|masse volumique|densidad|densidade|massa volúmica",
    "temperature": "temperature|temp|t|test temperature|test temp|measuring temperature|bath temperature|"
    "cell temperature|temperatur|messtemperatur|température|temperatura",
    "sample": "sample|sample id|sample name|sample no|sample number|specimen|probe|proben nr|probennummer|"
    "probenname|échantillon|muestra|amostra",
    "product": "product|product name|material|grade|produkt|produit|producto|produto",
    "lot": "lot|lot no|lot number|batch|batch no|batch number|charge|charge nr|lote",
    "role": "role",
    "measured_at": "measured at|date time|datetime|date and time|timestamp|time stamp|date & time|measured_at|"
    "datum uhrzeit|datum zeit|date et heure|date heure|fecha y hora|fecha hora|data e hora|data hora",
    "date": "date|measured on|test date|measurement date|run date|datum|messdatum|fecha|data",
    "time": "time|time of day|test time|uhrzeit|zeit|heure|hora",
    "instrument": "instrument|instrument id|instrument name|device|analyser|analyzer|gerät|messgerät|appareil|"
    "instrumento|equipo|equipamento",
    "operator": "operator|analyst|user|technician|bediener|prüfer|laborant|opérateur|analyste|operador|analista",
    "run": "run|run no|run number|run id|run name|measurement id|measurement no|determination id|messung nr|"
    "messungs nr|mesure no|medición no|medição no",
    "replicate": "replicate|replicate no|rep|rep no|repeat|repeat no|fill|fill no|wiederholung|répétition|"
    "repetición|repetição",
    "remark": "remark|remarks|comment|comments|note|notes|bemerkung|kommentar|remarque|commentaire|observación|"
    "observaciones|comentario|observação|observações|comentário",
}
"""What a column holds → how the trade writes it; folded by ``_folded``."""

TIDY_HEADERS = {
    "temperature_C": ("temperature", "°C"),
    "kinematic_viscosity_mm2_s": ("kinematic viscosity", "mm²/s"),
    "dynamic_viscosity_mPa_s": ("dynamic viscosity", "mPa·s"),
    "density_kg_m3": ("density", "kg/m³"),
    "source_file": ("ignored", None),
    "source_line": ("ignored", None),
}
"""The headers of this program's own tables that are not words of the trade."""

FOOTER = re.compile(
    r"(end of (report|file|export|data|list)|(rows|count|number of (rows|results|samples)|results|samples|records|sum|"
    r"total|mean|average|std\.? ?dev\.?|standard deviation|minimum|maximum|min|max|n|zeilen|anzahl|summe|mittelwert|"
    r"total général|moyenne|media|média)\s*[:=]?\s*[\d.,]*|(notes?|printed|exported|signed|signature|checked|page|"
    r"seite)\b.*|[-=_*]{3,})\s*\.?",
    re.IGNORECASE | re.DOTALL,
)
"""First cell of a line that is no row: counts, sums, notes and ends."""


@dataclass(frozen=True)
class Unit:
    """A unit, the dimension it measures, and value in the tidy table's unit = value · factor + offset."""

    kind: str
    factor: float
    offset: float = 0.0


_POUND_KG, _FOOT_M, _US_GALLON_M3 = 0.45359237, 0.3048, 3.785411784e-3
"""Exact: international yard and pound agreement, 1959; US gallon of 231 cubic inches."""

_UNITS = {
    "mm2/s|mm2s-1|cst": Unit("kinematic viscosity", 1.0),  # 1 cSt = 1 mm²/s, by definition
    "cm2/s|cm2s-1|st": Unit("kinematic viscosity", 100.0),  # 1 St = 1 cm²/s, by definition
    "m2/s|m2s-1": Unit("kinematic viscosity", 1e6),
    "mPas|cp|cps": Unit("dynamic viscosity", 1.0),  # 1 cP = 1 mPa·s, by definition
    "Pas": Unit("dynamic viscosity", 1000.0),
    "p": Unit("dynamic viscosity", 100.0),  # 1 P = 0.1 Pa·s, by definition
    "kg/m3|kgm-3|g/l|gl-1|g/dm3": Unit("density", 1.0),
    "g/cm3|gcm-3|g/ml|gml-1|kg/l|kgl-1|g/cc|kg/dm3|kgdm-3|t/m3": Unit("density", 1000.0),
    "lb/ft3|lb/cuft": Unit("density", _POUND_KG / _FOOT_M**3),
    "lb/usgal|lb/gal(us)|lb/galus": Unit("density", _POUND_KG / _US_GALLON_M3),
    "°c|c|degc|deg.c": Unit("temperature", 1.0),
    "k": Unit("temperature", 1.0, -273.15),  # ITS-90: t/°C = T/K - 273.15
    "°f|f|degf|deg.f": Unit("temperature", 5.0 / 9.0, -160.0 / 9.0),  # t/°C = (t/°F - 32) · 5/9
}
_BY_UNIT = {key: unit for keys, unit in _UNITS.items() for key in keys.split("|")}
_BY_FOLDED_UNIT = {key.casefold(): unit for key, unit in _BY_UNIT.items()}
_NO_FOLD = re.compile("MPa")
"""A megapascal second is no millipascal second."""

_BRACKETS = re.compile(r"\(([^()]*(?:\([^()]*\)[^()]*)?)\)|\[([^\[\]]*)\]|\{([^{}]*)\}|<([^<>]*)>")
_AT = re.compile(
    r"(?:(?:\b(?:at|bei|à|a)|@)\s*)?(?P<figure>[-−]?\d+(?:[.,]\d+)?)\s*(?P<unit>°\s*[CFK]?|deg\.?\s*[CF]|[CFK])(?![\w/])"
)
_SHORT_AT = re.compile(r"(?P<name>KV|DV|ν|η|ρ|kv|dv)\s*[_@]?\s*(?P<figure>\d+(?:[.,]\d+)?)")


@dataclass(frozen=True)
class Meaning:
    """What a header says; ``unit`` as written."""

    holds: str
    unit: str | None = None
    temperature_C: float | None = None


def _plain(text: str) -> str:
    return unicodedata.normalize("NFKC", text.replace("º", "°").replace("˚", "°")).replace("−", "-").strip()


def _folded(name: str) -> str:
    return " ".join(re.sub(r"[\s._:#/\-]+", " ", _plain(name)).casefold().split())


_BY_WORD = {_folded(word): holds for holds, words in WORDS.items() for word in words.split("|")}


@lru_cache(maxsize=4096)
def unit_of(text: str) -> Unit | None:
    """Return the unit that the text spells, in or without brackets; None if it spells none."""
    key = re.sub(r"[\s·⋅*^×]+", "", _plain(text))
    if key[:1] in "([{<" and key[-1:] in ")]}>":
        key = key[1:-1]
    key = key.replace("Pa.s", "Pas").replace("pa.s", "pas").replace("PA.S", "pas").replace("Pa-s", "Pas")
    exact = _BY_UNIT.get(key)
    if exact is not None or _NO_FOLD.match(key):
        return exact
    dotless = key.replace(".", "").casefold()
    return _BY_FOLDED_UNIT.get(key.casefold()) or _BY_FOLDED_UNIT.get(dotless)


@lru_cache(maxsize=4096)
def meaning_of(header: str) -> Meaning | None:
    """Return what a header says; None where no word of the trade is recognised."""
    if header in TIDY_HEADERS:
        return Meaning(*TIDY_HEADERS[header])
    if not header.strip() or len(header) > 200:
        return None
    name, unit, at = _from_brackets(_plain(header))
    if at is None and (found := _AT.search(name)):
        at, name = _celsius(found["figure"], found["unit"]), name[: found.start()] + name[found.end() :]
    if unit is None and _folded(name) not in _BY_WORD:
        name, unit = _from_tail(name)
    if at is None and (short := _SHORT_AT.fullmatch(name.strip(" ,;/_-"))):
        at, name = float(short["figure"].replace(",", ".")), short["name"]
    name = name.strip(" ,;/_-")
    holds = _BY_WORD.get(_folded(name)) or _BY_WORD.get(_folded(re.sub(r"\b(in|at)$", "", name)))
    if holds is None:
        return None
    return Meaning(holds, unit, at)


def _celsius(figure: str, unit: str) -> float:
    letter = unit.replace(" ", "")[-1:].upper()
    spelled = _BY_UNIT["°f" if letter == "F" else "k" if letter == "K" else "°c"]
    value = float(figure.replace(",", ".").replace("−", "-"))
    return round(value * spelled.factor + spelled.offset, 9)


def _from_brackets(name: str) -> tuple[str, str | None, float | None]:
    unit, at = None, None
    for found in _BRACKETS.finditer(name):
        inside = next(group for group in found.groups() if group is not None)
        used = False
        for part in [inside] if unit_of(inside) else re.split(r"[,;]", inside):
            if unit is None and unit_of(part):
                unit, used = part.strip(), True
            elif at is None and (degrees := _AT.fullmatch(part.strip())):
                at, used = _celsius(degrees["figure"], degrees["unit"]), True
        if used:
            name = name.replace(found[0], " ", 1)
    return name, unit, at


def _from_tail(name: str) -> tuple[str, str | None]:
    for found in re.finditer(r"[/,;]|\s+(?:in\s+)?", name):
        tail = name[found.end() :].strip()
        if unit_of(tail) and (len(tail) > 1 or found[0] in "/,;"):
            return name[: found.start()], tail
    return name, None
