"""The results of a run and what is calculated from them, with their uncertainty by its sources.

Results that share a source (a certificate, the cell's temperature, an adjustment) are correlated by it. So sources are
carried through every calculation one by one, and summed only in the end.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc import formulae
from labcalc.errors import OutOfRangeError
from labcalc.formulae import ViscosityTemperatureLine
from labcalc.judgement.certificates import UNITS
from labcalc.judgement.record.repeats import Agreement
from labcalc.showing import Shown
from labcalc.statistics import InputQuantity, UncertaintyBudget, uncertainty_budget
from labcalc.wording import at_celsius, numeral

COMPONENTS = ("reference oil", "temperature", "repeatability", "resolution", "adjustment")  # in a report's order
FROM_CONTROL = ("site precision", "bias of checks")  # stand for all but the first, by checks in control
STATED = "stated"  # the one component where the laboratory states the uncertainty itself, from a study of its own
MODEL = "line or expansion"  # what is calculated has it too: no oil follows exactly the line or the expansion
CONFIDENCE = 0.95  # coverage probability: k = 1.96 where degrees of freedom are infinite (JCGM 100:2008, table G.2)
_STEP = 1e-6  # relative step of the central difference (JCGM 100:2008, 5.1.3 note 2)


@dataclass(frozen=True)
class Effect:
    """What one source of uncertainty does to one result; sources of one name are one, in however many results."""

    component: str  # one of ``COMPONENTS``, ``FROM_CONTROL``, ``STATED`` or ``MODEL``
    source: InputQuantity
    sensitivity: float  # change of the result for one unit of the source, [unit of the result / unit of the source]

    @classmethod
    def of(cls, component: str, name: str, size: float, source: str, sensitivity: float = 1.0, **more: Any) -> Effect:
        """Return what a source does; one of unknown size is NaN with its reason, never 0; ``more`` is its input's."""
        return cls(component, InputQuantity(name, 0.0, size, source=source, **more), sensitivity)

    @property
    def contribution(self) -> float:
        """Part of the result's standard uncertainty, signed, [unit of the result]; NaN where unknown."""
        return self.sensitivity * self.source.standard_uncertainty


@dataclass(frozen=True)
class Uncertain:
    """A quantity, by what each source of uncertainty does to it; nothing where there is nothing to carry."""

    effects: tuple[Effect, ...] = field(default=(), kw_only=True)

    @cached_property
    def budget(self) -> UncertaintyBudget:
        """The uncertainty by its sources, first order (JCGM 100:2008, G.4); NaN where one isn't known or none is."""
        if not self.effects:
            return UncertaintyBudget(*(math.nan,) * 4)
        degrees = [effect.source.degrees_of_freedom for effect in self.effects]
        return uncertainty_budget([effect.contribution for effect in self.effects], degrees, confidence=CONFIDENCE)

    @property
    def expanded_uncertainty(self) -> float:
        """Expanded uncertainty (95 %), in the unit of the value; NaN where unknown."""
        return self.budget.expanded_uncertainty


def varied(values: Sequence[float]) -> NDArray[np.float64]:
    """Return the points that tell a function's value and slopes: the values, each a little up, each a little down.
    One row an argument, 2 n + 1 columns: a formula takes them all at once."""
    point = np.asarray(values, dtype=float)[:, np.newaxis]
    step = np.diag(_STEP * np.abs(point[:, 0]))
    return np.hstack([point, point + step, point - step])


def carried(outcomes: ArrayLike, values: Sequence[float], effects: Sequence[Sequence[Effect]]) -> tuple[Effect, ...]:
    r"""Carry the sources of several results through a function of them; one that appears in several counts once.

    .. math:: \frac{\partial f}{\partial e_j} = \sum_i \frac{\partial f}{\partial x_i} \frac{\partial x_i}{\partial e_j}

    outcomes : The function at the points of ``varied``.
    values : The results, in the function's order; none of them 0.
    effects : The sources of each result.
    """
    number, found = len(values), np.asarray(outcomes, dtype=float)
    differences = found[1 : number + 1] - found[number + 1 :]
    slopes = (differences / (2.0 * _STEP * np.abs(np.asarray(values, dtype=float)))).tolist()
    totals: dict[str, Effect] = {}
    for slope, of_result in zip(slopes, effects, strict=True):
        for effect in of_result:
            name, before = effect.source.name, totals.get(effect.source.name)
            sensitivity = slope * effect.sensitivity + (before.sensitivity if before else 0.0)
            totals[name] = Effect(effect.component, effect.source, sensitivity)
    return tuple(totals.values())


def by_component(effects: Sequence[Effect]) -> Mapping[str, float]:
    """Return the standard uncertainty that each component contributes, [unit of the result]; its sources are added."""
    squares: dict[str, float] = {}
    for effect in effects:
        squares[effect.component] = squares.get(effect.component, 0.0) + effect.contribution**2
    return {component: math.sqrt(square) for component, square in squares.items()}


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


@dataclass(frozen=True, eq=False)
class LineThrough:
    """The function from kinematic viscosities at a run's temperatures, last axis, to the line through them.
    Three and more count with the weight of their own uncertainty where it is known, else alike."""

    temperature_C: tuple[float, ...]
    percent: NDArray[np.float64]  # standard uncertainty of each that the others don't share, [%]; NaN where unknown
    _fitted: dict[bytes, ViscosityTemperatureLine] = field(default_factory=dict, repr=False)  # what was asked before

    def __call__(self, viscosities: ArrayLike) -> ViscosityTemperatureLine:
        asked = np.ascontiguousarray(viscosities, dtype=float)
        key = repr(asked.shape).encode() + asked.tobytes()
        if key not in self._fitted:
            self._fitted[key] = self._fit(asked)
        return self._fitted[key]

    def departure_percent(self, at_C: ArrayLike, viscosities: ArrayLike, liquid: str | None) -> NDArray[np.float64]:
        """Return the standard uncertainty of the line because oils of a kind bend away from it, [%]."""
        return formulae.line_model_uncertainty(at_C, self.temperature_C, viscosities, self._weights, liquid=liquid)

    @property
    def _weights(self) -> NDArray[np.float64] | None:
        return self.percent if len(self.temperature_C) > 2 and np.all(self.percent > 0.0) else None

    def _fit(self, viscosities: NDArray[np.float64]) -> ViscosityTemperatureLine:
        if self._weights is None:
            return formulae.fit_viscosity_temperature(self.temperature_C, viscosities)
        return formulae.estimate_viscosity_temperature(self.temperature_C, viscosities, self._weights).line


class Results(Shown, tuple[Result, ...]):
    """The results of a run, by temperature, then viscosity before density; and the line through its viscosities."""

    def facts(self) -> Iterator[tuple[str, str]]:
        """Return what is shown of it, each fact with its name."""
        for one in self:
            yield one.name, f"{one.reported} ± {numeral(one.expanded_uncertainty, unknown='unknown')} {one.unit}"

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
        common = ("reference oil", "adjustment")  # all temperatures move alike by these: they give none of them weight
        own = [[u for name, u in by_component(r.effects).items() if name not in common] for r in self.viscosities]
        percent = [100.0 * float(np.hypot.reduce(u)) / r.value for u, r in zip(own, self.viscosities, strict=True)]
        return LineThrough(tuple(r.temperature_C for r in self.viscosities), np.array(percent))


def reported_value(quantity: str, value: float) -> str:
    """Round as the methods say: viscosity to four figures, density to 0.1 kg/m³, an index to a whole number.
    Viscosity: ISO 3104:1994, clause 13, and ASTM D445. Density: ISO 12185:1996, clause 11. Index: ASTM D2270, 7.1."""
    if np.isinf(value):
        return numeral(np.nan)
    if quantity == "density":
        return numeral(value, 1)
    if quantity == "viscosity index":
        return numeral(float(formulae.reported_viscosity_index(value)), 0)
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
    standard = formulae.edition_of(formula)
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
