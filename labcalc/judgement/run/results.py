"""The results of a run: what its repeats at each temperature give, with unit, uncertainty, method and rounding."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from labcalc.exports import QUANTITY_COLUMNS, is_derived
from labcalc.formulae import (
    ViscosityTemperatureLine,
    estimate_viscosity_temperature,
    fit_viscosity_temperature,
    line_model_uncertainty,
    reported_viscosity_index,
)
from labcalc.judgement.record.dossier import Dossier
from labcalc.judgement.record.repeats import agreement_of
from labcalc.judgement.uncertainty.effects import Effect, budget_of, by_component, carried, varied
from labcalc.judgement.uncertainty.sources import Mean, Means, measured_effects, stated_effects
from labcalc.showing import Shown
from labcalc.statistics import UncertaintyBudget
from labcalc.wording import at_celsius, numeral


@dataclass(frozen=True)
class Result(Mean):
    """One quantity of a run at one temperature, with its uncertainty."""

    effects: tuple[Effect, ...] = ()  # what each source of uncertainty does to the value

    @cached_property
    def budget(self) -> UncertaintyBudget:
        """The uncertainty by its sources, with effective degrees of freedom and k; NaN where a source is unknown."""
        return budget_of(self.effects)

    @property
    def expanded_uncertainty(self) -> float:
        """Expanded uncertainty (95 %), in the unit of the value; NaN where unknown."""
        return self.budget.expanded_uncertainty

    @property
    def name(self) -> str:
        """The quantity with its temperature, as a person writes it."""
        return at_celsius(self.quantity.capitalize(), self.temperature_C)

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


def results_of(dossier: Dossier) -> Results:
    """Return the results of a run, by temperature, then viscosity before density.

    Determinations count as repeats at one temperature where theirs agree to 0.1 °C.

    dossier : The run with its context.
    Returns : One for each quantity and temperature that the run holds.
    """
    means = Means(tuple(_means(dossier)), dossier)
    effects: dict[tuple[str, float], tuple[Effect, ...]] = {}
    for mean in sorted(means.all, key=lambda mean: mean.quantity == "dynamic viscosity"):
        effects[mean.quantity, mean.temperature_C] = (
            stated_effects(mean, dossier) or _through_others(mean, means, effects) or measured_effects(mean, means)
        )
    return Results(Result(**vars(mean), effects=effects[mean.quantity, mean.temperature_C]) for mean in means.all)


def _means(dossier: Dossier) -> list[Mean]:
    groups = [(float(str(t)), rows) for t, rows in dossier.rows.groupby(dossier.rows["temperature_C"].round(1))]
    compared = sum(_compared(rows) for _, rows in groups)
    means = [
        _mean(dossier, quantity, temperature, group, max(compared, 1))
        for temperature, group in groups
        for quantity in QUANTITY_COLUMNS
        if group[QUANTITY_COLUMNS[quantity]].notna().any()
    ]
    return [_with_median(mean, means) for mean in means]


def _compared(group: pd.DataFrame) -> int:
    """Count the quantities of a temperature that have repeats of their own; ν and η are one, the third follows."""
    repeated = [quantity for quantity, column in QUANTITY_COLUMNS.items() if group[column].notna().sum() > 1]
    return min(sum(not is_derived(group["remark"], quantity).any() for quantity in repeated), 2)


def _mean(dossier: Dossier, quantity: str, temperature: float, group: pd.DataFrame, compared: int) -> Mean:
    repeats = tuple(float(one) for one in group[QUANTITY_COLUMNS[quantity]].dropna())
    found = agreement_of(dossier, quantity, temperature, repeats, compared)
    rule = "median" if found.outcome == "median" else "mean"
    follows = bool(is_derived(group["remark"], quantity).any())
    return Mean(quantity, temperature, found.value, repeats, follows, found, rule)


def _with_median(mean: Mean, means: Sequence[Mean]) -> Mean:
    """Let a dynamic viscosity go with its kinematic one, where the median of that is reported."""
    others = {one.quantity: one for one in means if one.temperature_C == mean.temperature_C}
    kinematic, density = others.get("kinematic viscosity"), others.get("density")
    if mean.quantity != "dynamic viscosity" or kinematic is None or density is None or kinematic.rule == "mean":
        return mean
    if not (mean.follows or kinematic.follows):
        return mean
    return replace(mean, value=kinematic.value * density.value * 1e-3, rule=kinematic.rule)


def _through_others(
    mean: Mean, means: Means, effects: Mapping[tuple[str, float], tuple[Effect, ...]]
) -> tuple[Effect, ...]:
    """Return the effects on a dynamic viscosity through kinematic viscosity and density; empty without both."""
    here = means.at(mean.temperature_C)
    inputs = [one for quantity, one in here.items() if quantity != "dynamic viscosity"]
    if mean.quantity != "dynamic viscosity" or len(inputs) < 2:
        return ()
    values, known = [one.value for one in inputs], [effects[one.quantity, one.temperature_C] for one in inputs]
    nu, rho = varied(values)
    return carried(nu * rho * 1e-3, values, known)


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
