"""Liquids whose viscosity is known from elsewhere: CoolProp, Perry's Handbook in chemicals, oils that follow Vogel."""

from __future__ import annotations

import functools
import warnings

import numpy as np
from numpy.typing import NDArray

Liquids = dict[str, NDArray[np.float64]]
"""Kinematic viscosity, [mm²/s], on the grid by name; NaN where it isn't liquid at 101.325 kPa, or off the chart."""

GRID_C = np.arange(-20.0, 151.0, 5.0)
_T = GRID_C + 273.15
_ATMOSPHERE = 101_325.0


@functools.cache
def coolprop_liquids() -> Liquids:
    """Return the liquids of CoolProp 8 that have a viscosity, from their triple to their boiling point."""
    from CoolProp.CoolProp import FluidsList, PropsSI

    def viscosity(name: str, T: float) -> float:
        try:
            if PropsSI("T_triple", name) > T or PropsSI("P", "T", T, "Q", 0, name) > _ATMOSPHERE:
                return np.nan
            eta, rho = (PropsSI(quantity, "T", T, "P", _ATMOSPHERE, name) for quantity in ("V", "D"))
        except ValueError:  # CoolProp has no viscosity of it, or not there
            return np.nan
        return float(1e6 * eta / rho)

    return _long_enough({name: np.array([viscosity(name, T) for T in _T]) for name in FluidsList()})


@functools.cache
def handbook_liquids() -> Liquids:
    """Return the liquids of Perry's Handbook, 8th ed.: viscosity of table 2-313, density of table 2-32."""
    from chemicals import MW, Tb, viscosity, volume

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # pandas about the way chemicals reads its tables
        volume._load_rho_data()
        densities, viscosities = volume.rho_data_Perry_8E_105_l, viscosity.mu_data_Perrys_8E_2_313
    liquids = {}
    for cas, row in viscosities.iterrows():
        boils = Tb(cas)
        if cas not in densities.index or boils is None:
            continue
        rho = densities.loc[cas]
        eta = np.exp(row.C1 + row.C2 / _T + row.C3 * np.log(_T) + row.C4 * _T**row.C5)
        with np.errstate(invalid="ignore"):  # above the critical point
            density = 1e-3 * MW(cas) * rho.C1 / rho.C2 ** (1.0 + (1.0 - _T / rho.C3) ** rho.C4)
        valid = (max(row.Tmin, rho.Tmin) <= _T) & (min(row.Tmax, rho.Tmax, boils) >= _T)
        liquids[str(row.Chemical).strip()] = np.where(valid, 1e6 * eta / density, np.nan)
    return _long_enough(liquids)


def vogel_oils(count: int, seed: int) -> Liquids:
    """Return oils that follow Vogel's equation exactly, of 3 to 1000 mm²/s at 40 °C and usual slopes.

    T₀ lies about 178 K, that is -95 °C, the constant of Vogel's equation for mineral oils (memory), and 170 K and 177 K
    of the curves through points of base oils (seen in this project's own checks): 160 K to 190 K here.
    """
    rng = np.random.default_rng(seed)
    T0, slope, kv_40 = rng.uniform(160, 190, count), rng.uniform(2.75, 4.3, count), np.exp(rng.uniform(1.1, 6.9, count))
    W_100 = np.log10(np.log10(kv_40 + 0.7)) - slope * np.log10(373.15 / 313.15)
    kv_100 = 10.0**10.0**W_100 - 0.7
    b = np.log(kv_40 / kv_100) / (1.0 / (313.15 - T0) - 1.0 / (373.15 - T0))
    a = np.log(kv_40) - b / (313.15 - T0)
    nu = np.exp(a[:, None] + b[:, None] / (_T - T0[:, None]))
    return _long_enough({f"oil {i}: {kv_40[i]:.1f} mm²/s, T₀ {T0[i]:.0f} K": one for i, one in enumerate(nu)})


def _long_enough(liquids: Liquids) -> Liquids:
    """Return the liquids with 20 K and more on the chart of ASTM D341."""
    on_chart = {name: np.where((nu >= 0.21) & (nu <= 2e7), nu, np.nan) for name, nu in liquids.items()}
    return {name: nu for name, nu in on_chart.items() if np.isfinite(nu).sum() >= 5}
