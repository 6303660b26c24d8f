"""What a repeat tells: the laboratory's second fills, the difference of two results, the spread pooled from pairs."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.random import Generator
from numpy.typing import ArrayLike

from labcalc.judgement import Material
from labcalc.lessons.plots import Agreement, Array, Plot, Series, grouped, histogram, normal_draws, plot_of
from labcalc.statistics import spread_interval
from labcalc.wording import counted, signed

COVER_95 = 1.959963984540054  # half width of what holds 95 % of a normal distribution, [standard deviations]
_THIN = 25.0  # viscosity below which a residue of a thicker oil shows most, [mm²/s]: our own choice for the picture
_SIMULATED = 100_000
_SPREADS = 20_000


@dataclass(frozen=True, eq=False)
class Pairs:
    """First and second results of one sample each, and their difference relative to the mean, [%]."""

    names: tuple[str, ...]
    instruments: tuple[str, ...]
    first: Array
    second: Array

    @property
    def differences(self) -> Array:
        """First minus second over their mean, [%]."""
        return 200.0 * (self.first - self.second) / (self.first + self.second)

    @property
    def deviation(self) -> float:
        """Pooled repeatability standard deviation, [%]."""
        return pooled_deviation(self.differences)

    @property
    def limit(self) -> float:
        """Repeatability limit r, [%]."""
        return limit_factor() * self.deviation

    @property
    def limit_interval(self) -> tuple[float, float]:
        """Interval of 95 % for r, [%]."""
        low, high = spread_interval(self.deviation, len(self.names))
        return limit_factor() * low, limit_factor() * high

    def of(self, *, thin: bool) -> Pairs:
        """Return the pairs of the thin oils, or of all others."""
        chosen = (self.first < _THIN) == thin
        names, instruments = np.array(self.names)[chosen], np.array(self.instruments)[chosen]
        return Pairs(tuple(names.tolist()), tuple(instruments.tolist()), self.first[chosen], self.second[chosen])


def limit_factor() -> float:
    """Return what turns s_r into r, [-]: 95 % of a normal distribution, times √2 for a difference of two."""
    return COVER_95 * math.sqrt(2.0)


def pooled_deviation(differences: ArrayLike) -> float:
    """Return the standard deviation of single results from differences of pairs, [unit of the differences].

    References
    ----------
    .. [1] ISO 5725-2:2019, 7.4.5: the mean of the variances; that of a pair is d²/2.
    """
    return math.sqrt(float(np.mean(np.square(differences))) / 2.0)


def share_within(factor: float) -> float:
    """Return the probability that two results lie within ``factor`` standard deviations of each other, [-]."""
    return math.erf(factor / 2.0)  # of a difference: P(|N(0, 2)| < c) = erf(c / √(2·2))


def pairs_needed(relative: float) -> int:
    """Return how many pairs give a standard deviation with this relative standard uncertainty, [-].

    References
    ----------
    .. [1] JCGM 100:2008, E.4.3: the relative standard uncertainty of s is 1/√(2ν); each pair gives one ν.
    """
    return math.ceil(1.0 / (2.0 * relative**2) - 1e-9)


def laboratory_pairs(record: pd.DataFrame, temperature_C: float = 40.0) -> Pairs:
    """Return the samples filled twice within a run, [mm²/s], in the order of measurement, at a temperature [°C]."""
    rows = record[(record["role"] == "sample") & (record["temperature_C"] == temperature_C)]
    rows = rows.dropna(subset=["kinematic_viscosity_mm2_s"]).sort_values("measured_at", kind="stable")
    two = rows.groupby("run", sort=False).filter(lambda run: len(run) == 2)
    first, second = (two.groupby("run", sort=False).nth(n) for n in (0, 1))
    viscosities = (one["kinematic_viscosity_mm2_s"].to_numpy(float) for one in (first, second))
    return Pairs(tuple(first["sample"]), tuple(first["instrument"]), *viscosities)


def own_differences(material: Material, *, thin: bool | None = None) -> Array:
    """Return the differences of a laboratory's pairs, [%]; of the thin oils, of all others, or of all."""
    pairs = laboratory_pairs(material.record)
    return (pairs if thin is None else pairs.of(thin=thin)).differences


def draw_pairs(generator: Generator, pairs: int = 8) -> tuple[Array, Array]:
    """Draw first and second results of one oil, [mm²/s], with two decimals."""
    first, second = np.round(generator.normal(46.1, 0.06, (2, pairs)), 2)
    return first, second


def _single_and_difference() -> tuple[Array, Array]:
    drawn = normal_draws(1, _SIMULATED, 2)
    return drawn[:, 0], drawn[:, 0] - drawn[:, 1]


def _pooled(pairs: int) -> Array:
    return np.asarray(np.sqrt(np.mean(normal_draws(2, _SPREADS, pairs) ** 2, axis=1)))


def deviation_bounds(degrees_of_freedom: float) -> tuple[float, float]:
    """Return the 2.5 % and 97.5 % quantiles of an s over its true value, [-]: the interval of 95 %, turned round."""
    low, high = spread_interval(1.0, degrees_of_freedom)
    return 1.0 / high, 1.0 / low


def plot_deviations(found: Array, degrees_of_freedom: float, each: str) -> Plot:
    """Show how standard deviations scatter round the true one, [true s]; ``each`` says what each one is found from."""
    low, high = deviation_bounds(degrees_of_freedom)
    series = [histogram(found, np.linspace(0.0, 3.0, 61))]
    inside = np.mean((found >= low) & (found <= high))
    numbers = {"number": grouped(found.size), "each": each, "low": low, "high": high, "inside": inside}
    return plot_of("repeats", "deviations", numbers, series, marks=[low, 1.0, high])


def plot_pairs(pairs: Pairs) -> Plot:
    """Show the differences of the laboratory's pairs, the thin oils apart."""
    position, thin = np.arange(1.0, len(pairs.names) + 1.0), pairs.first < _THIN
    groups = ((f"below {_THIN:.0f} mm²/s", thin, "flags"), (f"{_THIN:.0f} mm²/s and above", ~thin, "points"))
    series = [Series(name, position[chosen], pairs.differences[chosen], kind) for name, chosen, kind in groups]  # type: ignore[arg-type]
    means = "; ".join(f"{one.name}: mean {signed(float(np.mean(one.y)), 2)} %" for one in series)
    return plot_of("repeats", "pairs", {"pairs": len(pairs.names), "means": means}, series, [0.0])


def plot_differences() -> Plot:
    """Show single results and differences of two, simulated, on one scale."""
    single, difference = _single_and_difference()
    drawn = {"single results": single, "differences": difference}
    series = [histogram(values, np.linspace(-5.0, 5.0, 41), name, "line") for name, values in drawn.items()]
    spreads = {"single": np.std(single, ddof=1), "difference": np.std(difference, ddof=1), "theory": math.sqrt(2.0)}
    return plot_of("repeats", "differences", {"pairs": grouped(_SIMULATED), **spreads}, series)


def plot_limit(factor: float) -> Plot:
    """Show which part of pairs lies within a limit of ``factor`` standard deviations."""
    distance, edges = np.abs(_single_and_difference()[1]), np.linspace(0.0, 6.0, 31)
    borders = 100.0 * np.diff([share_within(edge) for edge in edges.tolist()])
    bars = histogram(distance, edges)
    numbers = {"limit": factor, "inside": np.mean(distance <= factor), "theory": share_within(factor)}
    return plot_of("repeats", "limit", numbers, (bars, Series("theory", bars.x, borders)), marks=[factor])


def plot_pooled(number: float) -> Plot:
    """Show how a standard deviation from a number of pairs scatters round the true one."""
    pairs = round(number)
    return plot_deviations(_pooled(pairs), pairs, counted(pairs, "pair"))


def repeats_agreements() -> tuple[Agreement, ...]:
    """Lay the claims of this lesson beside simulation."""
    _, difference = _single_and_difference()
    low, high = deviation_bounds(10)
    pooled = _pooled(10)
    return (
        Agreement.of_spread("Standard deviation of a difference", math.sqrt(2.0), difference, "s"),
        Agreement.of_share("Pairs farther apart than r", 0.05, np.abs(difference) > limit_factor()),
        Agreement.of_share("s from ten pairs within its 95 % range", 0.95, (pooled >= low) & (pooled <= high)),
    )
