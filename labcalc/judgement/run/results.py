"""What the repeats of a run give at each temperature, with the uncertainty of each."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import pandas as pd

from labcalc.exports import QUANTITY_COLUMNS, is_derived
from labcalc.formulae import dynamic_from_kinematic
from labcalc.judgement.record.dossier import Dossier
from labcalc.judgement.record.repeats import agreement_of
from labcalc.judgement.uncertainty.effects import Effect, carried, varied
from labcalc.judgement.uncertainty.results import Result, Results
from labcalc.judgement.uncertainty.sources import measured_effects, stated_effects


def results_of(dossier: Dossier) -> Results:
    """Return the results of a run, by temperature, then viscosity before density.

    Determinations count as repeats at one temperature where theirs agree to 0.1 °C.

    dossier : The run with its context.
    Returns : One for each quantity and temperature that the run holds.
    """
    bare = Results(_results(dossier))
    known: dict[tuple[str, float], Result] = {}
    for one in sorted(bare, key=lambda one: one.quantity == "dynamic viscosity"):
        effects = stated_effects(one, dossier) or _through_others(one, known) or measured_effects(one, bare, dossier)
        known[one.quantity, one.temperature_C] = replace(one, effects=effects)
    return Results(known[one.quantity, one.temperature_C] for one in bare)


def _results(dossier: Dossier) -> list[Result]:
    groups = [(float(str(t)), rows) for t, rows in dossier.rows.groupby(dossier.rows["temperature_C"].round(1))]
    compared = sum(_compared(rows) for _, rows in groups)
    found = [
        _result(dossier, quantity, temperature, group, max(compared, 1))
        for temperature, group in groups
        for quantity in QUANTITY_COLUMNS
        if group[QUANTITY_COLUMNS[quantity]].notna().any()
    ]
    return [_with_median(one, found) for one in found]


def _compared(group: pd.DataFrame) -> int:
    """Count the quantities of a temperature that have repeats of their own; ν and η are one, the third follows."""
    repeated = [quantity for quantity, column in QUANTITY_COLUMNS.items() if group[column].notna().sum() > 1]
    return min(sum(not is_derived(group["remark"], quantity).any() for quantity in repeated), 2)


def _result(dossier: Dossier, quantity: str, temperature: float, group: pd.DataFrame, compared: int) -> Result:
    repeats = tuple(float(one) for one in group[QUANTITY_COLUMNS[quantity]].dropna())
    found = agreement_of(dossier, quantity, temperature, repeats, compared)
    rule = "median" if found.outcome == "median" else "mean"
    follows = bool(is_derived(group["remark"], quantity).any())
    return Result(quantity, temperature, found.value, repeats, follows, found, rule)


def _with_median(one: Result, found: Sequence[Result]) -> Result:
    """Let a dynamic viscosity go with its kinematic one, where the median of that is reported."""
    others = {other.quantity: other for other in found if other.temperature_C == one.temperature_C}
    kinematic, density = others.get("kinematic viscosity"), others.get("density")
    if one.quantity != "dynamic viscosity" or kinematic is None or density is None or kinematic.rule == "mean":
        return one
    if not (one.follows or kinematic.follows):
        return one
    return replace(one, value=float(dynamic_from_kinematic(kinematic.value, density.value)), rule=kinematic.rule)


def _through_others(one: Result, known: Mapping[tuple[str, float], Result]) -> tuple[Effect, ...]:
    """Return the effects on a dynamic viscosity through kinematic viscosity and density; empty without both."""
    inputs = [known.get((quantity, one.temperature_C)) for quantity in ("kinematic viscosity", "density")]
    both = [other for other in inputs if other is not None]
    if one.quantity != "dynamic viscosity" or len(both) < 2:
        return ()
    values = [other.value for other in both]
    nu, rho = varied(values)
    return carried(dynamic_from_kinematic(nu, rho), values, [other.effects for other in both])
