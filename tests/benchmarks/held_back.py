"""How often is a good run held back, and a faulty one released? ``python -m tests.benchmarks.held_back [--labs N]``.

Laboratories of invented oils run for 12 weeks on one instrument, by physics of its own: Vogel's viscosity, exponential
expansion, noise of fills, days and batches; nothing stays in the cell. In half of the faulty runs every result of what
the fault touches is moved, in the other half one fill: by 4 to 12 standard deviations of what a good run scatters.
"""

from __future__ import annotations

import argparse
import csv
import math
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from labcalc.judgement import Judgement, gather, judge

WEEKS, FIRST_JUDGED_WEEK, SAMPLES_A_DAY = 12, 5, 8
HEAD = """Run,Sample,Lot,Instrument,Operator,Measured at,Repeat,Temperature (°C),Kinematic viscosity (mm²/s),\
Density (kg/m³)""".split(",")  # noqa: SIM905
AGAIN = 0.2
"""Share of the runs whose sample was run before."""
SIZES = 4.0, 12.0


@dataclass(frozen=True)
class Oil:
    """What a bottle holds: viscosity at 40 °C [mm²/s], Vogel's constant [K], density at 40 °C and its fall a kelvin."""

    name: str
    nu_40: float
    steep: float
    rho_40: float
    fall: float = 0.64

    def at(self, t: float) -> tuple[float, float]:
        nu = self.nu_40 * math.exp(self.steep * (1.0 / (t + 100.0) - 1.0 / 140.0))
        return nu, self.rho_40 * math.exp(-self.fall / self.rho_40 * (t - 40.0))


PRODUCTS = (
    Oil("Spindle oil", 15.0, 640.0, 848.0),
    Oil("Turbine oil", 46.0, 830.0, 858.0),
    Oil("Gear base", 220.0, 1030.0, 874.0),
    Oil("Press oil", 68.0, 880.0, 865.0),
)
REFERENCES = Oil("REF-A", 22.0, 700.0, 842.0), Oil("REF-B", 150.0, 980.0, 869.0)


@dataclass(frozen=True)
class Noise:
    """Standard deviations: relative of viscosity [-], and of density [kg/m³]."""

    fill: tuple[float, float] = (0.0010, 0.03)
    day: tuple[float, float] = (0.0007, 0.02)
    batch: tuple[float, float] = (0.011, 0.7)
    index: float = 0.003
    """Of ln ν at 100 °C beside that at 40 °C between batches."""


Bottle = tuple[Oil, str, np.ndarray]
"""What it holds, its name, and how it differs from its product at both temperatures."""

Fault = Callable[[np.ndarray, float, np.random.Generator], None]
"""Moves the results [fill, temperature, quantity], given as standard deviations, by a size."""


def _one_fill(seen: np.ndarray, size: float, rng: np.random.Generator) -> None:
    seen[rng.integers(2), :, rng.integers(2)] += size * rng.choice((-1.0, 1.0))


def _whole_quantity(seen: np.ndarray, size: float, rng: np.random.Generator) -> None:
    seen[:, :, rng.integers(2)] += size * rng.choice((-1.0, 1.0))


FAULTS: dict[str, Fault] = {"one fill moved": _one_fill, "one quantity moved": _whole_quantity}


@dataclass
class Laboratory:
    """One simulated laboratory in a folder: lab.toml and one export."""

    folder: Path
    rng: np.random.Generator
    noise: Noise = field(default_factory=Noise)
    faulty: float = 0.0
    """Share of the runs of samples that are faulty, [-]."""
    faults: dict[str, str] = field(default_factory=dict)
    judged: list[str] = field(default_factory=list)
    bottles: list[Bottle] = field(default_factory=list)

    def settings(self) -> str:
        text = ['[laboratory]\nname = "Simulated"\ntime_zone = "UTC"\nearlier_exports = ["*.csv"]\n']
        text += ['[[instrument]]\nname = "V"\n[control]\nbaseline = [{ from = 2026-01-01, to = 2026-01-31 }]\n']
        for oil in REFERENCES:
            values = "".join(
                f'  {{ quantity = "{name}", temperature_C = {t}, value = {value:.5g}, '
                f"expanded_uncertainty = {u:.3g} }},\n"
                for t in (40, 100)
                for name, value, u in zip(
                    ("kinematic viscosity", "density"), oil.at(t), (0.0016 * oil.at(t)[0], 0.06), strict=True
                )
            )
            text.append(
                f'[[reference]]\nname = "{oil.name}"\nsamples = ["{oil.name}"]\n[[reference.lot]]\nlot = "1"\n'
                f"valid_from = 2025-01-01\nvalid_to = 2028-01-01\ncertified = [\n{values}]\n"
            )
        text += [self._product(oil) for oil in PRODUCTS]
        return "\n".join(text)

    def _product(self, oil: Oil) -> str:
        lines = []
        for t in (40, 100):
            nu, rho = oil.at(t)
            sds = math.hypot(self.noise.batch[0], self.noise.index if t == 100 else 0.0) * nu, self.noise.batch[1]
            lines += [
                f'  {{ quantity = "{name}", temperature_C = {t}, mean = {mean:.6g}, standard_deviation = {sd:.3g} }},\n'
                for name, mean, sd in zip(("kinematic viscosity", "density"), (nu, rho), sds, strict=True)
            ]
        low, high = 0.9 * oil.nu_40, 1.1 * oil.nu_40
        return (
            f'[[product]]\nname = "{oil.name}"\nsamples = ["{oil.name[:3]}-*"]\nprecision_class = "base oils"\n'
            f'limit = [{{ quantity = "kinematic viscosity", temperature_C = 40, lowest = {low:.1f}, '
            f"highest = {high:.1f}, decimals = 1 }}]\ntypical = [\n{''.join(lines)}]\n"
        )

    def runs(self) -> Iterator[list[str]]:
        number, start = 0, datetime(2026, 1, 5, 8, tzinfo=UTC)
        for day in (start + timedelta(days=7 * w + d) for w in range(WEEKS) for d in range(5)):
            of_day = self.rng.normal(0.0, self.noise.day)
            todo = [(oil, True) for oil in REFERENCES]
            todo += [(PRODUCTS[i], False) for i in self.rng.integers(0, len(PRODUCTS), SAMPLES_A_DAY)]
            for place, (oil, is_reference) in enumerate(todo):
                number += 1
                run, when = f"R{number:05}", day + timedelta(minutes=50 * place)
                late = (day - start).days >= 7 * FIRST_JUDGED_WEEK
                if late and not is_reference:
                    self.judged.append(run)
                bottle = (oil, oil.name, np.zeros((2, 2))) if is_reference else self._bottle(oil, run)
                yield from self._rows(run, when, bottle, is_reference, of_day, late)

    def _bottle(self, oil: Oil, run: str) -> Bottle:
        """A new bottle, or one of the last twenty once more."""
        if self.bottles and self.rng.random() < AGAIN:
            return self.bottles[-int(self.rng.integers(1, min(20, len(self.bottles)) + 1))]
        thick, heavy, index = self.rng.standard_normal(3)
        shift = np.array([[thick, heavy], [thick, heavy]]) * self.noise.batch
        shift[1, 0] += index * self.noise.index
        self.bottles.append((oil, f"{oil.name[:3]}-{run[1:]}", shift))
        return self.bottles[-1]

    def _rows(
        self, run: str, when: datetime, bottle: Bottle, is_reference: bool, of_day: np.ndarray, late: bool
    ) -> Iterator[list[str]]:
        oil, sample, shift = bottle
        seen = self.rng.standard_normal((2, 2, 2)) * self.noise.fill + of_day + shift
        if late and not is_reference and self.rng.random() < self.faulty:
            self.faults[run] = kind = str(self.rng.choice([*FAULTS]))
            moved = np.zeros((2, 2, 2))
            FAULTS[kind](moved, float(self.rng.uniform(*SIZES)), self.rng)
            good = np.hypot(self.noise.fill, self.noise.day)
            seen += moved * (good if kind == "one fill moved" else np.hypot(good, self.noise.batch))
        for fill in (0, 1):
            for at, t in enumerate((40, 100)):
                nu, rho = oil.at(t)
                nu, rho = nu * math.exp(seen[fill, at, 0]), rho + seen[fill, at, 1]
                moment = when + timedelta(minutes=12 * fill + 5 * at)
                lot = "1" if is_reference else sample
                yield [run, sample, lot, "V", "A", f"{moment:%Y-%m-%d %H:%M}", str(fill + 1), str(t), f"{nu:.5g}",
                       f"{rho:.2f}"]  # fmt: skip

    def judgements(self) -> Iterator[tuple[str, Judgement]]:
        (self.folder / "lab.toml").write_text(self.settings(), encoding="utf-8")
        with (self.folder / "runs.csv").open("w", encoding="utf-8", newline="") as file:
            csv.writer(file).writerows([HEAD, *self.runs()])
        material = gather([self.folder / "runs.csv"], self.folder / "lab.toml")
        assert not material.reading.refusals
        for run in self.judged:
            yield run, judge(material.dossier(run))


@dataclass
class Counts:
    """What became of good and of faulty runs."""

    good: int = 0
    held: int = 0
    by_check: Counter[str] = field(default_factory=Counter)
    faulty: Counter[str] = field(default_factory=Counter)
    released: Counter[str] = field(default_factory=Counter)


def simulated(labs: int, seed: int, noise: Noise, faulty: float = 0.0) -> Counts:
    """Judge the runs of some laboratories."""
    counts = Counts()
    for number in range(labs):
        with tempfile.TemporaryDirectory() as folder:
            lab = Laboratory(Path(folder), np.random.default_rng((seed, number)), noise, faulty)
            for run, found in lab.judgements():
                if run in lab.faults:
                    counts.faulty[lab.faults[run]] += 1
                    counts.released[lab.faults[run]] += found.rank == 0
                    continue
                counts.good += 1
                counts.held += found.rank > 0
                counts.by_check.update(
                    {one.name.split(":")[0] for one in found.checks if one.state in ("doubtful", "not met")}
                )
    return counts


def main() -> None:
    """Print both shares, and which checks hold good runs back."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--labs", type=int, default=6)
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--faulty", type=float, default=0.0)
    words.add_argument("--fill", type=float, nargs=2, default=Noise.fill)
    asked = words.parse_args()
    noise = Noise(fill=tuple(asked.fill))
    found = simulated(asked.labs, asked.seed, noise, asked.faulty)
    print(f"{found.held} of {found.good} good runs held back: {found.held / found.good:.1%}, limit 8 %")
    for name, times in found.by_check.most_common():
        print(f"  {name}: {times / found.good:.1%}")
    for kind, number in found.faulty.items():
        print(f"{kind}: {found.released[kind]} of {number} released: {found.released[kind] / number:.1%}, limit 2 %")


if __name__ == "__main__":
    main()
