"""Volume correction of the petroleum tables: what temperature and pressure do to a density that is known at 60 °F.

The equations work in °F, psi (gauge) and kg/m³; °C and kPa stand at the edge.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike

from labcalc.formulae._refusals import Array, liquid_density, refuse_outside

EDITION = "API MPMS 11.1-2004 / ASTM D1250-08 / ISO 91:2017"

SHIFT_F = 0.01374979547  # shift of the base temperature, [°F]: par. 11.1.6.1.
BASE_F = 60.0068749  # 60 °F of ITS-90 on IPTS-68, rounded as the procedure rounds it, [°F]
_KPA_OF_PSI = 6.894757
_ITS90_TERMS = (-0.148759, -0.267408, 1.080760, 1.269056, -4.089591, -1.871251, 7.438081, -3.536296)
_WHO = "API MPMS 11.1"
_MOST_EXPANSION, _HEAVIEST_PETROLEUM = 0.61, 950.0
"""Expansion times density, [kg/m³/°F], that no petroleum liquid below the other, [kg/m³], exceeds: benzene has 0.60, a
lubricating oil 0.35, and 0.63 if its expansion is given per kelvin."""


@dataclass(frozen=True)
class Commodity:
    """A commodity group and its sub-groups, lightest first."""

    lowest: float
    highest: float  # range of the density at 60 °F, [kg/m³]
    lowest_observed: float
    highest_observed: float  # range of the density as observed, [kg/m³]: par. 11.1.6.2.
    joints: tuple[float, ...]  # densities at 60 °F where the next sub-group begins, [kg/m³]
    K0: tuple[float, ...]
    K1: tuple[float, ...]
    K2: tuple[float, ...]  # coefficients of the thermal expansion of each sub-group
    D_alpha: tuple[float, ...]  # coefficient of each sub-group that speeds the iteration from an observed density


_PRODUCT_JOINTS = (770.3520, 787.5195, 838.3127)
_PRODUCT_K = (192.4571, 1489.0670, 330.3010, 103.8720), (0.2438, 0.0, 0.0, 0.2701), (0.0, -0.00186840, 0.0, 0.0)
COMMODITIES: Mapping[str, Commodity] = MappingProxyType(
    {
        "lubricating oil": Commodity(800.9, 1163.5, 714.3, 1208.3, (), (0.0,), (0.34878,), (0.0,), (1.0,)),
        "refined product": Commodity(610.6, 1163.5, 470.4, 1209.5, _PRODUCT_JOINTS, *_PRODUCT_K, (1.5, 8.5, 2.0, 1.3)),
        "crude oil": Commodity(610.6, 1163.5, 470.5, 1201.8, (), (341.0957,), (0.0,), (0.0,), (2.0,)),
    }
)
"""Commodity groups by name: par. 11.1.6.1 and 11.1.6.2."""


@dataclass(frozen=True, eq=False)
class VolumeCorrection:
    """What temperature and pressure do to the volume of an oil, against 60 °F and no gauge pressure."""

    alpha_60: Array  # thermal expansion at 60 °F, [1/°F]
    temperature_factor: Array  # CTL, [-]
    compressibility: Array  # scaled compressibility Fp, [1e-5/psi]
    pressure_factor: Array  # CPL, [-]

    @property
    def factor(self) -> Array:
        """CTPL, [-]: the density there over the density at 60 °F; also the volume at 60 °F over the volume there."""
        return self.temperature_factor * self.pressure_factor


def ipts68_from_its90(temperature_C: ArrayLike) -> Array:
    """Return a temperature of today's scale, [°C], on the scale of 1968, on which the tables were measured.

    temperature_C : Temperature on ITS-90, [°C].
    Source : API MPMS 11.1-2004, par. 11.1.5.3.
    """
    temperature = np.asarray(temperature_C, dtype=float)
    tau, excess = temperature / 630.0, np.zeros(temperature.shape)
    for term in reversed(_ITS90_TERMS):
        excess = (excess + term) * tau
    return np.asarray(temperature - excess)[()]


def volume_correction(
    density_60F: ArrayLike,
    temperature_C: ArrayLike,
    pressure_kPa: ArrayLike = 0.0,
    *,
    commodity: str = "lubricating oil",
    alpha_60: ArrayLike | None = None,
) -> VolumeCorrection:
    """Return the correction factors, [-], of an oil from 60 °F to a temperature and pressure.

    density_60F : Density at 60 °F and no gauge pressure, [kg/m³], within the range of the commodity group.
    temperature_C : Temperature, [°C], -50 to 150.
    pressure_kPa : Gauge pressure, [kPa], up to 10342.14; below zero counts as zero.
    commodity : Commodity group, a key of ``COMMODITIES``; without effect where ``alpha_60`` is given.
    alpha_60 : Thermal expansion at 60 °F of this very oil, [1/°F], 230e-6 to 930e-6; the density then has no limits.
    Source : API MPMS 11.1-2004, par. 11.1.6.1.

    >>> volume_correction(870.0, 40.0).factor.round(5)
    np.float64(0.98227)
    """
    density, temperature, pressure = (np.asarray(v, dtype=float) for v in (density_60F, temperature_C, pressure_kPa))
    refuse_conditions(temperature, pressure)
    group, alpha = commodity_group(commodity, alpha_60, density)
    refuse_density(density, "density at 60 °F", (group.lowest, group.highest), alpha, f"for a {commodity}")
    t = fahrenheit_of_1968(temperature)
    shifted, expansion, CTL = thermal_factor(density, t, group, alpha)
    return VolumeCorrection(expansion, CTL, *pressure_factor(shifted, t, gauge_psi(pressure)))


def thermal_factor(
    density_60F: Array, t: Array, group: Commodity, alpha_60: Array | None
) -> tuple[Array, Array, Array]:
    """Return the density at the shifted base, the expansion at 60 °F and CTL; ``t`` in °F on IPTS-68."""
    if alpha_60 is None:
        shifted, alpha = _shifted_by_group(density_60F, group)
    else:
        shifted, alpha = density_60F * np.exp(0.5 * alpha_60 * SHIFT_F * (1.0 + 0.4 * alpha_60 * SHIFT_F)), alpha_60
    D = t - BASE_F
    return shifted, alpha, np.exp(-alpha * D * (1.0 + 0.8 * alpha * (D + SHIFT_F)))


def pressure_factor(shifted: Array, t: Array, P: Array) -> tuple[Array, Array]:
    """Return Fp and CPL; ``t`` in °F on IPTS-68, ``P`` in psi."""
    Fp = np.exp(-1.9947 + 0.00013427 * t + (793920.0 + 2326.0 * t) / shifted**2)
    return Fp, 1.0 / (1.0 - 1e-5 * Fp * P)


def of_subgroup(values: tuple[float, ...], density_60F: Array, group: Commodity) -> Array:
    """Return the value of the sub-group that each density at 60 °F belongs to; one value where there is one group."""
    if len(values) == 1:
        return np.asarray(values[0])
    return np.asarray(np.array(values)[np.searchsorted(group.joints, density_60F, side="right")])


def fahrenheit(temperature_C: Array) -> Array:
    """Return a temperature in °F: par. 11.1.5.1."""
    return 1.8 * temperature_C + 32.0


def fahrenheit_of_1968(temperature_C: Array) -> Array:
    """Return a temperature of today's scale in °F of the scale of 1968."""
    return fahrenheit(ipts68_from_its90(temperature_C))


def gauge_psi(pressure_kPa: Array) -> Array:
    """Return a gauge pressure in psi; below the atmosphere's counts as none: par. 11.1.5.1 and 11.1.6.1."""
    return np.maximum(pressure_kPa, 0.0) / _KPA_OF_PSI


def commodity_group(commodity: str, alpha_60: ArrayLike | None, density: Array) -> tuple[Commodity, Array | None]:
    """Return the group of a name, and the expansion if one is given that an oil of the density can have."""
    if commodity not in COMMODITIES:
        raise ValueError(f"commodity group '{commodity}' is unknown; known are {', '.join(map(repr, COMMODITIES))}")
    if alpha_60 is None:
        return COMMODITIES[commodity], None
    alpha = np.asarray(alpha_60, dtype=float)
    refuse_expansion(alpha)
    expansion, rho = np.broadcast_arrays(alpha, density)
    too_much = (expansion * rho > _MOST_EXPANSION) & (rho < _HEAVIEST_PETROLEUM)
    if too_much.any():  # what a lubricating oil expands per kelvin, not per °F
        heavy, what = float(rho[too_much].flat[0]), "thermal expansion at 60 °F"
        limits = {"lowest": 230e-6, "highest": float(f"{_MOST_EXPANSION / heavy:.3g}")}
        reason = f"no petroleum liquid of {heavy:.6g} kg/m³ expands more"
        refuse_outside(expansion[too_much], what, "1/°F", **limits, meant=(1.0 / 1.8, "1/K"), reason=reason)
    return COMMODITIES[commodity], alpha


def refuse_expansion(alpha_60: Array) -> None:
    """Refuse a thermal expansion that no petroleum liquid has."""
    refuse_outside(alpha_60, "thermal expansion at 60 °F", "1/°F", lowest=230e-6, highest=930e-6, reason=_WHO)


def refuse_conditions(temperature_C: Array, pressure_kPa: Array) -> None:
    """Refuse a temperature or pressure outside the tables."""
    refuse_outside(temperature_C, "temperature", "°C", lowest=-50.0, highest=150.0, reason=f"the tables of {_WHO}")
    refuse_outside(pressure_kPa, "gauge pressure", "kPa", highest=10342.14, reason=f"the tables of {_WHO}")


def refuse_density(values: Array, quantity: str, limits: tuple[float, float], alpha: Array | None, what: str) -> None:
    """Refuse a density outside its limits; of an oil with an expansion of its own, one that no liquid has."""
    if alpha is not None:
        liquid_density(values)
        return
    (lowest, highest), meant = limits, (1000.0, "g/cm³")
    refuse_outside(values, quantity, "kg/m³", lowest=lowest, highest=highest, meant=meant, reason=f"{_WHO} {what}")


def _shifted_by_group(density_60F: Array, group: Commodity) -> tuple[Array, Array]:
    """Return the density at the shifted base temperature and the expansion there; sub-group by the density at 60 °F."""
    K0, K1, K2 = (of_subgroup(K, density_60F, group) for K in (group.K0, group.K1, group.K2))
    A = 0.5 * SHIFT_F * ((K0 / density_60F + K1) / density_60F + K2)
    B = (2.0 * K0 + K1 * density_60F) / (K0 + (K1 + K2 * density_60F) * density_60F)
    shifted = density_60F * (1.0 + np.expm1(A * (1.0 + 0.8 * A)) / (1.0 + A * (1.0 + 1.6 * A) * B))
    return shifted, (K0 / shifted + K1) / shifted + K2
