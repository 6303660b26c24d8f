"""Runs of invented oils with invented faults, to ask ``labcalc.judgement.causes`` for what was done to them.

The physics here is written anew and by other formulas than in the package: Vogel's viscosity, exponential expansion,
a mass balance for air, mixtures anywhere between the logarithmic and the double-log rule, liquids drawn at random.

``python -m tests.judgement.causes_simulator`` prints the confusion table and the calibration.
"""

from __future__ import annotations

import argparse
import itertools
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from labcalc.judgement.causes import (
    CAUSES,
    PRIOR_ODDS,
    Before,
    Candidate,
    Evidence,
    HouseProduct,
    InstrumentBias,
    Liquid,
    Noise,
)
from labcalc.judgement.causes.evidence import Row, Setting, assembled
from labcalc.judgement.causes.expectation import Course, Expectation, Node, Observation
from labcalc.judgement.causes.ranking import Weighed, weigh_alike

Array = NDArray[np.float64]
Values = dict[tuple[int, float], list[float]]
"""Viscosity [mm²/s] and density [kg/m³] by fill and temperature."""

TEMPERATURES = (40.0, 100.0)
SPREADS = {"viscosity": (0.011, 0.0075), "density": 0.8, "slope": 0.005}
"""Between batches: ln ν at both temperatures, ρ at 40 °C [kg/m³], and its slope [kg/m³/K]."""
NOISE = Noise(0.0013, 0.03, "invented")
SAME_DAY = 0.2
HISTORY_SD = {True: 0.0025, False: 0.08}
SIZES = (2.0, 10.0)
"""How large a fault is drawn, in standard deviations of noise and spread."""
APART = 3.0
"""Distance from every rival in standard deviations from which a case counts as distinguishable: the best classifier of
two causes that far apart is wrong in 7 % of the cases."""


@dataclass(frozen=True)
class Oil:
    """True values of what a bottle holds."""

    at_40: float
    at_100: float
    density_40: float
    slope: float = -0.635

    def viscosity(self, T: float) -> float:
        """Vogel through both values with a constant that is usual for mineral oils."""
        c = 100.0
        b = math.log(self.at_40 / self.at_100) / (1.0 / (40.0 + c) - 1.0 / (100.0 + c))
        return self.at_40 * math.exp(b * (1.0 / (T + c) - 1.0 / (40.0 + c)))

    def density(self, T: float) -> float:
        """Exponential expansion."""
        return self.density_40 * math.exp(self.slope / self.density_40 * (T - 40.0))


@dataclass(frozen=True, eq=False)
class Case:
    """A run, what was done to it, and what it would show without noise and spread."""

    bench: Bench
    evidence: Evidence
    cause: str
    values: Values
    """What every fill and temperature would show without noise."""
    shift: Array
    """What was done, in ln ν and ρ of the rows, against the batch's own values."""

    def refilled(self, wanted: Candidate, rng: np.random.Generator) -> list[float]:
        """What a clean cell with a new fill of the bottle shows: what sat in the old cell is gone."""
        gone = self.cause in ("air bubble", "residue", "solvent", "slip")
        values = self.bench.clean() if gone else self.values
        number = 0 if wanted.quantity == "kinematic viscosity" else 1
        value = values[1, wanted.temperature_C][number]
        noise = (NOISE.viscosity * value, NOISE.density)[number]
        return [printed(value + noise * float(one)) for one in rng.standard_normal(wanted.repeats)]

    @cached_property
    def apart(self) -> float:
        """Distance from the nearest rival, in standard deviations of noise and spread."""
        return nearest_rival(self)


class Bench:
    """One run before anything is wrong with it."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng
        viscosities = np.exp(rng.uniform(math.log(18.0), math.log(130.0), 8))
        self.house = [self._product(float(one)) for one in viscosities]
        self.product = self.house[0]
        self.batch = self._batch(self.product)
        self.fills = 2 if rng.random() < 0.3 else 1
        self.places = [(fill, T) for fill in range(1, self.fills + 1) for T in TEMPERATURES]
        self.coupled = bool(rng.random() < 0.7)
        self.told = None if rng.random() < 0.5 else self.coupled
        self.before = self._before()
        self.bias = (0.0, 0.0)
        self.bias_sd = (0.0009, 0.04)

    def _product(self, at_40: float) -> Oil:
        W = math.log10(math.log10(at_40 + 0.7)) - self.rng.normal(0.281, 0.004)
        return Oil(at_40, 10.0 ** (10.0**W) - 0.7, float(self.rng.uniform(843.0, 872.0)))

    def _batch(self, product: Oil) -> Oil:
        thick, index, heavy, slope = self.rng.standard_normal(4)
        s_40, s_100 = SPREADS["viscosity"]
        return Oil(
            product.at_40 * math.exp(s_40 * thick),
            product.at_100 * math.exp(s_100 * (0.95 * thick + math.sqrt(1.0 - 0.95**2) * index)),
            product.density_40 + SPREADS["density"] * heavy,
            product.slope + SPREADS["slope"] * slope,
        )

    def _before(self) -> Oil | None:
        draw = self.rng.random()
        if draw < 0.15:
            return None
        if draw < 0.35:
            return gas_oil(self.rng)
        return self._batch(self.house[int(self.rng.integers(1, len(self.house)))])

    def clean(self) -> dict[tuple[int, float], list[float]]:
        """Viscosity and density of each fill and temperature without noise."""
        return {(fill, T): [self.batch.viscosity(T), self.batch.density(T)] for fill, T in self.places}

    # --- Evidence ---

    def evidence(self, values: Mapping[tuple[int, float], Sequence[float]], noisy: bool = True) -> Evidence:
        rows = []
        noise = self._noise() if noisy else {}
        for fill, T in self.places:
            for number, quantity in enumerate(("kinematic viscosity", "density")):
                value = values[fill, T][number]
                error = noise.get((fill, T), (0.0, 0.0))[number]
                value = value * math.exp(error) if number == 0 else value + error
                rows.append(Row(quantity, T, fill, printed(value) if noisy else value))
        return assembled(rows, self.setting)

    def _noise(self) -> dict[tuple[int, float], tuple[float, float]]:
        day = math.sqrt(SAME_DAY) * self.rng.standard_normal(2)
        own = math.sqrt(1.0 - SAME_DAY) * self.rng.standard_normal((len(self.places), 2))
        scale = np.array([NOISE.viscosity, NOISE.density])
        return {place: tuple(scale * (day + one)) for place, one in zip(self.places, own, strict=True)}

    @property
    def setting(self) -> Setting:
        if not hasattr(self, "_setting"):
            self._setting = self._made()
        return self._setting

    def _made(self) -> Setting:
        rng, found = self.rng, self.bias
        bias = InstrumentBias(
            100.0 * rng.normal(found[0], self.bias_sd[0]),
            100.0 * self.bias_sd[0],
            rng.normal(found[1], self.bias_sd[1]),
            self.bias_sd[1],
            "invented",
        )
        before = None
        if self.before is not None:
            before = Before("the run before", 1.0, as_liquid(self.before, "the run before"))
        return Setting(
            run="R",
            sample="S",
            product="P",
            course=self._course(),
            noise=NOISE,
            coupled=self.told,
            before=before,
            house=tuple(HouseProduct(f"P{i}", usual(one)) for i, one in enumerate(self.house[1:])),
            instrument_bias=bias,
        )

    def _course(self) -> Expectation:
        if self.rng.random() < 0.5:
            return usual(self.product)
        seen = tuple(
            Observation(viscous, T, self._seen(viscous, T), HISTORY_SD[viscous])
            for viscous in (True, False)
            for T in TEMPERATURES
        )
        return replace(usual(self.product), basis="history", observed=seen)

    def _seen(self, viscous: bool, T: float) -> float:
        true = math.log(self.batch.viscosity(T)) if viscous else self.batch.density(T)
        return true + HISTORY_SD[viscous] * float(self.rng.standard_normal())


def usual(product: Oil) -> Expectation:
    """The typical values of a product."""
    s_40, s_100 = SPREADS["viscosity"]
    thick = (Node(40.0, math.log(product.at_40), s_40), Node(100.0, math.log(product.at_100), s_100))
    sd_100 = math.hypot(SPREADS["density"], 60.0 * SPREADS["slope"])
    heavy = (Node(40.0, product.density(40.0), SPREADS["density"]), Node(100.0, product.density(100.0), sd_100))
    together = SPREADS["density"] / sd_100
    return Expectation(
        "typical", "typical values of P", Course(thick, 0.95), Course(heavy, together), "lubricating oil"
    )


def as_liquid(oil: Oil, name: str) -> Liquid:
    return Liquid(
        name,
        tuple((T, oil.viscosity(T)) for T in TEMPERATURES),
        tuple((T, oil.density(T)) for T in TEMPERATURES),
    )


def printed(value: float) -> float:
    """Five digits, as an export prints them."""
    return float(f"{value:.5g}")


def gas_oil(rng: np.random.Generator) -> Oil:
    at_40 = float(rng.uniform(2.2, 4.0))
    return Oil(at_40, at_40**0.62 * 0.61, float(rng.uniform(805.0, 828.0)), -0.70)


# --- What can be done to a run: each returns the values of every fill and temperature ---

Fault = Callable[[Bench, float, np.random.Generator], Values]


def mixed(own: tuple[float, float], other: tuple[float, float], share: float, between: float) -> list[float]:
    """Volumes add; viscosity between the logarithmic (0) and the double-log rule (1)."""
    plain = math.log(own[0]) + share * (math.log(other[0]) - math.log(own[0]))
    W = [math.log(math.log(one + 0.7 + math.exp(-1.47 - 1.84 * one - 0.51 * one**2))) for one in (own[0], other[0])]
    double = math.log(math.exp(math.exp(W[0] + share * (W[1] - W[0]))) - 0.7)
    return [math.exp((1.0 - between) * plain + between * double), own[1] + share * (other[1] - own[1])]


def too_warm(bench: Bench, size: float, rng: np.random.Generator) -> Values:
    sign = 1.0 if rng.random() < 0.5 else -1.0
    draw = rng.random()
    where = TEMPERATURES if draw < 0.3 else (TEMPERATURES[0],) if draw < 0.65 else (TEMPERATURES[1],)
    values = bench.clean()
    for fill, T in bench.places:
        if T in where:
            true = T + sign * size
            values[fill, T] = [bench.batch.viscosity(true), bench.batch.density(true)]
    return values


def air(bench: Bench, size: float, rng: np.random.Generator) -> Values:
    places = [[place] for place in bench.places]
    places += [[place for place in bench.places if place[0] == fill] for fill in range(1, bench.fills + 1)]
    if bench.fills > 1:
        places.append([place for place in bench.places if place[1] == TEMPERATURES[1]])
    values = bench.clean()
    for place in places[int(rng.integers(len(places)))]:
        viscosity, density = values[place]
        light = (1.0 - size) * density + size * 1.1
        values[place] = [viscosity * density / light if bench.coupled else viscosity, light]
    return values


def from_before(bench: Bench, size: float, rng: np.random.Generator) -> Values:
    assert bench.before is not None
    return _got_in(bench, bench.before, size, rng, first_only=rng.random() < 0.5, left=1.0)


def thinner(bench: Bench, size: float, rng: np.random.Generator) -> Values:
    at_40, density = float(rng.uniform(0.45, 0.65)), float(rng.uniform(660.0, 860.0))
    liquid = Oil(at_40, 0.62 * at_40, density, -0.9)
    return _got_in(bench, liquid, size, rng, first_only=rng.random() < 0.5, left=float(rng.uniform(0.0, 0.6)))


def fuel(bench: Bench, size: float, rng: np.random.Generator) -> Values:
    return _got_in(bench, gas_oil(rng), size, rng, first_only=False, left=1.0)


def _got_in(
    bench: Bench, liquid: Oil, size: float, rng: np.random.Generator, *, first_only: bool, left: float
) -> Values:
    values, between = bench.clean(), float(rng.random())
    for fill, T in bench.places:
        if fill == 1 or not first_only:
            share = min(size, 0.9) * (1.0 if TEMPERATURES[0] == T else left)
            own = (values[fill, T][0], values[fill, T][1])
            values[fill, T] = mixed(own, (liquid.viscosity(T), liquid.density(T)), share, between)
    return values


def wet(bench: Bench, size: float, rng: np.random.Generator) -> Values:
    values, left = bench.clean(), float(rng.choice([0.0, 0.5, 1.0]))
    for (_, T), pair in values.items():
        share, (water, thin) = size * (1.0 if T == 40.0 else left), {40.0: (992.2, 0.653), 100.0: (958.4, 0.282)}[T]
        dynamic = pair[0] * pair[1] * 1e-3
        drop = thin / dynamic
        thick = dynamic * (1.0 + share * (1.0 + 2.5 * drop) / (1.0 + drop))
        pair[1] = (1.0 - share) * pair[1] + share * water
        pair[0] = thick / pair[1] * 1e3
    return values


def off(bench: Bench, size: float, rng: np.random.Generator) -> Values:
    """A bias that the reference oils see as well."""
    bench.bias = (0.005 * float(rng.standard_normal()), 0.3 * float(rng.standard_normal()))
    return {
        place: [pair[0] * math.exp(bench.bias[0]), pair[1] + bench.bias[1]] for place, pair in bench.clean().items()
    }


def swapped(bench: Bench, size: float, rng: np.random.Generator) -> Values:
    other = bench._batch(bench.house[int(rng.integers(1, len(bench.house)))])
    return {(fill, T): [other.viscosity(T), other.density(T)] for fill, T in bench.places}


def changed(bench: Bench, size: float, rng: np.random.Generator) -> Values:
    common, own = rng.standard_normal(), rng.standard_normal(2)
    thick = 0.06 * (math.sqrt(0.9) * common + math.sqrt(0.1) * own)
    heavy = 2.0 * float(rng.standard_normal())
    return {
        (fill, T): [pair[0] * math.exp(thick[TEMPERATURES.index(T)]), pair[1] + heavy]
        for (fill, T), pair in bench.clean().items()
    }


def slipped(bench: Bench, size: float, rng: np.random.Generator) -> Values:
    values = bench.clean()
    place = bench.places[int(rng.integers(len(bench.places)))]
    draw = rng.random()
    if draw < 0.3:
        values[place][0] *= values[place][1] / 1000.0
    elif draw < 0.45:
        values[place][0] *= float(rng.choice([10.0, 0.1, 100.0, 0.01, 1000.0, 0.001]))
    elif draw < 0.6:
        number = int(rng.integers(2))
        cold, hot = (place[0], TEMPERATURES[0]), (place[0], TEMPERATURES[1])
        values[cold][number], values[hot][number] = values[hot][number], values[cold][number]
    else:
        number = int(rng.integers(2))
        values[place][number] = exchanged(values[place][number], rng)
    return values


def exchanged(value: float, rng: np.random.Generator) -> float:
    """Two neighbouring digits of five exchanged."""
    signs = list(f"{value:#.5g}")
    places = [place for place, sign in enumerate(signs) if sign.isdigit()]
    pairs = list(itertools.pairwise(places))
    first, second = pairs[int(rng.integers(len(pairs)))]
    signs[first], signs[second] = signs[second], signs[first]
    return max(float("".join(signs)), 0.1)


def untouched(bench: Bench, size: float, rng: np.random.Generator) -> Values:
    return bench.clean()


FAULTS: dict[str, Fault] = {
    "noise": untouched,
    "cell temperature": too_warm,
    "air bubble": air,
    "residue": from_before,
    "solvent": thinner,
    "dilution": fuel,
    "water": wet,
    "instrument bias": off,
    "another product": swapped,
    "slip": slipped,
    "changed": changed,
}
WITHOUT_SIZE = ("noise", "instrument bias", "another product", "slip", "changed")


def size_of(cause: str, rng: np.random.Generator) -> float:
    scale = CAUSES[cause].scale
    return math.nan if scale is None else scale.median * scale.factor ** float(rng.standard_normal())


# --- Cases ---


def draw(cause: str, rng: np.random.Generator, sizes: tuple[float, float] | None = SIZES) -> Case:
    """Draw a run with a cause; with ``sizes`` as often as it takes until the fault is as large as that."""
    while True:
        bench = Bench(rng)
        if cause == "residue" and bench.before is None:
            continue
        values = FAULTS[cause](bench, size_of(cause, rng), rng)
        evidence = bench.evidence(values)
        shift = scaled(evidence, values, bench) - scaled(evidence, bench.clean(), bench)
        factor = np.linalg.cholesky(evidence.spread + evidence.error)
        length = float(np.linalg.norm(np.linalg.solve(factor, shift)))
        if sizes is None or cause in WITHOUT_SIZE or sizes[0] <= length <= sizes[1]:
            return Case(bench, evidence, cause, values, shift)


def scaled(evidence: Evidence, values: Values, bench: Bench) -> Array:
    return np.array(
        [
            math.log(values[row.replicate, row.temperature_C][0])
            if row.quantity == "kinematic viscosity"
            else values[row.replicate, row.temperature_C][1]
            for row in evidence.rows
        ]
    )


RIVAL_DRAWS, RIVAL_SIZES = 10, np.linspace(-3.0, 3.0, 7)


def nearest_rival(case: Case) -> float:
    """Distance of what was done from the nearest that any rival could have done to this run, any size of it.

    A free change of the sample explains everything, so that is not asked for; nor is a bias beyond what the reference
    oils of the run allow.
    """
    bench, evidence, rng = case.bench, case.evidence, np.random.default_rng(7)
    factor = np.linalg.cholesky(evidence.spread + evidence.error)
    white, clean = np.linalg.solve(factor, case.shift), scaled(evidence, bench.clean(), bench)
    nearest = math.inf if case.cause == "noise" else float(np.linalg.norm(white))
    for rival in FAULTS:
        if rival in (case.cause, "noise", "changed") or (rival == "residue" and bench.before is None):
            continue
        for nodes in rival_paths(rival, case, clean, rng):
            nearest = min(nearest, to_polyline(white, np.linalg.solve(factor, nodes.T).T))
    return nearest


def rival_paths(rival: str, case: Case, clean: Array, rng: np.random.Generator) -> Iterator[Array]:
    """What a rival would have done at several sizes, in one place after another."""
    bench, evidence, scale = case.bench, case.evidence, CAUSES[rival].scale
    for _ in range(RIVAL_DRAWS):
        if rival == "instrument bias":
            yield _told_bias(evidence, rng)[np.newaxis]
            continue
        sizes = [math.nan] if scale is None else (scale.median * scale.factor**RIVAL_SIZES).tolist()
        start = int(rng.integers(2**31))  # the same place at every size
        made = [FAULTS[rival](bench, size, np.random.default_rng(start)) for size in sizes]
        yield np.array([scaled(evidence, values, bench) for values in made]) - clean


def _told_bias(evidence: Evidence, rng: np.random.Generator) -> Array:
    bias = evidence.instrument_bias
    assert bias is not None
    viscosity = rng.normal(bias.viscosity_percent, bias.viscosity_sd) / 100.0
    density = rng.normal(bias.density_kg_m3, bias.density_sd)
    return np.where(evidence.viscous, viscosity, density)


def to_polyline(point: Array, nodes: Array) -> float:
    """Distance of a point from a chain of straight pieces."""
    if len(nodes) == 1:
        return float(np.linalg.norm(point - nodes[0]))
    d, u = np.diff(nodes, axis=0), point - nodes[:-1]
    share = np.clip((u * d).sum(axis=1) / np.maximum((d * d).sum(axis=1), 1e-300), 0.0, 1.0)
    return float(np.linalg.norm(u - share[:, np.newaxis] * d, axis=1).min())


def cases(number: int, odds: Mapping[str, float], seed: int, sizes: tuple[float, float] | None = SIZES) -> list[Case]:
    """Draw cases, each cause as often as the odds say."""
    rng = np.random.default_rng(seed)
    names, shares = list(odds), np.array(list(odds.values()))
    return [draw(str(cause), rng, sizes) for cause in rng.choice(names, size=number, p=shares / shares.sum())]


def weighed(found: Sequence[Case], odds: Mapping[str, float]) -> list[Weighed]:
    """Weigh all cases, those of one layout together."""
    groups: dict[tuple[object, ...], list[int]] = {}
    for number, case in enumerate(found):
        one = case.evidence
        groups.setdefault((len(one.rows), one.coupled, one.before is None), []).append(number)
    parts = [numbers[first : first + 100] for numbers in groups.values() for first in range(0, len(numbers), 100)]
    results: dict[int, Weighed] = {}
    for numbers in parts:
        results |= zip(numbers, weigh_alike([found[n].evidence for n in numbers], odds), strict=True)
    return [results[number] for number in range(len(found))]


EVEN = dict.fromkeys(FAULTS, 1.0)
"""Every cause as likely as every other."""


def confusion(found: Sequence[Case], results: Sequence[Weighed]) -> dict[str, dict[str, int]]:
    """Count the leading cause by the true one."""
    table: dict[str, dict[str, int]] = {cause: dict.fromkeys(FAULTS, 0) for cause in FAULTS}
    for case, result in zip(found, results, strict=True):
        table[case.cause][result.leading] += 1
    return table


def reliability(found: Sequence[Case], results: Sequence[Weighed]) -> Iterator[tuple[float, float, int]]:
    """Stated probability, share that was true, and number of statements in each tenth."""
    stated = np.array([p for result in results for p in result.probabilities.values()])
    true = np.array(
        [one == case.cause for case, result in zip(found, results, strict=True) for one in result.probabilities]
    )
    tenth = np.minimum((10.0 * stated).astype(int), 9)
    for number in range(10):
        here = tenth == number
        if here.any():
            yield float(stated[here].mean()), float(true[here].mean()), int(here.sum())


def main() -> None:
    """Print the confusion tables, the calibration, and what happens to good runs."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=2200, metavar="N", help="cases in the tables; default 2200")
    number = parser.parse_args().cases
    found = cases(number, EVEN, seed=1)
    pairs = list(zip(found, weighed(found, EVEN), strict=True))
    print_confusion("every case", pairs)
    print_confusion("distinguishable cases", [(case, result) for case, result in pairs if case.apart >= APART])
    found = cases(4 * number, EVEN, seed=2, sizes=None)
    print("\nstated probability, share that was true, statements")
    for stated, true, count in reliability(found, weighed(found, EVEN)):
        print(f"{stated:.3f} {true:.3f} {count}")
    good = [one.probabilities["noise"] for one in weighed(cases(4 * number, {"noise": 1.0}, seed=3), PRIOR_ODDS)]
    print(
        f"\nprobability of noise in {len(good)} good runs: below 0.5 in {np.mean(np.array(good) < 0.5):.4f}, ", end=""
    )
    print(f"below 0.05 in {np.mean(np.array(good) < 0.05):.4f} of them")


def print_confusion(title: str, pairs: Sequence[tuple[Case, Weighed]]) -> None:
    """Print the leading cause by the true one, in per cent of the true one's cases."""
    print(f"\n{title}: true cause in the rows, leading cause in the columns, per cent of the row")
    print(" " * 17 + "".join(f"{cause.split()[-1][:8]:>9}" for cause in FAULTS) + "    cases")
    for cause, counts in confusion([case for case, _ in pairs], [result for _, result in pairs]).items():
        total = sum(counts.values())
        if total:
            print(f"{cause:17}" + "".join(f"{100.0 * count / total:9.0f}" for count in counts.values()) + f"{total:9}")
    print(f"first: {share_within(pairs, 1):.3f}, among the first two: {share_within(pairs, 2):.3f}")


def share_within(pairs: Sequence[tuple[Case, Weighed]], places: int) -> float:
    """Share of the cases whose cause is among the first."""
    return float(np.mean([case.cause in list(result.probabilities)[:places] for case, result in pairs]))


if __name__ == "__main__":
    main()
