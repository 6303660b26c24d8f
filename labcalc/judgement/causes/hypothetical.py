"""What would be seen if something were so, and what a measurement that was made, or might be, adds to the evidence."""

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import chdtrc

from labcalc.errors import EvidenceError
from labcalc.judgement.causes.catalogue import Array
from labcalc.judgement.causes.evidence import KINDS, Evidence, Row, assembled
from labcalc.judgement.causes.liquids import FUEL, Liquid
from labcalc.judgement.causes.mixtures import mixture
from labcalc.judgement.causes.temperature_and_air import aired, warmed
from labcalc.judgement.certificates import SAME_TEMPERATURE_K
from labcalc.wording import at_celsius, celsius, counted, numeral, p_value, plain, signed

_MEASURED = {"kinematic viscosity": (0.01, 1e7), "density": (300.0, 2000.0)}  # of liquids, [mm²/s] and [kg/m³]


@dataclass(frozen=True, eq=False)
class WhatIf:
    """What a guess predicts and how far the run is from that; arrays stand beside those of the evidence."""

    predicted: Array  # [mm²/s] or [kg/m³]
    residual_sd: Array  # measured less predicted in standard deviations, noise and spread of the product together, [-]
    misfit: float  # Chi-square of all quantities together, [-]
    degrees_of_freedom: int
    p_value: float  # how often a misfit as large comes by chance, [-]
    sentence: str


def what_if(
    evidence: Evidence,
    temperature_offset_K: float = 0.0,
    residue_fraction: float = 0.0,
    dilution_fraction: float = 0.0,
    bubble_fraction: float = 0.0,
) -> WhatIf:
    """Return what a guess predicts for every row of a run.

    temperature_offset_K : How much warmer the cell is than it says, at every temperature, [K], -20 to 20.
    residue_fraction : Share of the sample before in every fill, by volume, [-], 0 to 0.9.
    dilution_fraction : Share of a gas oil in the sample, by volume, [-], 0 to 0.9.
    bubble_fraction : Share of air in the density cell in every fill, [-], 0 to 0.9.
    Returns : Predicted values and what stays unexplained. Mixtures follow the double-log rule of ASTM D7152.
    Raises EvidenceError : A size is outside its range, or a residue is asked for without a run before.
    """
    if not abs(temperature_offset_K) <= 20.0:
        raise EvidenceError(f"temperature offset {plain(temperature_offset_K)} K: expected −20 K to 20 K")
    for fraction in (residue_fraction, dilution_fraction, bubble_fraction):
        if not 0.0 <= fraction <= 0.9:
            raise EvidenceError(f"fraction {plain(fraction)}: expected 0 to 0.9")
    if residue_fraction and evidence.before is None:
        raise EvidenceError(f"run {evidence.run}: the record holds no run before it that could leave a residue")
    at = evidence.temperature_C
    in_cell, in_sample = evidence.in_cell.astype(float), evidence.in_bottle.astype(float)
    effect = warmed(evidence, np.where(evidence.same_instrument, temperature_offset_K, 0.0))
    if residue_fraction and evidence.before is not None:
        liquid = evidence.before.liquid
        effect += mixture(evidence, residue_fraction * in_cell, liquid.ordinate_at(at), liquid.density_at(at))
    effect += mixture(evidence, dilution_fraction * in_sample, FUEL.ordinate_at(at), FUEL.density_at(at))
    effect += aired(evidence, bubble_fraction * in_cell, evidence.coupled is not False)
    covariance, left = evidence.spread + evidence.error, evidence.deviation - effect
    misfit, number = float(left @ np.linalg.solve(covariance, left)), len(evidence.rows)
    p, residual = float(chdtrc(number, misfit)), left / np.sqrt(np.diag(covariance))
    furthest = int(np.abs(residual).argmax())
    row, degrees = evidence.rows[furthest], counted(number, "degree of freedom", "degrees of freedom")
    sentence = (
        f"Chi-square {numeral(misfit, 1)} with {degrees} ({p_value(p)}); furthest left: "
        f"{at_celsius(row.quantity, row.temperature_C)}, {signed(residual[furthest], 1)} standard deviations."
    )
    return WhatIf(evidence.in_units(evidence.mean + effect), residual, misfit, number, p, sentence)


def with_measurement(evidence: Evidence, quantity: str, temperature_C: float, value: float, kind: str) -> Evidence:
    """Add a measurement that was made, or that might be, to the evidence.

    value : What was measured, [mm²/s] or [kg/m³]. Of a reference oil: of the one nearest in viscosity to the sample.
    kind : One of ``KINDS``; with ``original record`` the value takes the place of the one in the run.
    Raises EvidenceError : The kind or the quantity is none, value or temperature is none of a liquid, no reference oil
        is certified there, or the run holds no such value to correct.
    """
    if kind not in KINDS:
        raise EvidenceError(f"'{kind}' is no kind of measurement; there are: {', '.join(KINDS)}")
    if quantity not in _MEASURED:
        raise EvidenceError(f"'{quantity}' can't be added; it is kinematic viscosity or density")
    lowest, highest = _MEASURED[quantity]
    if not (lowest <= value <= highest and -100.0 <= temperature_C <= 400.0):
        usual = f"{plain(lowest)} to {plain(highest, 8)} at −100 °C to 400 °C is expected"
        raise EvidenceError(f"{quantity} {plain(value)} at {celsius(temperature_C)}: {usual}")
    if kind == "original record":
        return _corrected(evidence, quantity, temperature_C, value)
    oil = nearest_oil(evidence, temperature_C).name if kind == "reference oil" else ""
    row = Row(quantity, temperature_C, _fill(evidence, quantity, temperature_C, kind), value, kind, oil)
    return assembled((*evidence.rows, row), evidence)


def _fill(evidence: Evidence, quantity: str, temperature_C: float, kind: str) -> int:
    """Return the number of the fill: viscosity and density of one kind at one temperature share it in their order."""
    if kind == "same fill again":
        return max(row.replicate for row in evidence.rows if row.kind == "run")
    taken = [(row.replicate, row.quantity, row.temperature_C) for row in evidence.rows if row.kind == kind]
    newest = max((fill for fill, *_ in taken), default=0)
    is_new = not taken or (newest, quantity, temperature_C) in taken
    return max(evidence.replicate.tolist()) + 1 if is_new else newest


def nearest_oil(evidence: Evidence, temperature_C: float) -> Liquid:
    """Return the reference oil nearest in viscosity to the sample."""
    liquids, at = [oil.liquid for oil in evidence.reference_oils], np.array([temperature_C])
    if not liquids:
        raise EvidenceError("no reference oil is known: lab.toml names none, or no certificate was valid on the day")
    if not evidence.course.viscosity.nodes:
        return liquids[0]
    own = evidence.course.moments(np.array([True]), at)[0]
    return liquids[int(np.argmin([np.abs(np.log(one.viscosity_at(at)) - own)[0] for one in liquids]))]


def _corrected(evidence: Evidence, quantity: str, temperature_C: float, value: float) -> Evidence:
    near = evidence.of_sample & (np.abs(evidence.temperature_C - temperature_C) <= SAME_TEMPERATURE_K)
    places = np.flatnonzero(near & (evidence.viscous == (quantity == "kinematic viscosity"))).tolist()
    if not places:
        raise EvidenceError(f"run {evidence.run} holds no {at_celsius(quantity, temperature_C)} to correct")
    worst = max(places, key=lambda place: abs(float(evidence.residual_sd[place])))
    rows = list(evidence.rows)
    rows[worst] = replace(rows[worst], measured=value, kind="original record")
    return assembled(rows, evidence)
