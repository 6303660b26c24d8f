"""The results of a run, the line through its viscosities, and what is calculated from them with its uncertainty."""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.errors import OutOfRangeError
from labcalc.formulae import (
    ViscosityTemperatureLine,
    edition_of,
    estimate_viscosity_temperature,
    fit_viscosity_temperature,
    line_model_uncertainty,
    reported_viscosity_index,
)
from labcalc.judgement.certificates import UNITS
from labcalc.judgement.record.repeats import Agreement
from labcalc.judgement.uncertainty.effects import Effect, Uncertain, by_component, carried, varied
from labcalc.showing import Shown
from labcalc.wording import at_celsius, numeral


@dataclass(frozen=True)
class Result(Uncertain):
    """One quantity of a run at one temperature: what its repeats give, how well they agree, and its uncertainty."""

    quantity: str
    temperature_C: float
    value: float
    repeats: tuple[float, ...]  # the single determinations behind the value, in file order
    follows: bool  # true where it was not measured but follows from the two others (ν = η/ρ)
    agreement: Agreement  # whether the repeats agree, and the precision statement in force
    rule: str = "mean"  # what the value is of the repeats: ``mean`` or ``median``

    @property
    def unit(self) -> str:
        """Unit of the value."""
        return UNITS[self.quantity]

    @property
    def place(self) -> str:
        """The quantity with its temperature."""
        return at_celsius(self.quantity, self.temperature_C)

    @property
    def name(self) -> str:
        """The same as it begins a line."""
        return f"{self.place[0].upper()}{self.place[1:]}"

    @property
    def reported(self) -> str:
        """The value as it is reported, without unit."""
        return reported_value(self.quantity, self.value)


_COMMON = ("reference oil", "adjustment")
"""Components that move all temperatures of a run alike, and so say nothing about the weight of one of them."""


@dataclass(frozen=True, eq=False)
class LineThrough:
    """The function from kinematic viscosities at a run's temperatures, last axis, to the line through them.

    Three and more count with the weight of their own uncertainty where it is known, else alike.
    """

    temperature_C: tuple[float, ...]
    percent: NDArray[np.float64]
    """Standard uncertainty of each viscosity that the others don't share, [%]; NaN where unknown."""
    _fitted: dict[bytes, ViscosityTemperatureLine] = field(default_factory=dict, repr=False)
    """What was asked before: index, grades and temperatures all ask for the same lines."""

    def __call__(self, viscosities: ArrayLike) -> ViscosityTemperatureLine:
        asked = np.ascontiguousarray(viscosities, dtype=float)
        key = repr(asked.shape).encode() + asked.tobytes()
        if key not in self._fitted:
            self._fitted[key] = self._fit(asked)
        return self._fitted[key]

    def departure_percent(
        self, temperature_C: ArrayLike, viscosities: ArrayLike, liquid: str | None
    ) -> NDArray[np.float64]:
        """Return the standard uncertainty of the line because oils of a kind bend away from it, [%]."""
        return line_model_uncertainty(temperature_C, self.temperature_C, viscosities, self._weights, liquid=liquid)

    @property
    def _weights(self) -> NDArray[np.float64] | None:
        return self.percent if len(self.temperature_C) > 2 and np.all(self.percent > 0.0) else None

    def _fit(self, viscosities: NDArray[np.float64]) -> ViscosityTemperatureLine:
        if self._weights is None:
            return fit_viscosity_temperature(self.temperature_C, viscosities)
        return estimate_viscosity_temperature(self.temperature_C, viscosities, self._weights).line


class Results(Shown, tuple[Result, ...]):
    """The results of a run, by temperature, then viscosity before density; and the line through its viscosities."""

    def facts(self) -> Iterator[tuple[str, str]]:
        """Return what is shown of it, each fact with its name."""
        for one in self:
            uncertainty = numeral(one.expanded_uncertainty, unknown="unknown")
            yield one.name, f"{reported_value(one.quantity, one.value)} ± {uncertainty} {one.unit}"

    def of(self, quantity: str, temperature_C: float) -> Result | None:
        """Return the result of a quantity at a temperature, [°C], or None."""
        return self._by_place.get((quantity, round(temperature_C, 1)))

    @cached_property
    def _by_place(self) -> dict[tuple[str, float], Result]:
        return {(r.quantity, r.temperature_C): r for r in self}

    @cached_property
    def independent(self) -> tuple[Result, ...]:
        """All but a dynamic viscosity beside a kinematic one: that follows from it."""
        kinematic = {r.temperature_C for r in self.viscosities}
        return tuple(r for r in self if r.quantity != "dynamic viscosity" or r.temperature_C not in kinematic)

    @cached_property
    def viscosities(self) -> tuple[Result, ...]:
        """The kinematic viscosities, by temperature."""
        return tuple(r for r in self if r.quantity == "kinematic viscosity")

    @cached_property
    def densities(self) -> tuple[Result, ...]:
        """The densities, by temperature."""
        return tuple(r for r in self if r.quantity == "density")

    @cached_property
    def line_through(self) -> LineThrough:
        """The function from kinematic viscosities, at two temperatures or more, to the line through them."""
        own = [[u for name, u in by_component(r.effects).items() if name not in _COMMON] for r in self.viscosities]
        percent = [100.0 * float(np.hypot.reduce(u)) / r.value for u, r in zip(own, self.viscosities, strict=True)]
        return LineThrough(tuple(r.temperature_C for r in self.viscosities), np.array(percent))


def reported_value(quantity: str, value: float) -> str:
    """Round as the methods say: viscosity to four figures, density to 0.1 kg/m³, an index to a whole number.

    Viscosity: ISO 3104:1994, clause 13, and ASTM D445. Density: ISO 12185:1996, clause 11. Index: ASTM D2270, 7.1.
    """
    if np.isinf(value):
        return numeral(np.nan)
    if quantity == "density":
        return numeral(value, 1)
    if quantity == "viscosity index":
        return numeral(float(reported_viscosity_index(value)), 0)
    return numeral(value, figures=4)


@dataclass(frozen=True)
class Consequence(Uncertain):
    """A quantity that was calculated from the results, by a published method."""

    name: str
    value: float  # NaN where it is a word or could not be calculated
    reported: str
    unit: str
    standard: str
    note: str = ""


def missing(name: str, unit: str, standard: str, why: str) -> Consequence:
    """Return a quantity that can't be calculated, with the reason as its note."""
    return Consequence(name, math.nan, "–", unit, standard, why)


def calculated(
    name: str,
    formula: str,
    function: Callable[..., ArrayLike],
    asked: Sequence[Result | Consequence | None],
    report: Callable[[float], str],
    unit: str = "",
    note: str = "",
    needs: str = "",
) -> Consequence:
    """Evaluate a function of results and carry their uncertainty; a refusal, or what it needs, becomes the note.

    formula : Whose edition is told, as ``labcalc.formulae`` names it.
    asked : What the function takes; None where the run doesn't give it.
    """
    standard = edition_of(formula)
    inputs = [one for one in asked if one is not None]
    if len(inputs) < len(asked):
        return missing(name, unit, standard, needs)
    if refused := [one.note for one in inputs if isinstance(one, Consequence) and math.isnan(one.value)]:
        return missing(name, unit, standard, refused[0])
    values, effects = [one.value for one in inputs], [one.effects for one in inputs]
    try:
        outcomes = np.asarray(function(*varied(values)))
        value, known = float(outcomes[0]), carried(outcomes, values, effects)
    except OutOfRangeError as beyond:  # of a value at the very end of the range: beyond it there is no slope
        try:
            value = float(np.asarray(function(*values)))
        except OutOfRangeError as refusal:
            return missing(name, unit, standard, str(refusal))
        known = tuple(Effect.of(e.component, e.source.name, math.nan, str(beyond)) for one in effects for e in one)
    return Consequence(name, value, report(value), unit, standard, note, effects=known)


def taken_for_granted(component: str, name: str, relative: float, basis: str) -> Consequence:
    """Return a factor of 1 with the relative uncertainty of a rule that no oil follows exactly."""
    return Consequence(name, 1.0, "", "", "", effects=(Effect.of(component, name, 1.0, basis, relative),))
