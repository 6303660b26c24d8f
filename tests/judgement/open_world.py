"""Whole laboratories of another physics, with faults on the list and beyond it, asked through exports and lab.toml.

Nothing here is the package's: Vogel's viscosity, exponential expansion, mixtures by Grunberg and Nissan's rule with an
interaction (J. Soc. Chem. Ind. 68 (1949) 164), noise of Student's t with 5 degrees of freedom, sizes drawn wide, values
rounded as exports round them. Sizes and frequencies are invented; slopes of water, fuels and ageing are of the orders
that the trade reports (water thickens by 1.0 to 3.5 % per volume per cent; oxidation thickens, shear thins both ends).

An oracle that knows this physics says what can be told at all: a case counts where it gives the true cause 90 % and
more.

``python -m tests.judgement.open_world`` prints the table, the reliability, and what happens to good runs.
"""

from __future__ import annotations

import argparse
import itertools
import math
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from labcalc.judgement import Judgement, Material, gather, judge
from labcalc.judgement.causes import BEYOND, CAUSES, Evidence, evidence_of
from labcalc.lab import Instrument

Array = NDArray[np.float64]
Place = tuple[int, float]
Values = dict[Place, list[float]]
"""Viscosity [mm²/s] and density [kg/m³] by fill and temperature [°C]."""

LEAST = 2.5
"""A fault is drawn until it moves the run by as many standard deviations of noise and spread, or 15 times."""
TELLS = 0.9
ELSE = "something else"


@dataclass(frozen=True)
class Oil:
    """What a bottle holds: two viscosities, Vogel's third constant, density at 15 °C and expansion."""

    cold: tuple[float, float]
    hot: tuple[float, float]
    density_15: float
    expansion: float = 0.0
    """At 15 °C, [1/K]; 0: 0.628 over the density, as mineral oils have it."""
    vogel: float = 99.5

    def viscosity(self, T: float) -> float:
        c = self.vogel
        b = math.log(self.cold[1] / self.hot[1]) / (1.0 / (self.cold[0] + c) - 1.0 / (self.hot[0] + c))
        return self.cold[1] * math.exp(b * (1.0 / (T + c) - 1.0 / (self.cold[0] + c)))

    def density(self, T: float) -> float:
        x = (self.expansion or 0.628 / self.density_15) * (T - 15.0)
        return self.density_15 * math.exp(-x * (1.0 + 0.8 * x))

    def scaled(self, cold: float, hot: float, heavier: float) -> Oil:
        """Another oil like it: viscosities by factors, density by a difference."""
        return replace(
            self,
            cold=(self.cold[0], self.cold[1] * cold),
            hot=(self.hot[0], self.hot[1] * hot),
            density_15=self.density_15 + heavier,
        )


@dataclass(frozen=True)
class Kind:
    """A product of the house: its usual oil, spread between batches, own scatter beside the instrument's."""

    name: str
    code: str
    class_: str
    oil: Oil
    spread: float = 0.010
    spread_density: float = 0.8
    scatter: float = 1.0


HOUSE = (
    Kind("Base light", "BL", "base oil", Oil((40.0, 20.4), (100.0, 4.13), 861.0), 0.010, 0.6),
    Kind("Base heavy", "BH", "base oil", Oil((40.0, 96.9), (100.0, 11.0), 882.0), 0.012, 0.7),
    Kind("Hydraulic 32", "HA", "hydraulic and industrial oil", Oil((40.0, 32.0), (100.0, 5.43), 869.5)),
    Kind("Hydraulic 46", "HB", "hydraulic and industrial oil", Oil((40.0, 46.1), (100.0, 6.84), 874.3)),
    Kind("Hydraulic 68", "HC", "hydraulic and industrial oil", Oil((40.0, 68.3), (100.0, 8.78), 879.0)),
    Kind("Gear 320", "GR", "hydraulic and industrial oil", Oil((40.0, 318.0), (100.0, 24.1), 897.0), 0.012),
    Kind("Engine 15W-40", "EN", "engine oil", Oil((40.0, 107.0), (100.0, 14.4), 882.6, vogel=114.0), 0.012, 0.9, 1.3),
    Kind("Gas oil", "GO", "gas oil", Oil((40.0, 2.93), (100.0, 1.18), 835.2, 8.5e-4, 122.0), 0.045, 2.2),
    Kind(
        "Residual 380", "RM", "residual marine fuel", Oil((50.0, 361.0), (100.0, 34.0), 986.0, 6.9e-4), 0.05, 2.0, 4.0
    ),
)
REFERENCES = (
    ("REF-A", Oil((40.0, 15.0), (100.0, 3.39), 855.0)),
    ("REF-B", Oil((40.0, 117.5), (100.0, 12.3), 885.0)),
)
FUELS = (
    Oil((20.0, 0.62), (40.0, 0.5), 745.0, 1.2e-3, 140.0),
    Oil((40.0, 1.25), (100.0, 0.65), 800.0, 9.2e-4, 130.0),
    Oil((40.0, 2.8), (100.0, 1.15), 836.0, 8.5e-4, 120.0),
)
SOLVENTS = (
    Oil((20.0, 0.603), (40.0, 0.5), 688.0, 1.2e-3, 140.0),
    Oil((20.0, 0.677), (40.0, 0.549), 871.5, 1.07e-3, 140.0),
    Oil((20.0, 3.03), (40.0, 1.75), 791.5, 1.1e-3, 90.0),
    Oil((20.0, 0.406), (40.0, 0.348), 797.9, 1.42e-3, 140.0),
)


def mixed(own: Sequence[float], other: Oil, T: float, share: float, interaction: float) -> list[float]:
    """Grunberg and Nissan by volume; interaction 0 is the logarithmic rule, 1 about the double-log one."""
    theirs = other.viscosity(T)
    apart = abs(math.log(own[0] / theirs))
    G = -interaction * apart * max(0.1, 0.48 * (apart - 2.2))
    rho = own[1] + share * (other.density(T) - own[1])
    log = math.log(own[0]) + share * (math.log(theirs) - math.log(own[0])) + G * share * (1.0 - share)
    return [math.exp(log), rho]


class Bench:
    """One case before anything is wrong with it: oil, instrument, what is known around it."""

    def __init__(self, number: int, rng: np.random.Generator) -> None:
        self.number, self.rng = number, rng
        self.kind = HOUSE[int(rng.integers(len(HOUSE)))]
        self.batch = batch_of(self.kind, rng)
        self.fills = int(rng.choice([1, 2, 3], p=[0.5, 0.35, 0.15]))
        self.temperatures = self._temperatures()
        self.with_density = rng.random() < 0.88
        self.places = [(fill, T) for fill in range(1, self.fills + 1) for T in self.temperatures]
        self.thermostats = int(rng.choice([1, 2]))
        self.typed = rng.random() < 0.3
        self.coupled = self.thermostats == 1 and not self.typed and self.with_density
        self.noise = (float(rng.uniform(0.0007, 0.002)), float(rng.uniform(0.02, 0.06)))
        others = [one for one in HOUSE if one is not self.kind]
        self.day = [others[int(one)] for one in rng.permutation(len(others))[:3]]
        self.bottles = [batch_of(one, rng) for one in self.day]
        self.history = int(rng.choice([0, 1, 2, 4], p=[0.35, 0.2, 0.25, 0.2]))
        self.referenced = rng.random() < 0.85
        self.bias = (0.0, 0.0)
        self.cell = dict.fromkeys(self.temperatures, 0.0)
        self.swapped = False
        self.lasting: tuple[dict[float, float], dict[float, float]] = ({}, {})
        """How much too warm the cells of viscosity and of density stay, [K] by temperature [°C]."""
        self.only: frozenset[str] | None = None
        """Which parts of two faults are left; None: both."""

    def _temperatures(self) -> tuple[float, ...]:
        if self.kind.code == "GO":
            return ((15.0, 40.0), (40.0,))[int(self.rng.integers(2))]
        if self.kind.code == "RM":
            return ((50.0, 100.0), (50.0,))[int(self.rng.integers(2))]
        return ((40.0,), (40.0, 100.0), (40.0, 100.0), (20.0, 40.0))[int(self.rng.integers(4))]

    def clean(self) -> Values:
        return {(fill, T): [self.batch.viscosity(T), self.batch.density(T)] for fill, T in self.places}

    @cached_property
    def spread(self) -> Array:
        """Covariance of ln ν and ρ over the places, as the true physics draws batches, days and noise."""
        n = len(self.places)
        at = np.array([T for _, T in self.places])
        thick, heavy = (self.kind.spread, self.kind.spread_density)
        if self.history:
            thick, heavy = min(thick, 0.003), min(heavy, 0.08)
        found = np.zeros((2 * n, 2 * n))
        together = np.where(at[:, None] == at, 1.0, 0.95)
        found[:n, :n] = thick**2 * together
        found[n:, n:] = heavy**2
        scale = (1.5 * self.noise[0] * self.kind.scatter) ** 2, (1.5 * self.noise[1]) ** 2
        return found + np.diag(np.repeat(scale, n))

    def vector(self, values: Values) -> Array:
        pairs = [values[place] for place in self.places]
        return np.array([math.log(one[0]) for one in pairs] + [one[1] for one in pairs])

    @property
    def seen(self) -> NDArray[np.bool_]:
        """Which of the vector's entries are measured."""
        n = len(self.places)
        both = self.kind.code == "GO" and self.temperatures[0] == 15.0
        thick = [not (both and T == 15.0) for _, T in self.places]
        return np.array(thick + [self.with_density] * n)


def batch_of(kind: Kind, rng: np.random.Generator) -> Oil:
    common, own, heavy, curve = rng.standard_normal(4)
    thick, thin = (math.exp(kind.spread * one) for one in (common, 0.7 * (0.95 * common + 0.31 * own)))
    made = kind.oil.scaled(thick, thin, kind.spread_density * heavy)
    slope = made.expansion or 0.628 / made.density_15
    return replace(made, vogel=made.vogel + 1.5 * curve, expansion=slope * (1.0 + 0.006 * float(own)))


# --- What can be done to a run: each returns what every fill and temperature would show without noise ---

Fault = Callable[[Bench, np.random.Generator], Values]


def wide(rng: np.random.Generator, median: float, factor: float = 2.6) -> float:
    return median * factor ** float(rng.standard_normal())


def sign(rng: np.random.Generator) -> float:
    return 1.0 if rng.random() < 0.5 else -1.0


def nothing(bench: Bench, rng: np.random.Generator) -> Values:
    return bench.clean()


def warm(bench: Bench, rng: np.random.Generator) -> Values:
    """A cell off at one or all temperatures: both quantities, or with two thermostats one; lasting or settling."""
    size, values = wide(rng, 0.4) * sign(rng), bench.clean()
    where = bench.temperatures if rng.random() < 0.35 else (float(rng.choice(bench.temperatures)),)
    touched = (True, True) if bench.thermostats == 1 else ((True, False), (False, True))[int(rng.integers(2))]
    lasting = rng.random() < 0.6
    left = 1.0 if lasting else float(rng.uniform(0.0, 0.4))
    for fill, T in bench.places:
        if T in where:
            true = T + size * left ** (fill - 1)
            if touched[0]:
                values[fill, T][0] = bench.batch.viscosity(true)
            if touched[1]:
                values[fill, T][1] = bench.batch.density(true)
    stays = dict.fromkeys(where, size)
    bench.lasting = (stays if lasting and touched[0] else {}, stays if lasting and touched[1] else {})
    if lasting and touched == (True, True) and rng.random() < 0.5:
        bench.cell = {T: size if T in where else 0.0 for T in bench.temperatures}
    return values


def air(bench: Bench, rng: np.random.Generator) -> Values:
    values, draw = bench.clean(), rng.random()
    hot = bench.temperatures[-1]
    fill = int(rng.integers(1, bench.fills + 1))
    if draw < 0.4:
        chosen = [bench.places[int(rng.integers(len(bench.places)))]]
    elif draw < 0.6:
        chosen = [place for place in bench.places if place[0] == fill]
    elif draw < 0.8:
        chosen = [place for place in bench.places if place[1] == hot]
    else:
        chosen = list(bench.places)
    middle = wide(rng, 0.004)
    for place in chosen:
        size = min(middle * (1.0 if len(chosen) == 1 else wide(rng, 1.0, 1.7)), 0.5)
        viscosity, density = values[place]
        light = (1.0 - size) * density + size * 1.1
        values[place] = [viscosity * density / light if bench.coupled else viscosity, light]
    return values


def _got_in(bench: Bench, rng: np.random.Generator, other: Oil, size: float, shares: Mapping[Place, float]) -> Values:
    values, interaction = bench.clean(), float(rng.random())
    for place, share in shares.items():
        values[place] = mixed(values[place], other, place[1], min(size * share, 0.9), interaction)
    return values


def residue(bench: Bench, rng: np.random.Generator) -> Values:
    left = float(rng.uniform(0.0, 1.0))
    return _got_in(bench, rng, bench.bottles[1], wide(rng, 0.02), {(f, T): left ** (f - 1) for f, T in bench.places})


def solvent(bench: Bench, rng: np.random.Generator) -> Values:
    left, hot = float(rng.uniform(0.0, 0.6)), float(rng.uniform(0.0, 0.6))
    shares = {(f, T): left ** (f - 1) * (hot if T > 80.0 else 1.0) for f, T in bench.places}
    return _got_in(bench, rng, SOLVENTS[int(rng.integers(4))], wide(rng, 0.012), shares)


def fuel(bench: Bench, rng: np.random.Generator) -> Values:
    number = int(rng.choice([0, 1, 2], p=[0.3, 0.2, 0.5]))
    other = FUELS[number].scaled(wide(rng, 1.0, 1.08), 1.0, float(rng.normal(0.0, 6.0)))
    hot = float(rng.uniform(0.5, 1.0)) if number == 0 else 1.0
    return _got_in(bench, rng, other, wide(rng, 0.03), {(f, T): hot if T > 80.0 else 1.0 for f, T in bench.places})


def wet(bench: Bench, rng: np.random.Generator) -> Values:
    values, size = bench.clean(), min(wide(rng, 0.006), 0.1)
    slope, draw = math.exp(rng.uniform(0.0, math.log(3.5))), rng.random()
    for fill, T in bench.places:
        share = size
        steam = 0.0
        if T > 95.0:
            share = size * float(rng.uniform(0.0, 1.0)) if draw < 0.6 else 0.0
            steam = min(size * wide(rng, 1.0, 3.0), 0.3) if draw > 0.7 else 0.0
        viscosity, density = values[fill, T]
        water = 1000.0 - 0.0045 * (T - 4.0) ** 2 + 0.00001 * (T - 4.0) ** 3
        heavy = density + share * (water - density)
        values[fill, T] = [viscosity * math.exp(slope * share) * density / heavy, heavy * (1.0 - steam)]
    return values


def off(bench: Bench, rng: np.random.Generator) -> Values:
    bench.referenced = True
    bench.bias = (wide(rng, 0.006, 2.0) * sign(rng), wide(rng, 0.3, 2.0) * sign(rng))
    if rng.random() < 0.5:
        bench.bias = (bench.bias[0], 0.0) if rng.random() < 0.5 else (0.0, bench.bias[1])
    thick, heavy = bench.bias
    return {place: [one[0] * math.exp(thick), one[1] + heavy] for place, one in bench.clean().items()}


def exchanged_bottles(bench: Bench, rng: np.random.Generator) -> Values:
    bench.swapped = rng.random() < 0.7
    oil = bench.bottles[1] if bench.swapped else batch_of(bench.day[int(rng.integers(3))], rng)
    return {(fill, T): [oil.viscosity(T), oil.density(T)] for fill, T in bench.places}


def _any_place(bench: Bench, rng: np.random.Generator) -> Place:
    here = [place for place, known in zip(bench.places, bench.seen, strict=False) if known]
    return here[int(rng.integers(len(here)))]


def decimals(bench: Bench, rng: np.random.Generator) -> Values:
    bench.typed, bench.coupled = True, False
    values = bench.clean()
    values[_any_place(bench, rng)][0] *= float(rng.choice([10.0, 0.1, 100.0]))
    return values


def digits(bench: Bench, rng: np.random.Generator) -> Values:
    """Neighbouring digits exchanged, or one wrong."""
    bench.typed, bench.coupled = True, False
    values, place = bench.clean(), _any_place(bench, rng)
    number = int(bench.with_density and rng.random() < 0.5)
    signs = list(f"{values[place][number]:#.4g}")
    at = [i for i, one in enumerate(signs) if one.isdigit()]
    if rng.random() < 0.6:
        first, second = list(itertools.pairwise(at))[int(rng.integers(len(at) - 1))]
        signs[first], signs[second] = signs[second], signs[first]
    else:
        signs[at[int(rng.integers(len(at)))]] = str(int(rng.integers(10)))
    values[place][number] = max(float("".join(signs)), 0.1)
    return values


def dynamic_for_kinematic(bench: Bench, rng: np.random.Generator) -> Values:
    bench.typed, bench.coupled = True, False
    values = bench.clean()
    chosen = bench.places if rng.random() < 0.5 else [_any_place(bench, rng)]
    for place in chosen:
        values[place][0] *= values[place][1] / 1000.0
    return values


def rows_exchanged(bench: Bench, rng: np.random.Generator) -> Values:
    values = bench.clean()
    if len(bench.temperatures) > 1:
        cold, hot = bench.temperatures[0], bench.temperatures[-1]
        values[1, cold], values[1, hot] = values[1, hot], values[1, cold]
    return values


def fahrenheit(bench: Bench, rng: np.random.Generator) -> Values:
    """100 °F taken for 40 °C and 210 °F for 100 °C, or the setting itself in °F."""
    near = {40.0: 37.78, 100.0: 98.89, 20.0: 21.11, 15.0: 15.56, 50.0: 50.0}
    whole = rng.random() < 0.5
    oil, values = bench.batch, bench.clean()
    for fill, T in bench.places:
        true = (T - 32.0) / 1.8 if whole and T > 30.0 else near[T]
        values[fill, T] = [oil.viscosity(true), oil.density(true)]
    return values


def changed_by(cold: tuple[float, float], hot: tuple[float, float], heavy: tuple[float, float]) -> Fault:
    """A change of the sample: ln ν cold per size, hot as a share of that, density per size."""

    def fault(bench: Bench, rng: np.random.Generator) -> Values:
        size = wide(rng, 1.0, 2.0) * rng.uniform(*cold)
        share, more = rng.uniform(*hot), abs(size) / 0.05 * rng.uniform(*heavy)
        oil = bench.batch.scaled(math.exp(size), math.exp(size * share), more)
        return {(fill, T): [oil.viscosity(T), oil.density(T)] for fill, T in bench.places}

    return fault


oxidised = changed_by((0.03, 0.12), (0.5, 0.85), (0.3, 1.2))
evaporated = changed_by((0.02, 0.08), (0.6, 0.9), (0.6, 1.2))
sheared = changed_by((-0.15, -0.03), (0.9, 1.05), (0.0, 0.0))


def blended(bench: Bench, rng: np.random.Generator) -> Values:
    other = batch_of(bench.day[int(rng.integers(3))], rng)
    return _got_in(bench, rng, other, float(rng.uniform(0.04, 0.6)), dict.fromkeys(bench.places, 1.0))


def light_ends(bench: Bench, rng: np.random.Generator) -> Values:
    """Loss between fills: thicker and heavier from fill to fill."""
    values, loss = bench.clean(), wide(rng, 0.5, 2.2)
    for fill, T in bench.places:
        lost = loss * (fill - 1)
        values[fill, T] = [values[fill, T][0] * math.exp(0.04 * lost), values[fill, T][1] + 1.0 * lost]
    return values


def waxy(bench: Bench, rng: np.random.Generator) -> Values:
    values, size = bench.clean(), wide(rng, 0.08, 2.2)
    cold = bench.temperatures[0]
    for fill, T in bench.places:
        if cold == T:
            values[fill, T][0] *= math.exp(size * float(rng.uniform(0.6, 1.0)) ** (fill - 1))
            values[fill, T][1] += 6.0 * size * float(rng.uniform(0.2, 1.0))
    return values


def stranger(bench: Bench, rng: np.random.Generator) -> Values:
    """A product that isn't the house's."""
    oil = Oil((40.0, wide(rng, 60.0, 3.0)), (100.0, 1.0), float(rng.uniform(800.0, 960.0)))
    oil = replace(oil, hot=(100.0, 1.35 * oil.cold[1] ** float(rng.uniform(0.42, 0.56))))
    return {(fill, T): [oil.viscosity(T), oil.density(T)] for fill, T in bench.places}


def two_at_once(bench: Bench, rng: np.random.Generator) -> Values:
    faults = (air, residue, warm, fuel, wet, digits)
    first, second = rng.choice(len(faults), 2, replace=False)
    parts, clean = [faults[int(one)] for one in (first, second)], bench.clean()
    made = [part(bench, rng) for part in parts]
    one, other = (
        values if bench.only is None or part.__name__ in bench.only else clean
        for part, values in zip(parts, made, strict=True)
    )
    bench.two = (NAMES[faults[int(first)].__name__], NAMES[faults[int(second)].__name__])  # type: ignore[attr-defined]
    return {p: [one[p][0] * other[p][0] / clean[p][0], one[p][1] + other[p][1] - clean[p][1]] for p in clean}


NAMES = {
    "air": "air bubble", "residue": "residue", "warm": "cell temperature", "fuel": "dilution", "wet": "water",
    "digits": "slip",
}  # fmt: skip


def wrong_constant(bench: Bench, rng: np.random.Generator) -> Values:
    """Entered after the morning's reference oils: every viscosity off by a factor, or every density by an offset."""
    thick, heavy = wide(rng, 0.02, 2.0) * sign(rng), wide(rng, 1.0, 2.5) * sign(rng)
    thick, heavy = (thick, 0.0) if rng.random() < 0.7 else (0.0, heavy)
    return {place: [one[0] * math.exp(thick), one[1] + heavy] for place, one in bench.clean().items()}


def coolant(bench: Bench, rng: np.random.Generator) -> Values:
    values, size = bench.clean(), wide(rng, 0.02, 2.0)
    for fill, T in bench.places:
        values[fill, T][0] *= math.exp(size * rng.uniform(4.0, 12.0))
        values[fill, T][1] += size * 190.0
    return values


def sediment(bench: Bench, rng: np.random.Generator) -> Values:
    """Every fill another sample: shaken, settled, layered."""
    values, size = bench.clean(), wide(rng, 0.02, 2.2)
    for fill in range(1, bench.fills + 1):
        thick, heavy = rng.standard_normal(2)
        for T in bench.temperatures:
            values[fill, T][0] *= math.exp(size * thick)
            values[fill, T][1] += 60.0 * size * heavy
    return values


def blocked(bench: Bench, rng: np.random.Generator) -> Values:
    """One viscosity far too high, all else right: a fibre in the cell."""
    values = bench.clean()
    values[_any_place(bench, rng)][0] *= 1.0 + wide(rng, 0.05, 2.5)
    return values


@dataclass(frozen=True)
class Truth:
    """A fault, and the keys of the catalogue that name it rightly."""

    fault: Fault
    right: frozenset[str]
    more_fills: bool = False


def _truth(fault: Fault, *right: str, more_fills: bool = False) -> Truth:
    return Truth(fault, frozenset(right), more_fills)


TRUTHS: dict[str, Truth] = {
    "clean": _truth(nothing, "noise"),
    "temperature": _truth(warm, "cell temperature"),
    "air": _truth(air, "air bubble"),
    "residue": _truth(residue, "residue"),
    "solvent": _truth(solvent, "solvent"),
    "fuel": _truth(fuel, "dilution"),
    "water": _truth(wet, "water"),
    "bias": _truth(off, "instrument bias"),
    "swap": _truth(exchanged_bottles, "another product"),
    "decimals": _truth(decimals, "slip"),
    "digits": _truth(digits, "slip"),
    "unit": _truth(dynamic_for_kinematic, "slip"),
    "rows": _truth(rows_exchanged, "slip"),
    "fahrenheit": _truth(fahrenheit, "slip"),
    "oxidised": _truth(oxidised, "changed"),
    "evaporated": _truth(evaporated, "changed"),
    "sheared": _truth(sheared, "changed"),
    "blend": _truth(blended, "blend"),
    "light ends": _truth(light_ends, "light ends", more_fills=True),
    "wax": _truth(waxy, "wax", ELSE),
    "stranger": _truth(stranger, ELSE),
    "two": _truth(two_at_once, ELSE, "two at once"),
    "constant": _truth(wrong_constant, ELSE, "instrument bias"),
    "coolant": _truth(coolant, ELSE),
    "sediment": _truth(sediment, ELSE, more_fills=True),
    "blocked": _truth(blocked, ELSE),
}
"""``wax`` to ``blocked`` are off the list that a laboratory would write down first."""

GROUPS: dict[frozenset[str], list[str]] = {}
for _name, _one in TRUTHS.items():
    GROUPS.setdefault(_one.right, []).append(_name)


@dataclass(eq=False)
class Case:
    """One run with what was done to it; what the laboratory and the package make of it comes later."""

    bench: Bench
    truth: str
    values: Values
    printed: Values
    state: dict[str, Any]
    """Of the generator before the fault was drawn: what replays it."""
    oracle: float = math.nan
    """Probability that the oracle gives the truth, [-]."""
    run: str = ""
    right: frozenset[str] = field(default_factory=frozenset)

    def __post_init__(self) -> None:
        self.right = TRUTHS[self.truth].right | frozenset(getattr(self.bench, "two", ()))


def drawn(number: int, truth: str, rng: np.random.Generator) -> Case:
    """Draw a case; a fault too small to be seen is drawn again."""
    for attempt in range(60):
        bench = Bench(number, rng)
        one = TRUTHS[truth]
        if (one.more_fills and bench.fills < 2) or (truth == "rows" and len(bench.temperatures) < 2):
            continue
        if truth == "wax" and bench.temperatures[0] > 25.0 and bench.kind.code != "RM":
            continue
        state = rng.bit_generator.state
        values = one.fault(bench, rng)
        seen = bench.seen
        away = (bench.vector(values) - bench.vector(bench.clean()))[seen]
        spread = bench.spread[np.ix_(seen, seen)]
        if truth == "clean" or math.sqrt(away @ np.linalg.solve(spread, away)) >= LEAST or attempt > 45:
            break
    return Case(bench, truth, values, shown(bench, values, rng), dict(state))


def shown(bench: Bench, values: Values, rng: np.random.Generator) -> Values:
    """Add noise and round as the export does."""
    thick, heavy = bench.noise[0] * bench.kind.scatter, bench.noise[1]
    day = 0.4 * rng.standard_normal(2)
    found = {}
    for place in bench.places:
        a, b = rng.standard_t(5, 2)
        nu = values[place][0] * math.exp(thick * (a + day[0]))
        rho = values[place][1] + heavy * (b + day[1])
        found[place] = [float(f"{nu:.{4 if bench.typed else 5}g}"), round(rho, 1 if bench.typed else 2)]
    return found


# --- The oracle ---

DRAWS = 150


def oracle(case: Case, rng: np.random.Generator) -> float:
    """Return the probability of the true group of causes, kinds of faults as likely as they are drawn."""
    bench = case.bench
    seen, clean = bench.seen, bench.vector(bench.clean())
    found = (bench.vector(case.printed) - clean)[seen]
    spread = bench.spread[np.ix_(seen, seen)]
    kept = dict(vars(bench))
    logs = {}
    for name, truth in TRUTHS.items():
        if truth.more_fills and bench.fills < 2:
            continue
        if truth.fault in (decimals, digits, dynamic_for_kinematic) and not bench.typed:
            continue
        draws = 1 if name == "clean" else DRAWS
        effects = []
        for _ in range(draws):
            vars(bench).update(kept)
            effects.append((bench.vector(truth.fault(bench, rng)) - clean)[seen])
        logs[name] = (
            _log_mean(np.array(effects), found, spread) + _by_reference_oils(case, name) + math.log(OFTEN.get(name, 1))
        )
    vars(bench).clear()
    vars(bench).update(kept)
    top = max(logs.values())
    weights = {name: math.exp(log - top) for name, log in logs.items()}
    true = sum(one for name, one in weights.items() if TRUTHS[name].right & TRUTHS[case.truth].right)
    return true / sum(weights.values())


def _log_mean(effects: Array, found: Array, spread: Array) -> float:
    """ln of the mean density, each draw blurred by a quarter of its size along itself and by a tenth across."""
    blur = 0.25**2 * effects[:, :, None] * effects[:, None, :]
    across = np.abs(effects)[:, :, None] * np.eye(effects.shape[1]) * 0.02 * np.abs(effects)[:, None, :]
    factor = np.linalg.cholesky(spread + blur + across)
    white = np.linalg.solve(factor, (found - effects)[..., None])[..., 0]
    n, df = found.size, 5.0
    log = -np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)
    log -= 0.5 * (df + n) * np.log1p((white**2).sum(axis=1) / df)
    top = float(log.max())
    return top + math.log(float(np.exp(log - top).mean()))


def _by_reference_oils(case: Case, name: str) -> float:
    """Reference oils that are off speak for a bias or a cell, those that are right against a bias."""
    bench = case.bench
    if not bench.referenced:
        return 0.0
    is_off = any(bench.bias) or any(bench.cell.values())
    if name == "bias":
        return 0.0 if any(bench.bias) else -4.0
    return -4.0 if is_off and name not in ("temperature", "two") else 0.0


# --- The laboratory: exports and lab.toml ---

_DAY = "2026-03-10"
_MORNINGS = ("2026-03-02", "2026-03-03", "2026-03-04", "2026-03-05", "2026-03-06", "2026-03-09", _DAY)


def write(cases: Sequence[Case], folder: Path, rng: np.random.Generator) -> None:
    """Write the exports of all cases, one instrument a case, and lab.toml."""
    plain, typed = [], []
    for case in cases:
        (typed if case.bench.typed else plain).extend(_lines(case, rng))
    head = "Run,Sample,Product,Lot,Instrument,Measured at,Repeat,Temperature (°C),Kinematic viscosity (mm²/s),"
    head += "Dynamic viscosity (mPa·s),Density (kg/m³)"
    (folder / "bench.csv").write_text("\n".join([head, *plain]) + "\n", encoding="utf-8")
    (folder / "logbook.csv").write_text("\n".join([head, *typed]) + "\n", encoding="utf-8")
    (folder / "lab.toml").write_text(_laboratory(cases, rng), encoding="utf-8")


def _lines(case: Case, rng: np.random.Generator) -> Iterator[str]:
    bench, name = case.bench, f"I{case.bench.number:04d}"
    number = itertools.count(1)

    def run(sample: str, kind: str, lot: str, when: str, values: Values, seen: Array | None = None) -> Iterator[str]:
        run_name = f"{name}-{next(number):02d}"
        if when.startswith(_DAY) and sample == f"{bench.kind.code}-{bench.number:04d}":
            case.run = run_name
        n = len(values)
        for minute, (place, (nu, rho)) in enumerate(values.items()):
            fill, T = place
            thick = seen is None or seen[minute]
            heavy = seen is None or seen[n + minute]
            coupled = bench.coupled and thick and heavy
            eta = f"{nu * rho / 1000.0:.5g}" if coupled else ""
            at = f"{when[:-2]}{minute:02d}" + ("" if bench.typed else f":{int(rng.integers(60)):02d}")
            nu_text = f"{nu:.5g}" if thick and not coupled else ""
            rho_text = f"{rho:.2f}".rstrip("0").rstrip(".") if heavy else ""
            yield f"{run_name},{sample},{kind},{lot},{name},{at},{fill},{T:g},{nu_text},{eta},{rho_text}"

    lot = f"L{bench.number:04d}"
    own = f"{bench.kind.code}-{bench.number:04d}"
    for morning in _MORNINGS:
        if bench.referenced:
            for clock, (reference, oil) in zip(("07:40", "08:00"), REFERENCES, strict=True):
                yield from run(reference, "", "R1", f"{morning} {clock}", _reference(bench, oil, morning, rng))
        earlier = _MORNINGS.index(morning) < bench.history
        if earlier:
            sample = own if rng.random() < 0.4 else f"{own}-{morning[-2:]}"
            first = {p: v for p, v in bench.clean().items() if p[0] == 1}
            places, bench.places = bench.places, list(first)
            values = shown(bench, first, rng)
            seen = bench.seen
            bench.places = places
            yield from run(sample, bench.kind.name, lot, f"{morning} 10:00", values, seen)
    for position, (kind, oil) in enumerate(zip(bench.day, bench.bottles, strict=True)):
        if position == 2:
            yield from run(own, bench.kind.name, lot, f"{_DAY} 11:00", case.printed, bench.seen)
        oil = bench.batch if bench.swapped and position == 1 else oil
        code = f"{kind.code}-{bench.number:04d}{'xyz'[position]}"
        Ts = (50.0, 100.0) if kind.code == "RM" else (40.0, 100.0)
        values = {(1, T): [oil.viscosity(T) * math.exp(bench.noise[0] * float(rng.standard_t(5))),
                           oil.density(T) + bench.noise[1] * float(rng.standard_t(5))] for T in Ts}  # fmt: skip
        yield from run(
            code, kind.name, f"K{bench.number:04d}{position}", f"{_DAY} {9 + position + position // 2:02d}:00", values
        )


def _reference(bench: Bench, oil: Oil, morning: str, rng: np.random.Generator) -> Values:
    today = morning == _DAY
    found = {}
    for T in (40.0, 100.0):
        true = T + (bench.cell.get(T, 0.0) if today else 0.0)
        thick, heavy = bench.bias if morning >= "2026-03-06" else (0.0, 0.0)
        a, b = rng.standard_t(5, 2)
        found[1, T] = [oil.viscosity(true) * math.exp(thick + bench.noise[0] * a),
                       oil.density(true) + heavy + bench.noise[1] * b]  # fmt: skip
    return found


def _laboratory(cases: Sequence[Case], rng: np.random.Generator) -> str:
    lines = ['[laboratory]\nname = "Open world"\ntime_zone = "UTC"\n', "[report]\nreference_age_h = 24\n"]
    knows = "thermostats" in Instrument.__dataclass_fields__
    for case in cases:
        told = f"\nthermostats = {case.bench.thermostats}" if knows and rng.random() < 0.7 else ""
        lines.append(f'[[instrument]]\nname = "I{case.bench.number:04d}"{told}\n')
    for name, files in (("Instrument's own file", "bench.csv"), ("Logbook, typed", "logbook.csv")):
        lines.append(f'[[profile]]\nname = "{name}"\nfiles = ["{files}"]\n')
    for name, oil in REFERENCES:
        values = ",\n".join(
            f'{{ quantity = "kinematic viscosity", temperature_C = {T:g}, value = {oil.viscosity(T):.6g}, '
            f"expanded_uncertainty = {0.0015 * oil.viscosity(T):.4g} }},\n"
            f'{{ quantity = "density", temperature_C = {T:g}, value = {oil.density(T):.3f}, '
            "expanded_uncertainty = 0.06 }"
            for T in (40.0, 100.0)
        )
        lines.append(
            f'[[reference]]\nname = "{name}"\nsamples = ["{name}"]\n[[reference.lot]]\nlot = "R1"\n'
            f"valid_from = 2025-01-01\nvalid_to = 2027-01-01\ncertified = [\n{values}\n]\n"
        )
    return "\n".join(lines + [_product(kind, rng) for kind in HOUSE])


def _product(kind: Kind, rng: np.random.Generator) -> str:
    Ts = (50.0, 100.0) if kind.code == "RM" else (40.0,) if kind.code == "GO" else (40.0, 100.0)
    stated = float(rng.uniform(0.85, 1.2))
    typical = [
        f'{{ quantity = "kinematic viscosity", temperature_C = {T:g}, mean = {kind.oil.viscosity(T):.5g}, '
        f"standard_deviation = {stated * kind.spread * (1.0 if T < 60 else 0.7) * kind.oil.viscosity(T):.4g} }}"
        for T in Ts
    ]
    at = 15.0 if kind.code == "GO" else Ts[0]
    typical.append(
        f'{{ quantity = "density", temperature_C = {at:g}, mean = {kind.oil.density(at):.1f}, '
        f"standard_deviation = {stated * kind.spread_density:.3f} }}"
    )
    body = ",\n    ".join(typical)
    return (
        f'[[product]]\nname = "{kind.name}"\nsamples = ["{kind.code}-*"]\nclass = "{kind.class_}"\n'
        f"typical = [\n    {body},\n]\n"
    )


# --- What the package makes of it ---


@dataclass(frozen=True, eq=False)
class Told:
    """A case with the package's account of it."""

    case: Case
    probabilities: dict[str, float]
    fits: bool
    held: bool
    evidence: Evidence
    judgement: Judgement

    @property
    def leading(self) -> str:
        return next(iter(self.probabilities))

    def among(self, places: int) -> bool:
        return any(one in self.case.right for one in list(self.probabilities)[:places])


OFTEN = {"clean": 14, "temperature": 3, "air": 3, "residue": 3, "solvent": 3, "fuel": 2, "water": 2, "bias": 2}
OFTEN |= {"swap": 2, "digits": 2, "blend": 2}
MIX = tuple(name for name in TRUTHS for _ in range(OFTEN.get(name, 1)))
"""How often each is drawn, and by the oracle taken for granted: what is on every list two or three times."""


def laboratory(number: int, seed: int, truths: Sequence[str] = MIX) -> tuple[list[Case], Material]:
    """Draw a laboratory of cases, faults as often as ``MIX`` has them, and read it back through its exports."""
    rng = np.random.default_rng(seed)
    cases = [drawn(i, truths[i % len(truths)], rng) for i in range(number)]
    for case in cases:
        case.oracle = oracle(case, rng)
    with tempfile.TemporaryDirectory() as folder:
        write(cases, Path(folder), rng)
        files = [Path(folder) / "bench.csv", Path(folder) / "logbook.csv"]
        return cases, gather(files, Path(folder) / "lab.toml")


def told(cases: Sequence[Case], material: Material) -> list[Told]:
    """Ask the package about every case."""
    from labcalc.judgement.causes.ranking import fit_of, weigh

    found = []
    for case in (one for one in cases if one.run in material.runs):  # the reader refuses what is no number at all
        dossier = material.dossier(case.run)
        evidence, judgement = evidence_of(dossier), judge(dossier)
        if len(evidence.rows) < case.bench.seen.sum():  # rows that the reader refuses tell nothing here
            continue
        weighed = weigh(evidence)
        fits = fit_of(weighed, weighed.leading).p_value >= 0.001
        found.append(Told(case, weighed.probabilities, fits, judgement.rank > 0, evidence, judgement))
    return found


def share(values: Sequence[bool] | list[bool]) -> float:
    return float(np.mean(values)) if values else math.nan


def figures(found: Sequence[Told]) -> dict[str, float]:
    """First and top two of what can be told, reliability of 0.9 to 1.0 among runs held back, false lead when clean."""
    faults = [one for one in found if one.case.truth != "clean"]
    clean = [one for one in found if one.case.truth == "clean"]
    can = [one for one in faults if one.case.oracle >= TELLS]
    sure = [one for one in found if one.held and one.probabilities[one.leading] >= 0.9]
    return {
        "tellable": share([one.case.oracle >= TELLS for one in faults]),
        "first": share([one.among(1) for one in can]),
        "top two": share([one.among(2) for one in can]),
        "sure": len(sure),
        "sure and right": share([one.among(1) for one in sure]),
        "sure, fits and right": share([one.among(1) for one in sure if one.fits]),
        "false lead": share([one.leading != "noise" for one in clean]),
        "held back": share([one.held for one in faults]),
        "clean held back": share([one.held for one in clean]),
    }


BINS = (0.0, 0.5, 0.7, 0.9, 0.99, 1.0)
"""Edges of the stated probability of the leading cause, [-]."""

STORED = Path(__file__).parents[2] / "labcalc" / "data" / "causes_reliability.toml"


def stored(found: Sequence[Told]) -> dict[str, Any]:
    """Return how often what was stated was right, and what was taken for what, as the package stores it."""
    held = [one for one in found if one.held]
    stated = []
    for low, high in itertools.pairwise(BINS):
        these = [one for one in held if low <= one.probabilities[one.leading] < high + (high == 1.0)]
        stated.append({"lowest": low, "highest": high, "runs": len(these), "right": sum(o.among(1) for o in these)})
    rows: dict[str, list[Told]] = {key: [] for key in (*CAUSES, BEYOND)}
    for one in found:
        if one.case.truth == "clean" or one.case.oracle >= TELLS:
            listed = [key for key in TRUTHS[one.case.truth].right if key != ELSE]
            beyond = len(listed) != 1 or one.case.truth in ("two", "constant")
            rows[BEYOND if beyond else listed[0]].append(one)
    true = []
    for key, these in rows.items():
        counts = Counter(one.leading for one in these)
        right = {"first": sum(one.among(1) for one in these), "among_two": sum(one.among(2) for one in these)}
        if these:
            leading = dict(sorted(counts.items(), key=lambda pair: (-pair[1], pair[0])))
            true.append({"cause": key, "runs": len(these), **right, "leading": leading})
    return {"runs": len(found), "stated": stated, "true": true}


def written_out(found: Sequence[Told], command: str, seeds: Sequence[int], day: str) -> str:
    """Return the data file."""
    return data_file({"date": day, "command": command, "seeds": list(seeds), **stored(found)})


def data_file(found: Mapping[str, Any]) -> str:
    """Return figures as the package's data file has them, a row a line."""

    def value(one: object) -> str:
        if isinstance(one, dict):
            return "{ " + ", ".join(f'"{key}" = {value(each)}' for key, each in one.items()) + " }"
        return f'"{one}"' if isinstance(one, str) else str(one)

    lines = ["# How often the causes that labcalc ranks were right, in simulated laboratories; written by the command."]
    lines += [f"{key} = {value(found[key])}" for key in ("date", "command", "seeds", "runs")]
    for key, words in (
        ("stated", "Of runs held back: the probability stated of the leading cause, and how often it was right"),
        ("true", "Of runs that an oracle can tell: the true cause, and how often each cause was the leading one"),
    ):
        lines += ["", f"# {words}", f"{key} = [", *(f"    {value(one)}," for one in found[key]), "]"]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Print the table, the reliability, and what happens to good runs."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=640, metavar="N", help="cases of a laboratory; default 640")
    parser.add_argument("--laboratories", type=int, default=2, metavar="N", help="laboratories; default 2")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--write", metavar="DATE", help="write the package's data file, of this date")
    asked = parser.parse_args()
    seeds = range(asked.seed, asked.seed + asked.laboratories)
    found = [one for seed in seeds for one in told(*laboratory(asked.cases, seed))]
    if asked.write:
        command = "python -m tests.judgement.open_world"
        command += f" --cases {asked.cases} --laboratories {asked.laboratories} --seed {asked.seed} --write DATE"
        STORED.write_text(written_out(found, command, seeds, asked.write), encoding="utf-8")
    report(found)


def report(found: Sequence[Told]) -> None:
    """Print all figures."""
    for name in TRUTHS:
        here = [one for one in found if one.case.truth == name]
        can = [one for one in here if one.case.oracle >= TELLS] if name != "clean" else here
        leads: dict[str, int] = {}
        for one in can:
            leads[one.leading] = leads.get(one.leading, 0) + 1
        ranked = ", ".join(f"{key} {n}" for key, n in sorted(leads.items(), key=lambda pair: -pair[1])[:5])
        first, two = share([one.among(1) for one in can]), share([one.among(2) for one in can])
        print(f"{name:12} tellable {len(can):3}/{len(here):3}  first {first:4.0%} two {two:4.0%}  {ranked}")
    print("\nof runs held back: stated probability of the leading cause, share right, number")
    for one in stored(found)["stated"]:
        right = one["right"] / one["runs"] if one["runs"] else math.nan
        print(f"{one['lowest']:.2f}-{one['highest']:.2f}: {right:.2f}  {one['runs']}")
    print("\n" + "\n".join(f"{key:22} {value:.3f}" for key, value in figures(found).items()))


if __name__ == "__main__":
    main()
