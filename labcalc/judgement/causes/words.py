"""Causes and next steps in plain words, each with its numbers."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from labcalc.judgement.causes.catalogue import CAUSES
from labcalc.judgement.causes.evidence import Evidence
from labcalc.judgement.causes.next_measurement import Candidate
from labcalc.judgement.causes.ranking import Fit
from labcalc.wording import at_celsius, celsius, counted, numeral, p_value, signed

Array = NDArray[np.float64]

_WORTH_TELLING = 1.0  # a change smaller than this many standard deviations of the noise is not told, [-]

_LOG_FACTOR = math.log(2.0)
"""ln of the factor from which a change of viscosity is told as a factor, not in per cent, [-]."""

_ACTIONS = {
    "refill and repeat": "clean and dry the cell, fill it again, and measure the {what}",
    "same fill again": "measure the {what} once more with the same fill",
    "reference oil": "measure the {what} of a reference oil on this instrument",
    "another instrument": "measure the {what} on another instrument",
    "retained sample": "measure the {what} of the retained sample, or of another bottle of the batch",
    "original record": "look up the {what} in the original record",
}


def titled(cause: str) -> str:
    """Return a cause's title as part of a sentence."""
    title = CAUSES[cause].title
    return title[0].lower() + title[1:]


def size_words(fit: Fit) -> str:
    """Return the size of a cause with its 95 % interval; empty where it has none."""
    scale = CAUSES[fit.cause].scale
    if scale is None:
        return ""
    size, low, high = (scale.shown * value for value in (fit.size, fit.lowest, fit.highest))
    return f"{numeral(size)} {scale.unit} (95 %: {numeral(low)} to {numeral(high)} {scale.unit})"


def sentence_of(evidence: Evidence, fit: Fit) -> str:
    """Return a cause in one or two sentences: what, how much, where, what that does, and how well it fits."""
    return f"{opening_of(evidence, fit)} {_fit_words(evidence, fit)}"


def opening_of(evidence: Evidence, fit: Fit) -> str:
    """Return what a cause is here: how much, where, and what that does."""
    return _OPENINGS.get(fit.cause, _unlisted)(evidence, fit)


def _fit_words(evidence: Evidence, fit: Fit) -> str:
    degrees = counted(fit.degrees_of_freedom, "degree of freedom", "degrees of freedom")
    found = f"chi-square {numeral(fit.misfit, 1) if fit.misfit < 1000.0 else 'over 1000'} with {degrees}"
    if fit.degrees_of_freedom < 1:
        return f"One quantity alone can't say whether it fits ({found})."
    quality = "fits" if fit.p_value >= 0.05 else "fits badly" if fit.p_value >= 0.001 else "does not fit"
    number = len(evidence.rows)
    together = f"all {number} quantities together" if number > 1 else "the one quantity"
    return f"It {quality} {together} ({found}, {p_value(fit.p_value)})."


def changes_of(evidence: Evidence, effect: Array, half: Array | None = None) -> str:
    """Return every quantity that an effect moves beyond the noise, the row that shows it best of each temperature.

    Where half of the 95 % interval is given, what lies within it has not moved, and the interval of the first is told.
    """
    ends = np.zeros(len(effect)) if half is None else half
    away = np.abs(effect) / np.maximum(np.sqrt(np.diag(evidence.error)), ends)
    told: dict[tuple[str, float], int] = {}
    for place in np.argsort(-away.round(6), kind="stable")[: int((away >= _WORTH_TELLING).sum())].tolist():
        row = evidence.rows[place]
        told.setdefault((row.quantity + (row.oil and f" of {row.oil}"), round(row.temperature_C, 1)), place)
    first, parts = next(iter(told.values()), -1), dict[str, list[str]]()
    for (name, temperature), place in sorted(told.items(), key=lambda one: one[1]):
        size, around = float(effect[place]), float(ends[place]) if place == first else 0.0
        much = _moved(bool(evidence.viscous[place]), size, around)
        parts.setdefault(name, []).append(f"{much} at {celsius(temperature)}")
    return "; ".join(f"{name} {', '.join(ones)}" for name, ones in parts.items()) or "nothing beyond the noise"


def _moved(viscous: bool, size: float, half: float) -> str:
    factor = viscous and abs(size) >= _LOG_FACTOR
    unit = "times" if factor else "%" if viscous else "kg/m³"

    def said(value: float) -> str:
        return numeral(math.exp(value)) if factor else signed(100.0 * math.expm1(value) if viscous else value)

    ends = f" (95 %: {said(size - half)} to {said(size + half)} {unit})" if half else ""
    return f"{said(size)} {unit}{ends}"


def _shifted(evidence: Evidence, fit: Fit) -> tuple[Array, Array]:
    """Return what a cause moved in each row by all that is known of this run, and half of its 95 % interval."""
    own, total = fit.spread - evidence.spread, fit.spread + evidence.error
    moved = fit.effect + own @ np.linalg.solve(total, evidence.deviation - fit.effect)
    variance = np.diag(own) - np.einsum("ij,ji->i", own, np.linalg.solve(total, own))
    return moved, 1.96 * np.sqrt(np.maximum(variance, 0.0))


def _with_article(expectation: str) -> str:
    return expectation if expectation.startswith(("a ", "the ")) else f"the {expectation}"


def _furthest(evidence: Evidence) -> str:
    place = int(np.abs(evidence.residual_sd).argmax())
    row, away = evidence.rows[place], float(evidence.residual_sd[place])
    side = "above" if away > 0 else "below"
    return (
        f"the furthest, {at_celsius(row.quantity, row.temperature_C)}, lies {numeral(abs(away), 1)} standard "
        f"deviations {side} {_with_article(evidence.expectation)}"
    )


def _noise(evidence: Evidence, fit: Fit) -> str:
    return f"Noise and the spread of the product alone: {_furthest(evidence)}."


def _temperature(evidence: Evidence, fit: Fit) -> str:
    side = "too warm" if fit.size > 0 else "too cold"
    size, ends = abs(fit.size), sorted((abs(fit.lowest), abs(fit.highest)))
    return (
        f"A cell {numeral(size)} K {side} {fit.where} (95 %: {numeral(ends[0])} to {numeral(ends[1])} K) changes "
        f"{changes_of(evidence, fit.effect)}."
    )


def _bubble(evidence: Evidence, fit: Fit) -> str:
    heated = ""
    if (
        fit.where.endswith(f"at {celsius(max(evidence.temperature_C))}")
        and len(set(evidence.temperature_C.tolist())) > 1
    ):
        heated = ", which comes out of the sample as it warms"
    return (
        f"Air, {size_words(fit)} of the cell's volume {fit.where}{heated}, changes {changes_of(evidence, fit.effect)}."
    )


def _residue(evidence: Evidence, fit: Fit) -> str:
    before = evidence.before
    assert before is not None
    note = f" ({before.estimated})" if before.estimated else ""
    when = (
        f"{numeral(before.hours_ago, 1)} h before"
        if before.hours_ago < 48
        else f"{numeral(before.hours_ago / 24, 0)} days before"
    )
    place = f" {fit.where}" if fit.where else ""
    return (
        f"A residue of {before.sample}, run {when}{note}, {size_words(fit)} by volume{place}, changes "
        f"{changes_of(evidence, fit.effect)}."
    )


def _solvent(evidence: Evidence, fit: Fit) -> str:
    much = f"{size_words(fit)} of {fit.where}"
    return f"Cleaning liquid left in the cell, {much}, changes {changes_of(evidence, fit.effect)}."


def _dilution(evidence: Evidence, fit: Fit) -> str:
    return (
        f"Fuel ({fit.where}, or a liquid like it) in the sample, {size_words(fit)} by volume, changes "
        f"{changes_of(evidence, fit.effect)}; a residue of such a liquid in the cell looks the same until a clean cell "
        "is filled again."
    )


def _water(evidence: Evidence, fit: Fit) -> str:
    return f"Water in the sample, {size_words(fit)} by volume, changes {changes_of(evidence, fit.effect)}."


def _bias(evidence: Evidence, fit: Fit) -> str:
    bias = evidence.instrument_bias
    known = "no reference oil speaks for this instrument"
    if bias is not None:
        known = (
            f"its last reference oils are {signed(bias.viscosity_percent, 2)} % ± "
            f"{numeral(2.0 * bias.viscosity_sd, 2)} % off in viscosity, {signed(bias.density_kg_m3, 2)} ± "
            f"{numeral(2.0 * bias.density_sd, 2)} kg/m³ in density"
        )
    return f"The instrument itself may be off, {changes_of(evidence, *_shifted(evidence, fit))}: {known}."


def _product(evidence: Evidence, fit: Fit) -> str:
    usual = evidence.product or "what was expected"
    return (
        f"The numbers are those of {fit.where}, beside {usual} {changes_of(evidence, fit.effect)}: samples or names "
        "may have been exchanged."
    )


def _slip(evidence: Evidence, fit: Fit) -> str:
    return f"A slip of the pen or of a setting ({fit.where}) changes {changes_of(evidence, fit.effect)}."


def _changed(evidence: Evidence, fit: Fit) -> str:
    moved, half = _shifted(evidence, fit)
    clear = evidence.viscous & (np.abs(moved) >= np.maximum(np.sqrt(np.diag(evidence.error)), half))
    sides = {bool(one > 0.0) for one in moved[clear]}
    how = "changed" if len(sides) != 1 else "thickened or oxidised" if sides.pop() else "thinned or sheared"
    return f"The sample itself may have {how}: {changes_of(evidence, moved, half)}."


def _unlisted(evidence: Evidence, fit: Fit) -> str:
    where = f", {fit.where}" if fit.where else ""
    return f"{CAUSES[fit.cause].title}{where}: {changes_of(evidence, *_shifted(evidence, fit))}."


_OPENINGS = {
    "noise": _noise,
    "cell temperature": _temperature,
    "air bubble": _bubble,
    "residue": _residue,
    "solvent": _solvent,
    "dilution": _dilution,
    "water": _water,
    "instrument bias": _bias,
    "another product": _product,
    "slip": _slip,
    "changed": _changed,
}


def next_step(candidate: Candidate, rows: Sequence[tuple[str, float]], cause: str, rival: str, chance: float) -> str:
    """Return a next step in one sentence: what to do, all that it gives, and how often that tells two causes apart."""
    at: dict[tuple[float, ...], list[str]] = {}
    for quantity in dict.fromkeys(one for one, _ in rows):
        at.setdefault(tuple(T for one, T in rows if one == quantity), []).append(quantity)
    what = ", ".join(f"{' and '.join(ones)} at {' and '.join(map(celsius, Ts))}" for Ts, ones in at.items())
    action = _ACTIONS[candidate.kind].format(what=what)
    return f"{action[0].upper()}{action[1:]}: {_in_ten(chance)} that it tells '{titled(cause)}' from '{titled(rival)}'."


_TENTHS = ("no", *["one", "two", "three", "four", "five", "six", "seven", "eight", "nine"])


def _in_ten(chance: float) -> str:
    """Return a probability as so many in ten, rounded down: none is promised that isn't there."""
    tenths = min(math.floor(10.0 * chance + 1e-9), 9)
    return f"{_TENTHS[tenths]} in ten" if tenths else "less than one in ten"
