"""From certificate to result: the parts of an uncertainty, how they add up, and which one is worth work."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.random import Generator

from labcalc.judgement import Material, Result, by_component, judge
from labcalc.lessons.plots import Agreement, Array, Plot, Series, curve, grouped, histogram, plot_of
from labcalc.statistics import coverage_factor, effective_degrees_of_freedom

CONFIDENCE = 0.95  # coverage probability of an expanded uncertainty, [-]
_REPEATABILITY, _TEMPERATURE, _RESOLUTION = "repeatability", "temperature", "resolution"
_DRAWN = 40_000
_RUNS = 20  # how many runs back a result with a budget is looked for, [-]


@dataclass(frozen=True)
class Parts:
    """Standard uncertainties of one result by component, [% of the value], for one determination."""

    result: str
    value: float
    unit: str
    names: tuple[str, ...]
    sizes: tuple[float, ...]
    degrees_of_freedom: float  # of the repeatability, [-]; all others are taken as known
    temperature_K: float  # standard uncertainty of the temperature that its component rests on, [K]
    repeats: int = 1

    @property
    def now(self) -> Array:
        """Standard uncertainties with this number of repeats, [%]."""
        shrink = [math.sqrt(self.repeats) if name == _REPEATABILITY else 1.0 for name in self.names]
        return np.asarray(np.array(self.sizes) / np.array(shrink), dtype=np.float64)

    @property
    def combined(self) -> float:
        """Combined standard uncertainty, [%] (JCGM 100:2008, equation 10)."""
        return float(np.sqrt(np.sum(self.now**2)))

    @property
    def factor(self) -> float:
        """Coverage factor for 95 %, by the effective degrees of freedom (JCGM 100:2008, G.4)."""
        degrees = [self.degrees_of_freedom if name == _REPEATABILITY else math.inf for name in self.names]
        return coverage_factor(CONFIDENCE, effective_degrees_of_freedom(self.now.tolist(), degrees))

    @property
    def expanded(self) -> float:
        """Expanded uncertainty U, [%]."""
        return self.factor * self.combined

    def scaled(self, component: str, by: float) -> Parts:
        """Return the parts with one of them larger, smaller or at zero."""
        sizes = (size * by if name == component else size for name, size in zip(self.names, self.sizes, strict=True))
        return replace(self, sizes=tuple(sizes))

    def with_temperature(self, temperature_K: float) -> Parts:
        """Return the parts with another standard uncertainty of the temperature, [K]."""
        return replace(self.scaled(_TEMPERATURE, temperature_K / self.temperature_K), temperature_K=temperature_K)

    @property
    def largest(self) -> str:
        """Name of the largest component."""
        return self.names[int(np.argmax(self.now))]


def parts_of(result: Result, temperature_K: float) -> Parts:
    """Return the components of a result of the laboratory as a lesson shows them."""
    sizes = by_component(result.effects)
    scale = 100.0 / abs(result.value)
    undone = {_REPEATABILITY: math.sqrt(len(result.repeats))}  # of one determination
    degrees = [math.inf, *(e.source.degrees_of_freedom for e in result.effects if e.component == _REPEATABILITY)]
    single = tuple(abs(size) * scale * undone.get(name, 1.0) for name, size in sizes.items())
    known = (tuple(sizes), single, min(degrees), temperature_K, len(result.repeats))
    return Parts(result.name, result.value, result.unit, *known)


def newest_parts(material: Material, product: str = "", temperature_C: float = 40.0) -> Parts | None:
    """Return the parts of the newest viscosity at a temperature, [°C], of a product or of any; None: there is none."""
    rows = material.reading.table[material.reading.table["role"] == "sample"]
    rows = rows[rows["product"] == product] if product else rows
    for run in rows.sort_values("measured_at", kind="stable")["run"].unique()[::-1][:_RUNS]:
        result = judge(material.dossier(str(run))).results.of("kinematic viscosity", temperature_C)
        if result is not None and len(by_component(result.effects)) > 1:
            return parts_of(result, material.laboratory.uncertainty.temperature_K)
    return None


def draw_budget(generator: Generator) -> tuple[float, float, int, float]:
    """Draw a certificate's U (k = 2), the scatter of a determination, their number, and limits of temperature, [%]."""
    ranges = (0.10, 0.30), (0.08, 0.25), (0.05, 0.20)
    certificate, repeatability, temperature = (round(float(generator.uniform(*ends)), 2) for ends in ranges)
    return certificate, repeatability, int(generator.choice([2, 3, 4])), temperature


def plot_parts(parts: Parts) -> Plot:
    """Show the standard uncertainty of each component, and what they come to."""
    sizes = np.append(parts.now, parts.combined)
    series = [Series("size", np.arange(float(sizes.size)), sizes, "bars")]
    said = ", ".join(f"{name} {size:.3f} %" for name, size in zip(parts.names, parts.now, strict=True))
    share = 100.0 * float(np.max(parts.now) / parts.combined) ** 2
    numbers = {"parts": parts, "sizes": said, "sum": np.sum(parts.now), "share": share}
    return plot_of("budgets", "parts", numbers, series, x_names=(*parts.names, "combined"))


def plot_repeats(parts: Parts, number: float) -> Plot:
    """Show what repeats do to the expanded uncertainty."""
    found = curve("U", range(1, 21), lambda n: replace(parts, repeats=n).expanded)
    here, floor = replace(parts, repeats=round(number)), parts.scaled(_REPEATABILITY, 0.0).expanded
    numbers = {"here": here, "one": found.y[0], "floor": floor}
    return plot_of("budgets", "repeats", numbers, [found], [floor], [here.repeats])


def plot_temperature(parts: Parts, temperature_K: float) -> Plot:
    """Show what the uncertainty of the temperature does to the expanded one."""
    here = parts.with_temperature(temperature_K)
    series = [curve("U", np.linspace(0.0, 0.10, 21), lambda kelvin: parts.with_temperature(kelvin).expanded)]
    numbers = {"here": here, "part": here.sizes[here.names.index(_TEMPERATURE)], "parts": parts}
    return plot_of("budgets", "temperature", numbers, series, marks=[temperature_K])


@lru_cache(maxsize=4)
def _errors(parts: Parts) -> Array:
    """Draw the error of each component, [%]: rectangular for the resolution, normal for the others."""
    generator, half = np.random.default_rng(11), math.sqrt(3.0)
    drawn = [
        generator.uniform(-half, half, _DRAWN) if name == _RESOLUTION else generator.standard_normal(_DRAWN)
        for name in parts.names
    ]
    return np.array(drawn) * parts.now[:, np.newaxis]


def plot_sum(parts: Parts) -> Plot:
    """Show the errors of a result, drawn part by part and summed."""
    total, u = _errors(parts).sum(axis=0), parts.combined
    series = [histogram(total, np.linspace(-4.0 * u, 4.0 * u, 41))]
    numbers = {"drawn": grouped(_DRAWN), "scatter": np.std(total, ddof=1), "u": u}
    return plot_of("budgets", "sum", numbers, series, marks=[-u, u])


def budgets_agreements(parts: Parts | None = None) -> tuple[Agreement, ...]:
    """Lay the claims of this lesson beside simulation."""
    names = ("certificate", _REPEATABILITY, _RESOLUTION)
    shown = parts or Parts("a viscosity", 46.0, "mm²/s", names, (0.09, 0.14, 0.01), 30.0, 0.01)
    total, generator = _errors(shown).sum(axis=0), np.random.default_rng(12)
    repeatability, degrees = shown.now[shown.names.index(_REPEATABILITY)], shown.degrees_of_freedom
    # Each laboratory estimates its own repeatability, and its own U from it.
    estimates = repeatability * np.sqrt(generator.chisquare(degrees, _DRAWN) / degrees)
    within = np.abs(total) <= shown.factor * np.sqrt(shown.combined**2 - repeatability**2 + estimates**2)
    flat = generator.uniform(-1.0, 1.0, _DRAWN)
    return (
        Agreement.of_spread("All components together", shown.combined, total, "%"),
        Agreement.of_share("Errors within the expanded uncertainty", CONFIDENCE, within),
        Agreement.of_spread("Anywhere between −1 and +1, equally likely", 1.0 / math.sqrt(3.0), flat, ""),
    )
