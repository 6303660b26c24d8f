"""Texts → numbers: which sign is the decimal one, decided over the whole file; how many figures were printed."""

import re
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from functools import lru_cache

from labcalc.exports.source.sheet import Typed
from labcalc.exports.source.text import ContentError, shown

Figures = tuple[str, Iterable[tuple[str, int]], Callable[[float], bool]]
"""Header, distinct cells and how often each comes, and whether a number can be a value of the column."""
_SPACES = " \u00a0\u2009\u202f'’"  # signs between thousands, beside the comma or point that is not the decimal sign
_EITHER = re.compile(r"[+\-−]?[1-9][0-9]{0,2}([.,])[0-9]{3}")
_ONE_SIGN = re.compile(rf"[+\-−]?[0-9{_SPACES}]*([.,])[0-9]*(?:[eE][+\-]?[0-9]+)?")
_MANY = re.compile(r"[+\-−]?[0-9]{1,3}(?:([.,])[0-9]{3})(?:\1[0-9]{3})+")
_BOTH = re.compile(r"[+\-−]?[0-9]{1,3}(?:([.,])[0-9]{3})+([.,])[0-9]+")
_MAJORITY = 10  # so many times more cells must speak for one sign; the others are then refused row by row
_OTHER = {",": ".", ".": ","}
_LONGEST = 60  # characters that a number may have
_PLAIN = {sign: f"0123456789{sign}" for sign in _OTHER}
_COMPUTED = 12  # more figures than this were never printed by an instrument: the cell was computed
_MOST = 0.85  # of figures that are equally likely, nine cells in ten show the last one, one in a hundred lacks two


def decimal_sign(columns: Iterable[Figures], said: str | None, delimiter: str) -> str:
    """Return the decimal sign of the file; raise ContentError where it reads two ways, or cells contradict others."""
    if said is not None:
        return said
    votes: Counter[str] = Counter()
    example: dict[str, tuple[str, str]] = {}
    unsure: tuple[str, str] | None = None
    for header, cells, possible in columns:
        for cell, times in cells:
            if type(cell) is Typed or not ("," in cell or "." in cell):
                continue
            sign = _vote(cell, possible)
            if sign in _OTHER:
                votes[sign] += times
                example.setdefault(sign, (header, cell))
            elif sign == "either" and (delimiter != "," or "," in cell):
                # with commas between the cells, a bare point is the decimal sign
                unsure = unsure or (header, cell)
    if len(votes) == 2 and max(votes.values()) < _MAJORITY * min(votes.values()):
        one, other = (shown(example[sign][1]) for sign in ".,")
        raise ContentError(f"'{one}' and '{other}' have different decimal signs; profile.decimal says which")
    if votes:
        return votes.most_common(1)[0][0]
    if unsure is not None:
        header, cell = map(shown, unsure)
        problem = f"column '{header}': '{cell}' reads two ways, with decimal or thousands sign"
        raise ContentError(f"{problem}; profile.decimal in lab.toml says which")
    return "."


def _vote(cell: str, possible: Callable[[float], bool]) -> str:
    whole, sign, places = cell.partition("." if "." in cell else ",")
    if len(places) != 3 and cell.isascii() and (whole + places).isdigit():
        return sign
    if found := _EITHER.fullmatch(cell):
        small, large = (possible(float(re.sub("[.,]", sign, cell).replace("−", "-"))) for sign in (".", ""))
        return "either" if small == large else found[1] if small else _OTHER[found[1]]
    if found := _BOTH.fullmatch(cell):
        return found[2] if found[1] != found[2] else ""
    if found := _MANY.fullmatch(cell):
        return _OTHER[found[1]]
    return found[1] if (found := _ONE_SIGN.fullmatch(cell)) else ""


def reads_two_ways(cell: str) -> bool:
    """Tell whether the sign in the cell may be a decimal or a thousands sign."""
    return type(cell) is not Typed and _EITHER.fullmatch(cell) is not None


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
    if len(cell) > _LONGEST:
        return None
    if cell.strip(_PLAIN[decimal]):
        found = _grammar(decimal, thousands).fullmatch(cell)
        if found is None:
            return None
        if found[1]:
            cell = cell.replace(found[1], "")
    elif cell.count(decimal) > 1 or cell in (decimal, ""):
        return None
    return float(cell.replace("−", "-").replace(decimal, "."))


def half_unit(cell: str, decimal: str) -> float:
    """Return half a unit of the last printed place, in the unit of the cell."""
    return _half(_last_place(cell, "." if type(cell) is Typed else decimal))


def typed_half_units(cells: Sequence[str]) -> list[float]:
    """Return half a unit of the last place of typed cells, which have lost the zeros at their end.

    A cell has as many figures, or as many decimals, as most of its column shows, whichever is coarser; never fewer
    than it shows itself. Cells that were computed count for themselves only.
    """
    own = [_last_place(cell, ".") for cell in cells]
    figures_of = (cell.lower().partition("e")[0].replace(".", "").lstrip("+-0") for cell in cells)
    leading = [place + len(figures) for figures, place in zip(figures_of, own, strict=True)]
    printed = [(one, top - one) for one, top in zip(own, leading, strict=True) if top - one <= _COMPUTED]
    if not printed:
        return list(map(_half, own))
    few = int((1.0 - _MOST) * len(printed))
    usual = sorted((place for place, _ in printed), reverse=True)[few]
    figures = sorted(number for _, number in printed)[few]
    return [_half(min(one, max(usual, top - figures))) for one, top in zip(own, leading, strict=True)]


def _last_place(cell: str, sign: str) -> int:
    mantissa, _, power = cell.lower().partition("e")
    _, _, places = mantissa.partition(sign)
    return int(power or 0) - len(places)


@lru_cache(maxsize=2048)
def _half(place: int) -> float:
    return float(f"0.5e{place}")
