"""Texts → numbers: which sign is the decimal one, decided over the whole file; how many figures were printed."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterable
from functools import lru_cache

from labcalc.errors import ExportError
from labcalc.exports.sheet import Typed
from labcalc.exports.text import shown

_SPACES = " \u00a0\u2009\u202f'’"
"""Signs between thousands, beside the comma or point that is not the decimal sign."""
_EITHER = re.compile(r"[+\-−]?[1-9][0-9]{0,2}([.,])[0-9]{3}")
_ONE_SIGN = re.compile(rf"[+\-−]?[0-9{_SPACES}]*([.,])[0-9]*(?:[eE][+\-]?[0-9]+)?")
_MANY = re.compile(r"[+\-−]?[0-9]{1,3}(?:([.,])[0-9]{3})(?:\1[0-9]{3})+")
_BOTH = re.compile(r"[+\-−]?[0-9]{1,3}(?:([.,])[0-9]{3})+([.,])[0-9]+")
_MAJORITY = 10
"""So many times more cells must speak for one sign than for the other; the others are then refused row by row."""
_OTHER = {",": ".", ".": ","}


def decimal_sign(
    columns: Iterable[tuple[str, Iterable[str], Callable[[float], bool]]], said: str | None, delimiter: str, file: str
) -> str:
    """Return the decimal sign of the file.

    ``columns``: header, cells, and whether a number can be a value of the column. Raise ExportError where a cell
    reads two ways and nothing in the file says which, or where cells contradict each other.
    """
    if said is not None:
        return said
    votes: Counter[str] = Counter()
    example: dict[str, tuple[str, str]] = {}
    unsure: tuple[str, str] | None = None
    for header, cells, possible in columns:
        for cell in cells:
            if type(cell) is Typed or not ("," in cell or "." in cell):
                continue
            sign = _vote(cell, possible)
            if sign in _OTHER:
                votes[sign] += 1
                example.setdefault(sign, (header, cell))
            elif sign == "either" and (delimiter != "," or "," in cell):
                # with commas between the cells, a bare point is the decimal sign
                unsure = unsure or (header, cell)
    if len(votes) == 2 and max(votes.values()) < _MAJORITY * min(votes.values()):
        one, other = example["."], example[","]
        raise ExportError(
            file, f"'{shown(one[1])}' and '{shown(other[1])}' have different decimal signs; profile.decimal says which"
        )
    if votes:
        return votes.most_common(1)[0][0]
    if unsure is not None:
        raise ExportError(
            file,
            f"column '{shown(unsure[0])}': '{shown(unsure[1])}' reads two ways, with decimal or thousands sign; "
            "profile.decimal in lab.toml says which",
        )
    return "."


def _vote(cell: str, possible: Callable[[float], bool]) -> str:
    if found := _EITHER.fullmatch(cell):
        small, large = (possible(value) for value in (float(cell.replace(",", ".").replace("−", "-")), _whole(cell)))
        if small != large:
            return found[1] if small else _OTHER[found[1]]
        return "either"
    if found := _BOTH.fullmatch(cell):
        return found[2] if found[1] != found[2] else ""
    if found := _MANY.fullmatch(cell):
        return _OTHER[found[1]]
    found = _ONE_SIGN.fullmatch(cell)
    return found[1] if found else ""


def proves_thousands(cell: str, decimal: str) -> bool:
    """Tell whether the cell can't be read but with the other sign between its thousands."""
    if type(cell) is Typed or _OTHER[decimal] not in cell:
        return False
    return _BOTH.fullmatch(cell) is not None or _MANY.fullmatch(cell) is not None


def may_be_a_slip(cell: str, decimal: str, possible: Callable[[float], bool]) -> bool:
    """Tell whether the sign between thousands may as well be a decimal sign mistyped: '15,031' among '15.02'."""
    if type(cell) is Typed or _OTHER[decimal] not in cell or not _EITHER.fullmatch(cell):
        return False
    return possible(float(cell.replace(",", ".").replace("−", "-")))


def _whole(cell: str) -> float:
    return float(re.sub("[.,]", "", cell).replace("−", "-"))


@lru_cache(maxsize=64)
def _grammar(decimal: str, thousands: str | None) -> re.Pattern[str]:
    group = re.escape(thousands) if thousands else f"[{_SPACES}{re.escape(_OTHER[decimal])}]"
    sign = re.escape(decimal)
    whole = rf"(?:[0-9]{{1,3}}({group})[0-9]{{3}}(?:\1[0-9]{{3}})*|[0-9]+)"
    return re.compile(rf"[+\-−]?(?:{whole}(?:{sign}[0-9]*)?|{sign}[0-9]+)(?:[eE][+\-]?[0-9]{{1,3}})?")


def figure(cell: str, decimal: str, thousands: str | None = None) -> float | None:
    """Return the number that the cell holds, None if it holds none."""
    if type(cell) is Typed:
        try:
            return float(cell)
        except ValueError:
            return None
    if len(cell) > 60:
        return None
    found = _grammar(decimal, thousands).fullmatch(cell)
    if found is None:
        return None
    if found[1]:
        cell = cell.replace(found[1], "")
    return float(cell.replace("−", "-").replace(decimal, "."))


def half_unit(cell: str, decimal: str) -> float:
    """Return half a unit of the last printed place, in the unit of the cell."""
    sign = "." if type(cell) is Typed else decimal
    mantissa, _, power = cell.lower().partition("e")
    _, _, places = mantissa.partition(sign)
    return 0.5 * 10.0 ** (int(power or 0) - len(places))
