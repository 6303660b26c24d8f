"""Causes without one size: a normal shift of unknown amount, another product, and slips of unit or transcription."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labcalc.judgement.causes.affected_rows import in_bottle
from labcalc.judgement.causes.evidence import Evidence
from labcalc.judgement.causes.surroundings import UNCHECKED_DENSITY, UNCHECKED_VISCOSITY

Array = NDArray[np.float64]

CHANGED_VISCOSITY, CHANGED_DENSITY = 0.06, 2.0
"""How much a sample that has changed usually differs: ln ν [-], ρ [kg/m³]; labcalc's own choice."""

CHANGED_TOGETHER = 0.9
"""How much ln ν at two temperatures changes together, [-]; densities all but completely."""

_MOST_LOG_FACTOR = 20.0
"""ln of the largest Bayes factor that reference oils are given, [-]: more is for other checks to say."""

_DIGITS = 6
_SEEN = 4.0
"""A slip that changes less than this many standard deviations of the noise is not looked for, [-]."""


@dataclass(frozen=True, eq=False)
class Shift:
    """A normal cause: mean and covariance of ln ν and ρ in all rows if it is so, noise apart."""

    cause: str
    where: str
    weight: float
    mean: Array
    spread: Array


@dataclass(frozen=True, eq=False)
class Slip:
    """What a slip did to ln ν and ρ of the rows, in words and by how likely it is among slips."""

    where: str
    weight: float
    effect: Array


def shifts_of(evidence: Evidence) -> tuple[Shift, ...]:
    """Return the normal causes: a bias of the instrument, a change of the sample, and the products of the house."""
    return (_bias(evidence), _changed(evidence), *_products(evidence))


def _bias(evidence: Evidence) -> Shift:
    """Return the bias that the reference oils leave possible, weighed by how much they speak for one."""
    bias, here = evidence.instrument_bias, evidence.same_instrument
    viscosity, density = _unchecked(UNCHECKED_VISCOSITY), _unchecked(UNCHECKED_DENSITY)
    if bias is not None:
        viscosity = _told(bias.viscosity_percent / 100.0, bias.viscosity_sd / 100.0, UNCHECKED_VISCOSITY)
        density = _told(bias.density_kg_m3, bias.density_sd, UNCHECKED_DENSITY)
    mean = np.where(evidence.viscous, viscosity.mean, density.mean) * here
    sd = np.where(evidence.viscous, viscosity.sd, density.sd) * here
    alike = evidence.viscous[:, np.newaxis] == evidence.viscous
    spread = evidence.spread + alike * np.outer(sd, sd)
    return Shift("instrument bias", "", viscosity.factor * density.factor, evidence.mean + mean, spread)


@dataclass(frozen=True)
class _Bias:
    """What is known of a bias: mean, standard deviation, and the Bayes factor of the reference oils for one, [-]."""

    mean: float
    sd: float
    factor: float


def _unchecked(usual: float) -> _Bias:
    return _Bias(0.0, usual, 1.0)


def _told(found: float, sd: float, usual: float) -> _Bias:
    """Return what a deviation found with reference oils tells of a bias that usually is as large as ``usual``."""
    if math.isnan(sd):
        return _unchecked(usual)
    wide = math.hypot(sd, usual)
    factor = sd / wide * math.exp(min(0.5 * ((found / sd) ** 2 - (found / wide) ** 2), _MOST_LOG_FACTOR))
    return _Bias(found * (usual / wide) ** 2, sd * usual / wide, factor)


def _changed(evidence: Evidence) -> Shift:
    here = in_bottle(evidence)
    sd = np.where(evidence.viscous, CHANGED_VISCOSITY, CHANGED_DENSITY) * here
    alike = evidence.viscous[:, np.newaxis] == evidence.viscous
    same = np.abs(evidence.temperature_C[:, np.newaxis] - evidence.temperature_C) <= 0.1
    together = np.where(same, 1.0, np.where(evidence.viscous, CHANGED_TOGETHER, 0.999))
    spread = evidence.spread + alike * together * np.outer(sd, sd)
    return Shift("changed", "", 1.0, evidence.mean, spread)


def _products(evidence: Evidence) -> list[Shift]:
    """Return the other products that tell both quantities of the run."""
    here = in_bottle(evidence)
    viscous, at = evidence.viscous, evidence.temperature_C
    fitting = [
        one
        for one in evidence.house
        if (one.expectation.viscosity.nodes or not viscous[here].any())
        and (one.expectation.density.nodes or viscous[here].all())
    ]
    found = []
    for one in fitting:
        mean, spread = evidence.mean.copy(), evidence.spread.copy()
        mean[here], own = one.expectation.moments(viscous[here], at[here])
        spread[here, :] = spread[:, here] = 0.0
        spread[np.ix_(here, here)] = own
        found.append(Shift("another product", one.name, 1.0 / len(fitting), mean, spread))
    return found


# --- Slips ---

_FACTORS = {
    10.0: "ten times too much",
    0.1: "a tenth of it",
    100.0: "a hundred times too much",
    0.01: "a hundredth of it",
    1000.0: "a thousand times too much",
    0.001: "a thousandth of it",
}
_UNIT_SHARE, _FACTOR_SHARE, _EXCHANGE_SHARE, _DIGIT_SHARE = 0.3, 0.15, 0.15, 0.4


def slips_of(evidence: Evidence) -> tuple[Slip, ...]:
    """Return the slips that would be seen: units, factors, temperatures exchanged, neighbouring digits exchanged."""
    groups = (
        (_UNIT_SHARE, _units(evidence)),
        (_FACTOR_SHARE, _factors(evidence)),
        (_EXCHANGE_SHARE, _exchanges(evidence)),
        (_DIGIT_SHARE, _digits(evidence)),
    )
    single = np.sqrt(np.diag(evidence.error))
    return tuple(
        Slip(where, share / len(ones), effect)
        for share, ones in groups
        for where, effect in ones
        if np.max(np.abs(effect) / single) > _SEEN
    )


def _run_rows(evidence: Evidence) -> list[int]:
    return [place for place, row in enumerate(evidence.rows) if row.kind == "run"]


def _one(evidence: Evidence, place: int, change: float) -> Array:
    effect = np.zeros(len(evidence.rows))
    effect[place] = change
    return effect


def _name(evidence: Evidence, place: int) -> str:
    row = evidence.rows[place]
    return f"{row.quantity} at {row.temperature_C:g} °C"


def _units(evidence: Evidence) -> list[tuple[str, Array]]:
    """mPa·s under mm²/s and the other way, for one determination or all; g/cm³ under kg/m³."""
    found = []
    heavy = {(row.temperature_C, row.replicate): row.measured for row in evidence.rows if row.quantity == "density"}
    change = np.zeros(len(evidence.rows))
    for place in _run_rows(evidence):
        row = evidence.rows[place]
        if row.quantity == "density":
            if row.measured < 10.0:
                found.append(
                    (
                        f"g/cm³ written under kg/m³: {_name(evidence, place)}",
                        _one(evidence, place, row.measured * (1.0 - 1000.0)),
                    )
                )
            continue
        change[place] = math.log(heavy.get((row.temperature_C, row.replicate), 870.0) / 1000.0)
        found.append((f"mPa·s written under mm²/s: {_name(evidence, place)}", _one(evidence, place, change[place])))
    if np.count_nonzero(change) > 1:
        found.append(("mPa·s written under mm²/s: every viscosity", change))
    return found


def _factors(evidence: Evidence) -> list[tuple[str, Array]]:
    return [
        (f"{words}: {_name(evidence, place)}", _one(evidence, place, math.log(factor)))
        for place in _run_rows(evidence)
        if evidence.viscous[place]
        for factor, words in _FACTORS.items()
    ]


def _exchanges(evidence: Evidence) -> list[tuple[str, Array]]:
    """The values of two temperatures of one fill exchanged."""
    scaled, found = evidence.deviation + evidence.mean, []
    rows = _run_rows(evidence)
    for i, first in enumerate(rows):
        for second in rows[i + 1 :]:
            a, b = evidence.rows[first], evidence.rows[second]
            if a.quantity == b.quantity and a.replicate == b.replicate and a.temperature_C != b.temperature_C:
                effect = np.zeros(len(evidence.rows))
                effect[first], effect[second] = scaled[first] - scaled[second], scaled[second] - scaled[first]
                found.append((f"{a.quantity} at {a.temperature_C:g} °C and {b.temperature_C:g} °C exchanged", effect))
    return found


def _digits(evidence: Evidence) -> list[tuple[str, Array]]:
    """Two neighbouring digits of a printed value exchanged."""
    found = []
    for place in _run_rows(evidence):
        measured = evidence.rows[place].measured
        for true in _transposed(measured):
            change = math.log(measured / true) if evidence.viscous[place] else measured - true
            words = f"{_name(evidence, place)}, {measured:.{_DIGITS}g} for {true:.{_DIGITS}g}"
            found.append((f"digits exchanged: {words}", _one(evidence, place, change)))
    return found


def _transposed(value: float) -> list[float]:
    """Return the values with two neighbouring digits exchanged, the point left where it is."""
    text = f"{value:.{_DIGITS}g}"
    if "e" in text:
        return []
    places = [place for place, sign in enumerate(text) if sign.isdigit()]
    found = []
    for first, second in itertools.pairwise(places):
        if text[first] != text[second]:
            signs = list(text)
            signs[first], signs[second] = signs[second], signs[first]
            if (other := float("".join(signs))) > 0.0:
                found.append(other)
    return found
