"""How numbers are said to a person: a true minus, no sign before a zero, no probability of none or of all.

What a machine reads (JSON, CSV, parameters) and what quotes a file or is typed into one is not written here.
"""

import math
import re
import string
from collections.abc import Iterable, Sequence
from typing import Any, SupportsFloat

from labcalc.statistics.rounding import rounded, rounded_to_figures

_MINUS, _DASH = "\u2212", "\u2013"

STEERING = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")
"""What steers a terminal, ends a line or turns the direction of a text, and halves of characters: no page or terminal
is given one of them."""


def counted(number: int, thing: str, things: str = "") -> str:
    """Return how many things there are, one of them in the singular."""
    return f"{number} {thing if number == 1 else things or f'{thing}s'}"


def cut_short(text: str, longest: int = 80) -> str:
    """Return a name, its end cut off where it is longer than so many letters."""
    return text if len(text) <= longest else f"{text[: longest - 1]}…"


def first_of(names: Iterable[object], most: int = 3) -> str:
    """Return the first few names, each once, and how many more there are."""
    told = list(dict.fromkeys(map(str, names)))
    return ", ".join(told[:most]) + (f" and {len(told) - most} more" if len(told) > most else "")


def listed(names: Sequence[str]) -> str:
    """Return names as a sentence has them: commas, and an 'and' before the last."""
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))


def numeral(value: float, decimals: int | None = None, *, figures: int = 2, unknown: str = _DASH) -> str:
    """Return a number to decimals, else to significant figures, rounded half to even and never with an exponent."""
    if math.isnan(value):
        return unknown
    if math.isinf(value):
        return "∞" if value > 0.0 else f"{_MINUS}∞"
    if decimals is None and value == 0.0:
        return "0"
    return _with_minus(f"{rounded_to_figures(value, figures) if decimals is None else rounded(value, decimals):zf}")


def signed(value: float, decimals: int | None = None, *, figures: int = 2, unknown: str = _DASH) -> str:
    """Return a difference as ``numeral`` does, with a plus before it unless it comes out as zero."""
    text = numeral(value, decimals, figures=figures, unknown=unknown)
    return f"+{text}" if value > 0.0 and text.strip("0.") else text


def decimals_of(size: float, figures: int = 2) -> int:
    """Return how many decimals a size has when it is told to so many figures."""
    return max(0, -int(rounded_to_figures(size, figures).as_tuple().exponent))


def plain(value: float, figures: int = 6) -> str:
    """Return a number with no more figures than it has."""
    return _with_minus(f"{value:z.{figures}g}")


def percent(share: float, decimals: int | None = None, *, figures: int = 2) -> str:
    """Return a share [-] in percent, as ``numeral`` does."""
    return _DASH if math.isnan(share) else f"{numeral(100.0 * share, decimals, figures=figures)} %"


def probability(share: float, finest: float = 0.01) -> str:
    """Return a probability [-] in percent, never 0 or 100, no finer than ``finest`` [%], coarser far from the ends."""
    from_an_end = 100.0 * min(share, 1.0 - share)
    if from_an_end < finest:
        return f"< {finest:g} %" if share < 0.5 else f"> {100.0 - finest:g} %"
    decimals = 2 if from_an_end < 1.0 else 1 if from_an_end < 10.0 else 0
    return percent(share, min(decimals, max(0, -math.floor(math.log10(finest)))))


def p_value(p: SupportsFloat) -> str:
    """Return the p-value of a test."""
    return "p < 0.0001" if float(p) < 0.0001 else f"p = {plain(float(p), 2)}"


def celsius(temperature: float) -> str:
    """Return a temperature in °C with its unit."""
    return f"{plain(temperature)} °C"


def at_celsius(quantity: str, temperature: float) -> str:
    """Return a quantity, or what it belongs to, with its temperature in °C; alone where that is NaN."""
    return quantity if math.isnan(temperature) else f"{quantity} at {celsius(temperature)}"


class Template(string.Formatter):
    """Words with numbers in braces: ``.2f`` and ``+.2f`` write decimals, ``.4g`` figures, ``.0%`` a share."""

    def format_field(self, value: Any, format_spec: str) -> str:
        decimals = int(format_spec.strip("+.fg%") or 0)
        if format_spec.endswith("g"):
            return plain(float(value), decimals or 6)
        if format_spec.endswith("%"):
            return percent(float(value), decimals)
        if format_spec.endswith("f"):
            return (signed if format_spec.startswith("+") else numeral)(float(value), decimals)
        return plain(float(value)) if isinstance(value, float) else str(value)


def _with_minus(text: str) -> str:
    return text.replace("-", _MINUS)
