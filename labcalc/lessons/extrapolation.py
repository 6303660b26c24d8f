"""The line through two temperatures: what an error at either end does elsewhere, and to the viscosity index."""

import math
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.random import Generator
from numpy.typing import ArrayLike

from labcalc.errors import ExtrapolationWarning
from labcalc.formulae import fit_viscosity_temperature, viscosity_index
from labcalc.lessons.plots import Agreement, Array, Plot, Series, histogram, normal_draws, plot_of
from labcalc.wording import celsius

ENDS_C = (40.0, 100.0)  # temperatures at which lubricants are measured, [°C]
_STEP = 1e-4  # relative step of the differences, [-]: errors of the order of its square
_DRAWN = 20_000


@dataclass(frozen=True)
class Oil:
    """Kinematic viscosities of an oil at 40 °C and 100 °C, [mm²/s]."""

    name: str
    kv_40: float
    kv_100: float

    @property
    def index(self) -> float:
        """Viscosity index, [-]."""
        return float(viscosity_index(self.kv_40, self.kv_100))


def viscosity_at(temperature_C: ArrayLike, kv_40: ArrayLike, kv_100: ArrayLike) -> Array:
    """Return kinematic viscosities on the line through two points, also outside of them, [mm²/s].

    temperature_C : Temperature, [°C].
    kv_40, kv_100 : Kinematic viscosities at 40 °C and 100 °C, [mm²/s], one each for every oil.
    """
    line = fit_viscosity_temperature(list(ENDS_C), np.stack(np.broadcast_arrays(kv_40, kv_100), axis=-1))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ExtrapolationWarning)  # what an extrapolation does is what is shown
        return np.asarray(line.kinematic_viscosity_at(temperature_C, extrapolate=True))


def amplification(oil: Oil, temperature_C: ArrayLike) -> tuple[Any, Any]:
    """Return how many percent a viscosity changes when the one at 40 °C, or at 100 °C, is 1 % too high, [%/%]."""
    return _both_slopes(lambda kv_40, kv_100: np.log(viscosity_at(temperature_C, kv_40, kv_100)), oil)


def _both_slopes(f: Callable[[float, float], Any], oil: Oil) -> tuple[Any, Any]:
    """Return the change of a function for each relative change of either viscosity, by central differences."""

    def slope(at_40: float, at_100: float) -> Any:
        up, down = (f(oil.kv_40 * (1.0 + at_40 * h), oil.kv_100 * (1.0 + at_100 * h)) for h in (_STEP, -_STEP))
        return (up - down) / (2.0 * _STEP)

    return slope(1.0, 0.0), slope(0.0, 1.0)


def value_uncertainty(oil: Oil, temperature_C: float, percent: float) -> float:
    """Return the standard uncertainty of a viscosity on the line, [%], from that of both points, [%], independent."""
    return percent * math.hypot(*amplification(oil, temperature_C))


def index_change(oil: Oil) -> tuple[float, float]:
    """Return what 1 % at 40 °C and 1 % at 100 °C do to the viscosity index, [index units/%]."""
    at_40, at_100 = _both_slopes(viscosity_index, oil)
    return 0.01 * float(at_40), 0.01 * float(at_100)


def laboratory_oils(record: pd.DataFrame, product: str = "") -> list[Oil]:
    """Return each product's mean viscosities over a record, where it has both; of one product, or of all."""
    rows = record[(record["role"] == "sample") & record["temperature_C"].isin(ENDS_C)]
    means = rows.pivot_table("kinematic_viscosity_mm2_s", "product", "temperature_C").dropna()
    if means.shape[1] < len(ENDS_C):
        return []
    return [Oil(str(name), *map(float, pair.round(3))) for name, pair in means.iterrows() if product in ("", name)]


def draw_oil(generator: Generator) -> Oil:
    """Draw an oil of some viscosity and index, both viscosities as an instrument prints them."""
    kv_100 = round(float(generator.uniform(5.0, 14.0)), 2)
    wanted, low, high = float(generator.uniform(95.0, 150.0)), 1.2 * kv_100, 40.0 * kv_100
    for _ in range(60):  # the index falls as the viscosity at 40 °C rises
        middle = (low + high) / 2.0
        low, high = (middle, high) if float(viscosity_index(middle, kv_100)) > wanted else (low, middle)
    return Oil("your oil", round((low + high) / 2.0, 2), kv_100)


def _drawn(percent: float) -> tuple[Array, Array]:
    first, second = 1.0 + 0.01 * percent * normal_draws(7, 2, _DRAWN)
    return first, second


def plot_line(oil: Oil, error_percent: float) -> Plot:
    """Show how the line of an oil turns when its viscosity at 100 °C is a little too high or too low."""
    temperature = np.linspace(-20.0, 120.0, 29)
    wrong = oil.kv_100 * (1.0 + 0.01 * error_percent)
    right = viscosity_at(temperature, oil.kv_40, oil.kv_100)
    turned = 100.0 * (viscosity_at(temperature, oil.kv_40, wrong) / right - 1.0)
    points = Series("measured", np.array(ENDS_C), np.array([0.0, error_percent]), "points")
    numbers = {"oil": oil, "error": error_percent, "cold": right[0], "off": turned[0]}
    return plot_of("extrapolation", "line", numbers, (Series("line", temperature, turned), points), [0.0])


def plot_amplification(oil: Oil, temperature_C: float) -> Plot:
    """Show what 1 % at either point does along the line."""
    temperature = np.linspace(-30.0, 150.0, 37)
    low, high = amplification(oil, temperature)
    series = (
        Series("1 % at 40 °C", temperature, low),
        Series("1 % at 100 °C", temperature, high),
        Series("both, independent", temperature, np.hypot(low, high)),
    )
    at_40, at_100 = amplification(oil, temperature_C)
    numbers = {"place": celsius(temperature_C), "at_40": at_40, "at_100": at_100, "both": math.hypot(at_40, at_100)}
    return plot_of("extrapolation", "amplification", numbers, series, marks=[temperature_C])


def plot_index(oil: Oil, percent: float) -> Plot:
    """Show how a viscosity index scatters when both viscosities scatter."""
    first, second = _drawn(percent)
    found = viscosity_index(oil.kv_40 * first, oil.kv_100 * second)
    by_theory = percent * math.hypot(*index_change(oil))
    reach = max(4.0 * by_theory, 0.5)
    series = [histogram(found, np.linspace(oil.index - reach, oil.index + reach, 41))]
    numbers = {"percent": percent, "scatter": np.std(found, ddof=1), "theory": by_theory}
    return plot_of("extrapolation", "index", {"oil": oil, **numbers}, series, marks=[oil.index])


def extrapolation_agreements(oil: Oil | None = None) -> tuple[Agreement, ...]:
    """Lay the claims of this lesson beside simulation, with 0.3 % on both viscosities."""
    shown, percent = oil or Oil("an oil of VG 46", 46.0, 6.8), 0.3
    first, second = _drawn(percent)
    values = {one: viscosity_at(one, shown.kv_40 * first, shown.kv_100 * second) for one in (-20.0, 70.0, 120.0)}
    claims = []
    for one, found in values.items():
        words = f"Viscosity at {celsius(one)} from {percent:g} % at both points"
        claims.append(Agreement.of_spread(words, value_uncertainty(shown, one, percent), 100.0 * np.log(found), "%"))
    index = viscosity_index(shown.kv_40 * first, shown.kv_100 * second)
    theory = percent * math.hypot(*index_change(shown))
    return *claims, Agreement.of_spread(f"Viscosity index from {percent:g} % at both points", theory, index, "")
