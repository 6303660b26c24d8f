"""What a chemist's guess would do to the numbers: causes of a given size together, and what stays unexplained."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labcalc.errors import EvidenceError
from labcalc.judgement.causes.affected_rows import at_cell, in_bottle
from labcalc.judgement.causes.evidence import Evidence
from labcalc.judgement.causes.liquids import FUEL
from labcalc.judgement.causes.mixtures import mixture
from labcalc.judgement.causes.temperature_and_air import aired, warmed
from labcalc.wording import at_celsius, counted, numeral, p_value, plain, signed

Array = NDArray[np.float64]


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

    evidence : A run beside what was expected.
    temperature_offset_K : How much warmer the cell is than it says, at every temperature, [K], -20 to 20.
    residue_fraction : Share of the sample before in every fill, by volume, [-], 0 to 0.9.
    dilution_fraction : Share of a gas oil in the sample, by volume, [-], 0 to 0.9.
    bubble_fraction : Share of air in the density cell in every fill, [-], 0 to 0.9.
    Returns : Predicted values and what stays unexplained. Mixtures follow the double-log rule of ASTM D7152.
    Raises EvidenceError : A size is outside its range, or a residue is asked for without a run before.
    """
    _check(temperature_offset_K, (residue_fraction, dilution_fraction, bubble_fraction))
    if residue_fraction and evidence.before is None:
        raise EvidenceError(f"run {evidence.run}: the record holds no run before it that could leave a residue")
    at = evidence.temperature_C
    in_cell, in_sample = at_cell(evidence).astype(float), in_bottle(evidence).astype(float)
    effect = warmed(evidence, np.where(evidence.same_instrument, temperature_offset_K, 0.0))
    if residue_fraction and evidence.before is not None:
        liquid = evidence.before.liquid
        effect += mixture(evidence, residue_fraction * in_cell, liquid.ordinate_at(at), liquid.density_at(at))
    effect += mixture(evidence, dilution_fraction * in_sample, FUEL.ordinate_at(at), FUEL.density_at(at))
    effect += aired(evidence, bubble_fraction * in_cell, evidence.coupled is not False)
    return _compared(evidence, effect)


def _check(offset: float, fractions: tuple[float, ...]) -> None:
    if not abs(offset) <= 20.0:
        raise EvidenceError(f"temperature offset {plain(offset)} K: expected −20 K to 20 K")
    for fraction in fractions:
        if not 0.0 <= fraction <= 0.9:
            raise EvidenceError(f"fraction {plain(fraction)}: expected 0 to 0.9")


def _compared(evidence: Evidence, effect: Array) -> WhatIf:
    from scipy.special import chdtrc

    covariance = evidence.spread + evidence.error
    left = evidence.deviation - effect
    misfit, number = float(left @ np.linalg.solve(covariance, left)), len(evidence.rows)
    p = float(chdtrc(number, misfit))
    residual = left / np.sqrt(np.diag(covariance))
    furthest = int(np.abs(residual).argmax())
    row = evidence.rows[furthest]
    degrees = counted(number, "degree of freedom", "degrees of freedom")
    sentence = (
        f"Chi-square {numeral(misfit, 1)} with {degrees} ({p_value(p)}); furthest left: "
        f"{at_celsius(row.quantity, row.temperature_C)}, {signed(residual[furthest], 1)} standard deviations."
    )
    return WhatIf(evidence.in_units(evidence.mean + effect), residual, misfit, number, p, sentence)
