"""An oil's own thermal expansion beside the one of the petroleum tables, and how far the tables may be wrong."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from labcalc.errors import OutOfRangeError
from labcalc.formulae._refusals import Array
from labcalc.formulae._tables import published_entries
from labcalc.formulae.densities import volume_corrections as tables
from labcalc.formulae.densities.density import alpha_60_from_densities, density_at

EDITION = "API MPMS 11.1-2004, par. 11.1.6.1 (CTL with the oil's own expansion)"


@dataclass(frozen=True, eq=False)
class OwnExpansion:
    """The density of an oil at another temperature by its own expansion, beside the answer of the tables."""

    density: Array  # by the expansion between the two measured densities, [kg/m³]
    alpha_60: Array  # that expansion, at 60 °F, [1/°F]
    table_density: Array
    """By the tables, from the measured density at the nearer temperature, [kg/m³]; NaN where they hold no such oil."""
    equation_uncertainty: Array  # standard uncertainty of the first by the equation alone, [kg/m³]; 0 where measured

    @property
    def difference(self) -> Array:
        """The first less the second, [kg/m³]."""
        return self.density - self.table_density


def density_by_own_expansion(
    first_kg_m3: ArrayLike,
    first_C: ArrayLike,
    second_kg_m3: ArrayLike,
    second_C: ArrayLike,
    to_C: ArrayLike = 15.0,
    *,
    commodity: str = "lubricating oil",
    liquid: str | None = None,
) -> OwnExpansion:
    r"""Return the density, [kg/m³], of an oil at another temperature by its own expansion between two measured ones.

    .. math:: \rho(t) = \rho_1 \frac{CTL(t; \alpha_{60})}{CTL(t_1; \alpha_{60})}, \qquad
        u = c \, |(t - t_1)(t - t_2)|

    Esters, glycols, silicones and FAME expand more than the tables say: from 40 °C these are 2 kg/m³ to 12 kg/m³ low,
    where the own expansion between 40 °C and 100 °C comes within 1.2 kg/m³.

    first_kg_m3, first_C, second_kg_m3, second_C : Densities without gauge pressure, [kg/m³], at two temperatures, [°C],
        -50 to 150.
    to_C : Temperature of the wanted density, [°C], -50 to 150.
    commodity : Commodity group for the answer of the tables, a key of ``COMMODITIES``.
    liquid : Kind of liquid, as in ``judge_slope``: a ``mineral oil or fuel`` is nearer to the equation than others may
        be.
    Source : API MPMS 11.1-2004, par. 11.1.6.1, the equation of CTL, and par. 11.1.5.2; ``table_expansion.toml`` for c.

    >>> oil = density_by_own_expansion(848.0, 40.0, 810.2, 100.0)
    >>> oil.density.round(3), oil.table_density.round(3), oil.difference.round(3)
    (np.float64(863.514), np.float64(863.778), np.float64(-0.264))
    """
    alpha = alpha_60_from_densities(first_kg_m3, first_C, second_kg_m3, second_C)
    given = (first_kg_m3, first_C, second_kg_m3, second_C, to_C, alpha)
    rho1, t1, rho2, t2, to, expansion = np.broadcast_arrays(*(np.asarray(one, dtype=float) for one in given))
    tables.refuse_conditions(to, np.asarray(0.0))
    nearer = np.abs(t1 - to) <= np.abs(t2 - to)
    rho, t = np.where(nearer, rho1, rho2), np.where(nearer, t1, t2)
    group, _ = tables.commodity_group(commodity, None, rho)
    here, there = (tables.thermal_factor(rho, tables.fahrenheit_of_1968(one), group, expansion)[2] for one in (t, to))
    by_table, bow = _by_table(rho, t, to, commodity), np.abs((to - t1) * (to - t2))
    return OwnExpansion((rho * there / here)[()], np.asarray(alpha), by_table, (_equation_error(liquid) * bow)[()])


def table_expansion_uncertainty(
    density_kg_m3: ArrayLike, from_C: ArrayLike, to_C: ArrayLike, *, commodity: str = "lubricating oil"
) -> Array:
    """Return how uncertain a density is, [kg/m³], because the tables guess the oil's expansion from its density.

    density_kg_m3 : Density at ``from_C``, [kg/m³].
    from_C, to_C : Temperatures of the known and of the wanted density, [°C], -50 to 150.
    commodity : Commodity group, a key of ``COMMODITIES``.
    Source : ``labcalc/data/table_expansion.toml``: measured fuels and crudes against the tables; lubricating oils from
        memory.
    """
    change = density_at(density_kg_m3, from_C, to_C, commodity=commodity) - np.asarray(density_kg_m3, dtype=float)
    groups = published_entries("table_expansion.toml")["group"]
    percent = {entry["name"]: float(entry["percent"]) for entry in groups}
    return np.asarray(0.01 * percent[commodity] * np.abs(change))[()]


def _equation_error(liquid: str | None) -> float:
    """Return c, [kg/m³/K²]: a third density is off by no more than twice c (t − t₁)(t − t₂)."""
    kinds = {entry["name"]: float(entry["kg_m3_K2"]) for entry in published_entries("table_expansion.toml")["equation"]}
    return kinds.get(liquid or "any", kinds["any"])


def _by_table(rho: Array, t: Array, to: Array, commodity: str) -> Array:
    """Return the densities by the tables; NaN where these hold no such oil."""
    try:
        return density_at(rho, t, to, commodity=commodity)
    except OutOfRangeError:
        if rho.size == 1:
            return np.full_like(rho, np.nan)[()]
        each = np.stack([rho, t, to], axis=-1).reshape(-1, 3)
        return np.array([_by_table(one[0], one[1], one[2], commodity) for one in each]).reshape(rho.shape)
