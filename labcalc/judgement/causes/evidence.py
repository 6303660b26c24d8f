"""What the numbers of one run say beside what was expected: the evidence that causes are judged by."""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.errors import EvidenceError
from labcalc.judgement.causes.catalogue import Array, Mask
from labcalc.judgement.causes.expectation import Expectation, Liquid
from labcalc.judgement.causes.surroundings import Before, Determinations, InstrumentBias, Noise
from labcalc.judgement.certificates import SAME_TEMPERATURE_K
from labcalc.wording import at_celsius, plain

Offsets = tuple[tuple[float, float, float], ...]  # temperature [°C], how much too warm the cell is [K], and its sd
SAME_INSTRUMENT_CORRELATION = 0.2  # of the noise of two determinations on one instrument and day, [-]: our own choice


@dataclass(frozen=True)
class Kind:
    """A kind of measurement that can be made next."""

    effort: float  # what it has to gain more than a refill, which gives a wanted result, [-]: our own choice
    action: str  # what to do, with a place for what is measured


# all but ``same fill again`` and ``original record`` use a clean cell and a fill of their own
KINDS = {
    "refill and repeat": Kind(0.0, "clean and dry the cell, fill it again, and measure the {what}"),
    "same fill again": Kind(0.005, "measure the {what} once more with the same fill"),
    "reference oil": Kind(0.01, "measure the {what} of a reference oil on this instrument"),
    "another instrument": Kind(0.015, "measure the {what} on another instrument"),
    "retained sample": Kind(0.02, "measure the {what} of the retained sample, or of another bottle of the batch"),
    "original record": Kind(-0.06, "look up the {what} in the original record"),
}


@dataclass(frozen=True)
class HouseProduct:
    """Another product of the house, and what it usually shows."""

    name: str
    expectation: Expectation


@dataclass(frozen=True)
class ReferenceOil:
    """A reference oil in use: certified values and their standard uncertainties, each with its temperature in °C."""

    liquid: Liquid
    viscosity_sd: tuple[tuple[float, float], ...]  # temperature [°C] and relative standard uncertainty [-]
    density_sd: tuple[tuple[float, float], ...]  # temperature [°C] and standard uncertainty [kg/m³]


@dataclass(frozen=True)
class Row:
    """One quantity of one determination, in mm²/s or kg/m³."""

    quantity: str
    temperature_C: float
    replicate: int
    measured: float
    kind: str = "run"
    oil: str = ""  # the reference oil that was measured; empty: the sample


@dataclass(frozen=True, eq=False, kw_only=True)
class Setting:
    """Everything around the numbers of a run."""

    run: str
    sample: str
    product: str
    course: Expectation  # what was expected, at any temperature
    noise: Noise
    coupled: bool | None  # whether ν was computed from η and ρ, and follows ρ; None where the export doesn't tell
    before: Before | None = None
    house: tuple[HouseProduct, ...] = ()
    reference_oils: tuple[ReferenceOil, ...] = ()
    instrument_bias: InstrumentBias | None = None
    thermostats: int | None = None  # 1: one for both quantities; 2: one each; None where lab.toml doesn't say
    typed: bool | None = None  # whether people typed the values: slips are theirs; None where the export doesn't tell
    day: pd.DataFrame | None = None  # the other samples' runs of the day, with the product that each ought to be
    cell_offsets: Offsets = ()  # of the instrument that day, by its reference oils
    day_offsets: Offsets = ()  # the same by the samples that it measured earlier that day


@dataclass(frozen=True, eq=False, kw_only=True)
class Evidence(Setting):
    """The independent quantities of a run beside what was expected; arrays have one entry a quantity."""

    rows: tuple[Row, ...]
    measured: Array  # in mm²/s or kg/m³
    expected: Array  # in mm²/s or kg/m³
    expected_sd: Array  # spread of the expectation, in mm²/s or kg/m³
    noise_sd: Array  # standard deviation of one determination, in mm²/s or kg/m³
    mean: Array  # what was expected as ln ν or ρ
    spread: Array  # covariance of the expectation in ln ν and ρ, square
    quantity: tuple[str, ...]  # ``kinematic viscosity`` or ``density``
    kind: tuple[str, ...]  # ``run``, or one of ``KINDS`` for a measurement that was added
    temperature_C: Array  # in °C
    replicate: NDArray[np.int64]  # the fill, 1, 2, …; a measurement that was added has the next number
    viscous: Mask  # where the quantity is kinematic viscosity
    of_sample: Mask  # where the sample was measured, not a reference oil
    same_instrument: Mask  # where the run's own instrument was used
    of_run: Mask  # which rows are the run's own
    in_cell: Mask  # where the run's own fills were measured: what stays in the cell shows there, not in a clean one
    in_bottle: Mask  # where this bottle was measured: what is wrong with the sample shows there

    @cached_property
    def temperatures(self) -> list[float]:
        """The temperatures of the run itself, from cold to hot, [°C]."""
        return sorted(set(np.round(self.temperature_C[self.of_run], 1).tolist()))

    @cached_property
    def fills(self) -> list[int]:
        """The numbers of the run's own fills."""
        return sorted(set(self.replicate[self.of_run].tolist()))

    def near(self, temperature_C: float) -> Mask:
        """Return where a temperature was measured at."""
        return np.asarray(np.abs(self.temperature_C - temperature_C) <= 0.1)

    @cached_property
    def deviation(self) -> Array:
        """Measured less expected, in ln ν and ρ."""
        return np.where(self.viscous, np.log(self.measured), self.measured) - self.mean

    @cached_property
    def error(self) -> Array:
        """Covariance of the noise in ln ν and ρ, square."""
        single = np.where(self.viscous, self.noise.viscosity, self.noise.density)
        alike = (self.viscous[:, np.newaxis] == self.viscous) & np.outer(self.same_instrument, self.same_instrument)
        shares = np.where(alike, SAME_INSTRUMENT_CORRELATION, 0.0)
        np.fill_diagonal(shares, 1.0)
        return np.asarray(np.outer(single, single) * shares)

    @cached_property
    def telling_products(self) -> tuple[HouseProduct, ...]:
        """The other products of the house that tell both quantities of the run."""
        names = ["viscosity"] * bool(self.viscous.any()) + ["density"] * (not self.viscous.all())
        return tuple(one for one in self.house if all(getattr(one.expectation, name).nodes for name in names))

    @property
    def residual_sd(self) -> Array:
        """Deviation of each quantity in its standard deviations, noise and spread together, [-]."""
        return np.asarray(self.deviation / np.sqrt(np.diag(self.spread) + np.diag(self.error)))

    def in_units(self, scaled: Array) -> Array:
        """Return ln ν and ρ as mm²/s and kg/m³; the last axis holds the rows."""
        return np.where(self.viscous, np.exp(np.where(self.viscous, scaled, 0.0)), scaled)


def rows_of(found: Determinations) -> list[Row]:
    """Return a row for each measured kinematic viscosity and density."""
    columns = (column.tolist() for column in vars(found).values())
    return [
        Row(quantity, T, fill, value)
        for T, fill, *values in zip(*columns, strict=True)
        for quantity, value in zip(("kinematic viscosity", "density"), values, strict=True)
        if value > 0.0
    ]


def assembled(rows: Sequence[Row], setting: Setting) -> Evidence:
    """Put the rows of a run beside what was expected of them."""
    viscous = np.array([row.quantity == "kinematic viscosity" for row in rows])
    at = np.array([row.temperature_C for row in rows])
    of_sample, kinds = np.array([row.oil == "" for row in rows]), np.array([row.kind for row in rows])
    of_run = (kinds == "run") | (kinds == "original record")
    mean, spread = setting.course.moments(viscous, at)
    for place in np.flatnonzero(~of_sample).tolist():
        spread[place, :] = spread[:, place] = 0.0
        mean[place], spread[place, place] = _certified(rows[place], setting)
    expected = np.where(viscous, np.exp(np.where(viscous, mean, 0.0)), mean)
    scale = np.where(viscous, expected, 1.0)
    return Evidence(
        **{one.name: getattr(setting, one.name) for one in fields(Setting)},
        rows=tuple(rows),
        measured=np.array([row.measured for row in rows]),
        expected=expected,
        expected_sd=scale * np.sqrt(np.diag(spread)),
        noise_sd=scale * np.where(viscous, setting.noise.viscosity, setting.noise.density),
        mean=mean,
        spread=spread,
        quantity=tuple(row.quantity for row in rows),
        kind=tuple(row.kind for row in rows),
        temperature_C=at,
        replicate=np.array([row.replicate for row in rows], dtype=np.int64),
        viscous=viscous,
        of_sample=of_sample,
        same_instrument=kinds != "another instrument",
        of_run=of_run,
        in_cell=of_run | (kinds == "same fill again"),
        in_bottle=of_sample & (kinds != "retained sample"),
    )


def nearest_oil(evidence: Evidence, temperature_C: float) -> Liquid:
    """Return the reference oil nearest in viscosity to the sample."""
    liquids, at = [oil.liquid for oil in evidence.reference_oils], np.array([temperature_C])
    if not liquids:
        raise EvidenceError("no reference oil is known: lab.toml names none, or no certificate was valid on the day")
    if not evidence.course.viscosity.nodes:
        return liquids[0]
    own = evidence.course.moments(np.array([True]), at)[0]
    return liquids[int(np.argmin([np.abs(np.log(one.viscosity_at(at)) - own)[0] for one in liquids]))]


def _certified(row: Row, setting: Setting) -> tuple[float, float]:
    """Return ln ν or ρ of a reference oil and the variance of the certified value."""
    oil = next(one for one in setting.reference_oils if one.liquid.name == row.oil)
    viscous = row.quantity == "kinematic viscosity"
    values = oil.liquid.viscosities if viscous else oil.liquid.densities
    for (T, value), (_, sd) in zip(values, oil.viscosity_sd if viscous else oil.density_sd, strict=True):
        if abs(T - row.temperature_C) <= SAME_TEMPERATURE_K:
            return (float(np.log(value)) if viscous else value), sd**2
    what, known = at_celsius(row.quantity, row.temperature_C), ", ".join(plain(T) for T, _ in values) or "none"
    raise EvidenceError(f"{row.oil}: no certified {what}; certified temperatures [°C]: {known}")
