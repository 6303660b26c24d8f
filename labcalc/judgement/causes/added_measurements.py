"""Measurements that a chemist made, or might make, added to the evidence."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from labcalc.errors import EvidenceError
from labcalc.judgement.causes.evidence import KINDS, Evidence, Row, assembled
from labcalc.judgement.certificates import SAME_TEMPERATURE_K
from labcalc.wording import at_celsius, celsius, plain


def with_measurement(evidence: Evidence, quantity: str, temperature_C: float, value: float, kind: str) -> Evidence:
    """Add a measurement that was made, or that might be, to the evidence.

    evidence : The evidence so far; it is not changed.
    quantity : ``kinematic viscosity`` or ``density``.
    temperature_C : Temperature, [°C].
    value : What was measured, [mm²/s] or [kg/m³]. Of a reference oil: of the one nearest in viscosity to the sample.
    kind : One of ``KINDS``. With ``original record`` the value takes the place of the one in the run.
    Returns : With one row more; with ``original record`` as many as before.
    Raises EvidenceError : The kind or the quantity is none, the value isn't positive, no reference oil is certified
        there, or the run holds no such value to correct.
    """
    if kind not in KINDS:
        raise EvidenceError(f"'{kind}' is no kind of measurement; there are: {', '.join(KINDS)}")
    if quantity not in ("kinematic viscosity", "density"):
        raise EvidenceError(f"'{quantity}' can't be added; it is kinematic viscosity or density")
    if not value > 0.0:
        raise EvidenceError(f"{quantity} {plain(value)} at {celsius(temperature_C)}: a measured value is above 0")
    if kind == "original record":
        return _corrected(evidence, quantity, temperature_C, value)
    oil = nearest_oil(evidence, temperature_C) if kind == "reference oil" else ""
    row = Row(quantity, temperature_C, _fill(evidence, quantity, temperature_C, kind), value, kind, oil)
    return assembled((*evidence.rows, row), evidence)


def _fill(evidence: Evidence, quantity: str, temperature_C: float, kind: str) -> int:
    """Return the number of the fill: viscosity and density of one kind at one temperature share it in their order."""
    own = [row.replicate for row in evidence.rows if row.kind == "run"]
    if kind == "same fill again":
        return max(own)
    last = max(row.replicate for row in evidence.rows)
    alike = [row for row in evidence.rows if row.kind == kind]
    if not alike:
        return last + 1
    newest = max(row.replicate for row in alike)
    taken = any(
        row.replicate == newest and row.quantity == quantity and row.temperature_C == temperature_C for row in alike
    )
    return last + 1 if taken else newest


def nearest_oil(evidence: Evidence, temperature_C: float) -> str:
    """Return the name of the reference oil nearest in viscosity to the sample."""
    if not evidence.reference_oils:
        raise EvidenceError("no reference oil is known: lab.toml names none, or no certificate was valid on the day")
    at = np.array([temperature_C])
    names = [oil.liquid.name for oil in evidence.reference_oils]
    if not evidence.course.viscosity.nodes:
        return names[0]
    own = evidence.course.moments(np.array([True]), at)[0]
    away = [float(np.abs(np.log(oil.liquid.viscosity_at(at)) - own)[0]) for oil in evidence.reference_oils]
    return names[int(np.argmin(away))]


def _corrected(evidence: Evidence, quantity: str, temperature_C: float, value: float) -> Evidence:
    places = [
        place
        for place, row in enumerate(evidence.rows)
        if row.quantity == quantity and abs(row.temperature_C - temperature_C) <= SAME_TEMPERATURE_K and not row.oil
    ]
    if not places:
        raise EvidenceError(f"run {evidence.run} holds no {at_celsius(quantity, temperature_C)} to correct")
    worst = max(places, key=lambda place: abs(float(evidence.residual_sd[place])))
    rows = list(evidence.rows)
    rows[worst] = replace(rows[worst], measured=value, kind="original record")
    return assembled(rows, evidence)
