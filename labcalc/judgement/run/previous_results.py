"""Does the run agree with earlier runs of the same sample and its lot? If not, do noise and spread explain it?"""

import numpy as np

from labcalc.errors import EvidenceError
from labcalc.exports import QUANTITY_COLUMNS
from labcalc.judgement.certificates import SAME_TEMPERATURE_K
from labcalc.judgement.checks import Check
from labcalc.judgement.record.dossier import Dossier
from labcalc.judgement.uncertainty.results import Result, Results, reported_value
from labcalc.wording import probability, signed

NOISE_PROBABILITY = 0.05
"""Probability that nothing is wrong below which a run is doubtful, [-]: labcalc's own choice. By simulation one
good run in 100 comes below it (``tests/judgement/open_world.py``)."""

_STANDS_OUT_PERCENT, _STANDS_OUT_DENSITY = 0.6, 0.25
"""How far a result may be from the earlier runs before causes are looked for, [%] and [kg/m³]: labcalc's own choice,
some three standard deviations between days and bottles."""


def earlier_runs_check(dossier: Dossier, results: Results) -> Check | None:
    """Compare the results with the median of earlier runs; None for a reference oil.

    What stands out is doubtful if the causes that the numbers allow leave noise and spread less than 5 %: only then
    the causes are worked out, so that a run as usual costs nothing.
    """
    name = "Earlier runs of the sample and its lot"
    if dossier.is_reference:
        return None
    compared = [result for result in results if result.quantity in ("kinematic viscosity", "density")]
    found = [one for result in compared if (one := _difference(dossier, result)) is not None]
    if not found:
        return Check(name, "not checked", "the record holds no earlier run with a result to compare")
    share, finding = max(found)
    basis = "labcalc's own choice of what stands out, and of 5 % for noise and spread alone"
    if share <= 1.0:
        return Check(name, "met", finding + (f" (the worst of {len(found)})" if len(found) > 1 else ""), basis)
    return _explained(name, dossier, finding, basis)


def _difference(dossier: Dossier, result: Result) -> tuple[float, str] | None:
    """Return the difference from the median of earlier runs in units of what stands out, and words."""
    history = dossier.history
    if history.empty:
        return None
    values = history[QUANTITY_COLUMNS[result.quantity]].to_numpy(float)
    near = np.abs(history["temperature_C"].to_numpy(float) - result.temperature_C) <= SAME_TEMPERATURE_K
    runs, known = history["run"].to_numpy(object), near & np.isfinite(values)
    earlier = [float(values[known & (runs == run)].mean()) for run in dict.fromkeys(runs[known])]
    if not earlier:
        return None
    middle, dense = float(np.median(earlier)), result.quantity == "density"
    away = result.value - middle if dense else 100.0 * (result.value / middle - 1.0)
    limit, unit = (_STANDS_OUT_DENSITY, "kg/m³") if dense else (_STANDS_OUT_PERCENT, "%")
    what = "an earlier run" if len(earlier) == 1 else f"the median of {len(earlier)} earlier runs"
    words = (
        f"{result.place}, {result.reported} {result.unit}, is {signed(away)} {unit} from "
        f"{what}, {reported_value(result.quantity, middle)} {result.unit}; {limit:g} {unit} stands out"
    )
    return abs(away) / limit, words


def noise_explains(dossier: Dossier) -> float:
    """Return the probability that noise and spread alone explain a run, [-]; 1 where nothing can be compared."""
    from labcalc.judgement.causes import evidence_of, leading_cause

    try:
        evidence = evidence_of(dossier)
    except EvidenceError:
        return 1.0
    leading = leading_cause(evidence)
    return 1.0 if len(evidence.rows) < 2 or leading.cause == "noise" else leading.noise_probability


def _explained(name: str, dossier: Dossier, finding: str, basis: str) -> Check:
    from labcalc.judgement.causes import evidence_of, leading_cause

    evidence = evidence_of(dossier)
    leading = leading_cause(evidence)
    if leading.cause != "noise" and leading.noise_probability < NOISE_PROBABILITY:
        return Check(name, "doubtful", finding, basis)
    words = f"noise and spread explain this run (probability {probability(leading.noise_probability, 1.0)})"
    if evidence.course.basis != "history":
        words = f"the earlier runs don't fit the product; beside the {evidence.course.words} {words}"
    return Check(name, "met", f"{finding}; {words}", basis)
