"""Rounding of reported figures: decimal arithmetic, ties to the even digit (ASTM E29-22, rounding method)."""

import math
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Literal

_DUST = 15  # significant digits that a double carries for sure; what lies beyond is dust of binary arithmetic


def rounded(value: float, decimals: int) -> Decimal:
    """Round a value, [any unit], to a number of decimals, half to even, on the digits that a person would read.

    value : Any finite quantity, [any unit].
    decimals : Decimals to keep, [-]; negative to round to tens, hundreds and so on.
    Source : ASTM E29-22, rounding method, section 6.4: exactly half goes to the even digit.

    >>> rounded(2.675, 2), rounded(0.5, 0), rounded(73.295, 2)
    (Decimal('2.68'), Decimal('0'), Decimal('73.30'))
    """
    return _decimal(value).quantize(Decimal(1).scaleb(-decimals), rounding=ROUND_HALF_EVEN)


def rounded_to_figures(value: float, figures: int) -> Decimal:
    """Round a value, [any unit], to a number of significant figures, half to even; trailing zeros are kept.

    value : Any finite quantity, [any unit].
    figures : Significant figures to keep, [-], 1 or more.
    Source : ASTM E29-22, rounding method.
    """
    exact = _decimal(value)
    if not exact:
        return rounded(0.0, figures - 1)
    decimals = figures - 1 - rounded(value, figures - 1 - exact.adjusted()).adjusted()
    kept = rounded(value, decimals)
    return kept if decimals >= 0 else Decimal(int(kept))


def complies(
    value: float,
    lowest: float | None,
    highest: float | None,
    decimals: int,
    *,
    method: Literal["rounding", "absolute"] = "rounding",
) -> bool:
    """Say whether a value lies within its limits, both ends included, by a method of ASTM E29-22.

    "rounding" rounds the value to the decimals of the limits first; "absolute" compares it as it stands.

    >>> complies(10.04, None, 10.0, 1), complies(10.04, None, 10.0, 1, method="absolute")
    (True, False)
    """
    if method not in ("rounding", "absolute"):
        raise ValueError(f"method {method!r}: 'rounding' or 'absolute' was expected")
    compared = rounded(value, decimals) if method == "rounding" else _decimal(value)
    above = lowest is None or compared >= _decimal(lowest)
    return above and (highest is None or compared <= _decimal(highest))


def _decimal(value: float) -> Decimal:
    if not math.isfinite(value):
        raise ValueError(f"{value} can't be rounded: a finite number was expected")
    return Decimal(f"{value:.{_DUST}g}")
