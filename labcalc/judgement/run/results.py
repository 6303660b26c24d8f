"""What the repeats of a run give at each temperature, with its uncertainty, and the curves through that."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc import formulae
from labcalc.errors import OutOfRangeError
from labcalc.exports import QUANTITY_COLUMNS, is_derived
from labcalc.formulae import dynamic_from_kinematic
from labcalc.judgement.record.dossier import Dossier
from labcalc.judgement.record.repeats import agreement_of
from labcalc.judgement.run.derived_results import viscosities_at
from labcalc.judgement.uncertainty.results import CONFIDENCE, Effect, Result, Results, carried, varied
from labcalc.judgement.uncertainty.sources import measured_effects, stated_effects
from labcalc.statistics import coverage_factor

_MARGIN_K = 20.0  # how far a curve reaches beyond the measured temperatures, [K]
_POINTS = 19


def results_of(dossier: Dossier) -> Results:
    """Return the results of a run, by temperature, then viscosity before density.
    Determinations count as repeats at one temperature where theirs agree to 0.1 °C."""
    bare = Results(_results(dossier))
    known: dict[tuple[str, float], Result] = {}
    for one in sorted(bare, key=lambda one: one.quantity == "dynamic viscosity"):
        effects = stated_effects(one, dossier) or _through_others(one, known) or measured_effects(one, bare, dossier)
        known[one.quantity, one.temperature_C] = replace(one, effects=effects)
    return Results(known[one.quantity, one.temperature_C] for one in bare)


def _results(dossier: Dossier) -> list[Result]:
    groups = [(float(str(t)), rows) for t, rows in dossier.rows.groupby(dossier.rows["temperature_C"].round(1))]
    compared = max(sum(_compared(rows) for _, rows in groups), 1)
    found = [
        _result(dossier, quantity, temperature, group, compared)
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


# --- Curves of viscosity and density over temperature, each with its band ---


@dataclass(frozen=True, eq=False)
class Curve:
    """A quantity on a grid of temperatures, beside the determinations that it was drawn from."""

    measured_C: NDArray[np.float64]
    measured: NDArray[np.float64]  # single determinations, not means
    temperature_C: NDArray[np.float64]  # grid; empty where there is no curve, only points
    value: NDArray[np.float64]
    half_width: NDArray[np.float64]  # half the width of the band in the unit of the value; NaN where unknown

    @property
    def interval_C(self) -> tuple[float, float]:
        """Lowest and highest measured temperature; beyond them the curve is an extrapolation."""
        return float(self.measured_C.min()), float(self.measured_C.max())


def viscosity_curve(results: Results, reach_C: Sequence[float] = (), liquid: str | None = None) -> Curve | None:
    """Return the viscosity-temperature line of a run, [mm²/s], on a grid that reaches temperatures, [°C], or None
    without a kinematic viscosity; the band is that of ``viscosities_at``, as wide in the logarithm on both sides."""
    inputs = results.viscosities
    if not inputs:
        return None
    grid = _grid(inputs, reach_C) if len(inputs) > 1 else np.empty(0)
    found = viscosities_at(results, grid.tolist(), liquid)
    value, upper = np.array([(one.value, one.expanded_uncertainty) for one in found]).reshape(-1, 2).T
    if np.isnan(value).any():
        grid = value = upper = np.empty(0)
    return Curve(*_points(inputs), grid, value, value * np.log1p(upper / value))


def density_curve(results: Results, commodity: str) -> Curve | None:
    """Return the density, [kg/m³], that the table gives from the coldest measured one, or None without a density.
    The band holds how far the expansion of oils is from the table's."""
    inputs = results.densities
    if not inputs:
        return None
    grid, first = _grid(inputs, (15.0,)), inputs[0]
    try:
        value = np.asarray(formulae.density_at(first.value, first.temperature_C, grid, commodity=commodity))
    except OutOfRangeError:
        return Curve(*_points(inputs), *(np.empty(0) for _ in range(3)))
    from_table = formulae.table_expansion_uncertainty(first.value, first.temperature_C, grid, commodity=commodity)
    own = value / first.value * first.expanded_uncertainty
    return Curve(*_points(inputs), grid, value, np.hypot(own, coverage_factor(CONFIDENCE) * from_table))


def _grid(inputs: Sequence[Result], reach_C: Sequence[float]) -> NDArray[np.float64]:
    measured = [r.temperature_C for r in inputs]
    wanted = measured + list(reach_C)
    return np.union1d(np.linspace(min(wanted) - _MARGIN_K, max(wanted) + _MARGIN_K, _POINTS), measured)


def _points(inputs: Sequence[Result]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    pairs = np.array([(r.temperature_C, one) for r in inputs for one in r.repeats], dtype=float)
    return pairs[:, 0], pairs[:, 1]
