"""Viscosity index of an oil from its kinematic viscosities at 40 °C and 100 °C, on the basis of the published table."""

from functools import cache

import numpy as np
from numpy.typing import ArrayLike

from labcalc.formulae._refusals import Array, refuse_not_above, refuse_outside
from labcalc.formulae._tables import published_table

EDITION = "ASTM D2270-10(2016) / ISO 2909:2002, table basis"

_LOWEST_KV_100 = 2.0
_END_OF_TABLE = 70.0
_FINEST_STEP = 0.1
_TIE = 9  # decimals that decide whether an index is a half: beyond them lies the dust of binary arithmetic


def viscosity_index(kv_40: ArrayLike, kv_100: ArrayLike) -> Array:
    r"""Return the viscosity index, [-], unrounded.

    Up to and including 70 mm²/s at 100 °C the two reference oils come from table 1, interpolated linearly; above, from
    the equations. Procedure A (index up to 100) and procedure B (100 and above) meet at 100. The index may be negative.

    .. math::

        VI = 100 \frac{L - U}{L - H} \quad (U \ge H), \qquad
        VI = 100 + \frac{10^N - 1}{0.00715},\; N = \frac{\log H - \log U}{\log Y} \quad (U < H)

    kv_40 : Kinematic viscosity at 40 °C, U, [mm²/s]; more than the one at 100 °C.
    kv_100 : Kinematic viscosity at 100 °C, Y, [mm²/s], 2 or more.
    Source : ASTM D2270-10(2016), clauses 5 (procedure A) and 6 (procedure B), table 1; ISO 2909:2002.

    >>> viscosity_index([73.30, 22.83], [8.86, 5.05]).round(2)
    array([ 92.43, 156.42])
    """
    U, Y = np.broadcast_arrays(np.asarray(kv_40, dtype=float), np.asarray(kv_100, dtype=float))
    reason = "ASTM D2270 defines no viscosity index for thinner oils"
    refuse_outside(Y, "kinematic viscosity at 100 °C", "mm²/s", lowest=_LOWEST_KV_100, reason=reason)
    name, reason = "kinematic viscosity at 40 °C", "an oil is thicker at 40 °C than at 100 °C; are the two exchanged?"
    refuse_outside(U, name, "mm²/s", above=0.0, reason=reason)
    refuse_not_above(U, Y, name, "mm²/s", reason)
    L, H = _basis(Y)
    index = np.asarray(100.0 * ((L - U) / (L - H)))  # clause 5, procedure A
    high = U < H
    N = np.log(H[high] / U[high]) / np.log(Y[high])
    index[high] = 100.0 + (10.0**N - 1.0) / 0.00715  # clause 6, procedure B
    return index[()]


def reported_viscosity_index(index: ArrayLike) -> Array:
    """Return the viscosity index, [-], as it is reported: the nearest whole number, a half (to 1e-9) to even.

    index : Unrounded viscosity index, [-].
    Source : ASTM D2270-10(2016), clauses 5 and 6 (that halves go to the even number is from memory); ASTM E29.
    """
    return (np.rint(np.round(np.asarray(index, dtype=float), _TIE)) + 0.0)[()]  # no -0


def _basis(Y: Array) -> tuple[Array, Array]:
    """Return L and H: table 1, linear between its rows; above it the two equations."""
    start, L0, H0, L_slope, H_slope = _cells()
    inside = np.where(np.isnan(Y), _LOWEST_KV_100, np.minimum(Y, _END_OF_TABLE))
    cell = ((inside - _LOWEST_KV_100) / _FINEST_STEP + 1e-6).astype(np.intp)
    beyond_row = Y - start[cell]
    L, H = np.asarray(L0[cell] + L_slope[cell] * beyond_row), np.asarray(H0[cell] + H_slope[cell] * beyond_row)
    above = Y > _END_OF_TABLE
    if above.any():
        L[above] = (0.8353 * Y[above] + 14.67) * Y[above] - 216.0  # above table 1
        H[above] = (0.1684 * Y[above] + 11.85) * Y[above] - 97.0  # above table 1
    return L, H


@cache
def _cells() -> tuple[Array, ...]:
    """Return table 1 on its finest step throughout, so that a viscosity finds its row without a search.

    Each cell of 0.1 mm²/s keeps the row of the table at or below it: start, L, H and their slopes.
    """
    table = published_table("viscosity_index_basis.csv")
    Y, L, H = table["kv_100"], table["L"], table["H"]
    cells = round((_END_OF_TABLE - _LOWEST_KV_100) / _FINEST_STEP) + 1
    row = np.searchsorted(Y, _LOWEST_KV_100 + _FINEST_STEP * np.arange(cells) + 1e-6, side="right") - 1
    slopes = (np.append(np.diff(end) / np.diff(Y), 0.0)[row] for end in (L, H))
    return Y[row], L[row], H[row], *slopes
