"""How much liquids bend away from the line of ASTM D341: makes labcalc/data/line_curvature.csv again.

``python -m tests.line_curvature`` prints by slope of the line what 95 % of the liquids keep within, over 1.96.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from labcalc.formulae.curves.line_curvature import bending, curvature
from labcalc.formulae.curves.walther import double_logarithm
from tests.real_liquids import GRID_C, Liquids, coolprop_liquids, handbook_liquids, vogel_oils

MEASURED_C = (0.0, 20.0, 40.0, 60.0, 80.0, 100.0)
SLOPES = ((0.0, 3.0), (3.0, 3.5), (3.5, 4.0), (4.0, 4.5), (4.5, 5.0), (5.0, 15.0))


def curvatures(liquids: Liquids) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return slopes and curvatures, a value a liquid, pair of measured temperatures and any third temperature."""
    nu, x = np.stack(list(liquids.values())), np.log(GRID_C + 273.15)
    y, b = np.full(nu.shape, np.nan), bending(GRID_C + 273.15)
    y[np.isfinite(nu)] = double_logarithm(nu[np.isfinite(nu)])
    slopes, found = [], []
    for first, second in combinations(MEASURED_C, 2):
        i, j = (int(np.flatnonzero(t == GRID_C)[0]) for t in (first, second))
        share, others = (x - x[i]) / (x[j] - x[i]), np.setdiff1d(np.arange(len(x)), (i, j))
        apart, bow = (z - z[..., [i]] - share * (z[..., [j]] - z[..., [i]]) for z in (y, b))
        curve = (apart / np.where(bow == 0.0, np.nan, bow))[:, others]
        slope = np.broadcast_to(((y[:, i] - y[:, j]) / (x[j] - x[i]))[:, None], curve.shape)
        known = np.isfinite(curve)
        slopes.append(slope[known])
        found.append(curve[known])
    return np.concatenate(slopes), np.concatenate(found)


def main() -> None:
    for name, liquids in (
        ("CoolProp", coolprop_liquids()),
        ("Perry's Handbook", handbook_liquids()),
        ("Vogel oils", vogel_oils(400, seed=1)),
    ):
        slope, curve = curvatures(liquids)
        print(f"{name}: {len(liquids)} liquids, {curve.size} cases; slope: cases, quantiles 2.5, 50, 97.5 %, deviation")
        for low, high in SLOPES:
            inside = curve[(slope >= low) & (slope < high)]
            if inside.size > 50:
                quantiles = ", ".join(f"{q:.1f}" for q in np.percentile(inside, (2.5, 50.0, 97.5)))
                deviation = np.percentile(np.abs(inside), 95.0) / 1.96
                print(f"  {low:g} to {high:g}: {inside.size}, {quantiles}, {deviation:.2f}")
        within = np.abs(curve) <= 1.96 * curvature(slope)
        print(f"  within 1.96 deviations of the table: {np.mean(within):.1%}")


if __name__ == "__main__":
    main()
