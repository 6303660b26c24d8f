"""The results of a run: what its repeats at each temperature give, with unit, uncertainty, method and rounding."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import pandas as pd

from labcalc.exports import QUANTITY_COLUMNS, is_derived
from labcalc.judgement.certificates import SAME_TEMPERATURE_K, UNITS
from labcalc.judgement.record.dossier import Dossier
from labcalc.judgement.record.repeats import agreement_of
from labcalc.judgement.uncertainty.effects import STATED, Effect, budget_of, carried, unknown_parts
from labcalc.judgement.uncertainty.sources import Mean, certificates_in_use, measured_effects, stated_effects
from labcalc.statistics import UncertaintyBudget, rounded, rounded_to_figures


@dataclass(frozen=True)
class Result:
    """One quantity of a run at one temperature: the mean of its repeats, or their median (``agreement_of``)."""

    quantity: str
    temperature_C: float
    value: float
    unit: str
    repeats: tuple[float, ...]
    """The single determinations behind the mean, in file order."""
    follows: bool
    """True where the quantity was not measured but follows from the two others (ν = η/ρ)."""
    effects: tuple[Effect, ...]
    """What each source of uncertainty does to the value."""
    rule: str = "mean"
    """What the value is of the repeats: ``mean`` or ``median``."""

    @cached_property
    def budget(self) -> UncertaintyBudget:
        """The uncertainty by its sources, with effective degrees of freedom and k; NaN where a source is unknown."""
        return budget_of(self.name, self.unit, self.value, self.effects)

    @property
    def expanded_uncertainty(self) -> float:
        """Expanded uncertainty (95.45 %), in the unit of the value; NaN where unknown."""
        return self.budget.expanded_uncertainty

    @property
    def uncertainty_basis(self) -> str:
        """Where the uncertainty comes from, or why there is none."""
        if missing := unknown_parts(self.effects):
            return f"unknown: lab.toml states none under [report], and the budget lacks {'; '.join(missing)}"
        if any(effect.component == STATED for effect in self.effects):
            return self.effects[0].source.source
        return "by component, see the uncertainty budget"

    @property
    def name(self) -> str:
        """The quantity with its temperature, as a person writes it."""
        return f"{self.quantity.capitalize()} at {self.temperature_C:g} °C"

    @property
    def reported(self) -> str:
        """The value as it is reported, without unit."""
        return reported_value(self.quantity, self.value)


def results_of(dossier: Dossier) -> tuple[Result, ...]:
    """Return the results of a run, by temperature, then viscosity before density.

    Determinations count as repeats at one temperature where theirs agree to 0.1 °C.

    Parameters
    ----------
    dossier : Dossier
        The run with its context.

    Returns
    -------
    tuple of Result
        One for each quantity and temperature that the run holds.
    """
    means, certificates = _means(dossier), certificates_in_use(dossier)
    effects: dict[tuple[str, float], tuple[Effect, ...]] = {}
    for mean in sorted(means, key=lambda mean: mean.quantity == "dynamic viscosity"):
        effects[mean.quantity, mean.temperature_C] = (
            stated_effects(mean, dossier)
            or _through_others(mean, means, effects)
            or measured_effects(mean, means, certificates, dossier)
        )
    return tuple(
        Result(unit=UNITS[mean.quantity], effects=effects[mean.quantity, mean.temperature_C], **vars(mean))
        for mean in means
    )


def _means(dossier: Dossier) -> list[Mean]:
    means = [
        _mean(dossier, quantity, float(str(temperature)), group)
        for temperature, group in dossier.rows.groupby(dossier.rows["temperature_C"].round(1), sort=True)
        for quantity in QUANTITY_COLUMNS
        if group[QUANTITY_COLUMNS[quantity]].notna().any()
    ]
    return [_with_median(mean, means) for mean in means]


def _mean(dossier: Dossier, quantity: str, temperature: float, group: pd.DataFrame) -> Mean:
    repeats = tuple(float(one) for one in group[QUANTITY_COLUMNS[quantity]].dropna())
    value, rule = repeats[0], "mean"
    if len(repeats) > 1:
        found = agreement_of(dossier, quantity, temperature, repeats)
        value, rule = found.value, "median" if found.outcome == "median" else rule
    return Mean(quantity, temperature, value, repeats, bool(is_derived(group["remark"], quantity).any()), rule)


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
    mean: Mean, means: Sequence[Mean], effects: Mapping[tuple[str, float], tuple[Effect, ...]]
) -> tuple[Effect, ...]:
    """Return the effects on a dynamic viscosity through kinematic viscosity and density; empty without both."""
    if mean.quantity != "dynamic viscosity":
        return ()
    inputs = [m for m in means if m.temperature_C == mean.temperature_C and m.quantity != mean.quantity]
    if len(inputs) < 2:
        return ()
    known = [effects[one.quantity, one.temperature_C] for one in inputs]
    return carried(lambda nu, rho: nu * rho * 1e-3, [one.value for one in inputs], known)


def find_result(results: tuple[Result, ...], quantity: str, temperature_C: float) -> Result | None:
    """Return the result of a quantity at a temperature, or None."""
    fits = (r for r in results if r.quantity == quantity and abs(r.temperature_C - temperature_C) <= SAME_TEMPERATURE_K)
    return next(fits, None)


def reported_value(quantity: str, value: float) -> str:
    """Round as the methods say: viscosity to four figures, density to 0.1 kg/m³, an index to a whole number.

    Viscosity: ISO 3104:1994, clause 13, and ASTM D445. Density: ISO 12185:1996, clause 11. Index: ASTM D2270, 7.1.
    """
    if not math.isfinite(value):
        return "–"
    if quantity == "density":
        return str(rounded(value, 1))
    if quantity == "viscosity index":
        return str(rounded(float(rounded(value, 9)), 0))
    return str(rounded_to_figures(value, 4))
