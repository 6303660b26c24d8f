"""Causes and next steps in plain words, each with its numbers."""

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from labcalc.judgement.causes.catalogue import CAUSES, Array
from labcalc.judgement.causes.evidence import KINDS, Evidence
from labcalc.judgement.causes.next_measurement import NextMeasurement
from labcalc.judgement.causes.ranking import Fit
from labcalc.wording import at_celsius, celsius, numeral, signed

_WORTH_TELLING = 1.0  # a change smaller than this many standard deviations of the noise is not told, [-]
_LOG_FACTOR = math.log(2.0)  # ln of the factor from which a change of viscosity is told as one, not in per cent, [-]
_TENTHS = ("less than one", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")  # rounded down


def titled(cause: str) -> str:
    """Return a cause's title as part of a sentence."""
    return CAUSES[cause].title[0].lower() + CAUSES[cause].title[1:]


def size_words(fit: Fit) -> str:
    """Return the size of a cause with its 95 % interval; empty where it has none."""
    if not CAUSES[fit.cause].unit:
        return ""
    return f"{numeral(fit.size)} {fit.unit} (95 %: {numeral(fit.lowest)} to {numeral(fit.highest)} {fit.unit})"


def sentence_of(evidence: Evidence, fit: Fit) -> str:
    """Return a cause in one or two sentences: what, how much, where, what that does, and how well it fits."""
    opening, number = opening_of(evidence, fit), len(evidence.rows)
    if fit.degrees_of_freedom < 1:
        return f"{opening} One quantity alone can't say whether it fits."
    quality = "fits" if fit.p_value >= 0.05 else "fits badly" if fit.p_value >= 0.001 else "does not fit"
    return f"{opening} It {quality} {f'all {number} quantities together' if number > 1 else 'the one quantity'}."


def opening_of(evidence: Evidence, fit: Fit) -> str:
    """Return what a cause is here: how much, where, and what that does."""
    return CAUSES[fit.cause].sentence.format(
        title=CAUSES[fit.cause].title,
        size=size_words(fit),
        where=fit.where,
        place=fit.where and f", {fit.where}",
        fills=fit.where and f" {fit.where}",
        usual=evidence.product or "what was expected",
        its=_ToldCause(evidence, fit),
    )


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


@dataclass(frozen=True, eq=False)
class _ToldCause:
    """What costs time to put into words, and only is where the sentence of a cause names it."""

    evidence: Evidence
    fit: Fit

    @property
    def changes(self) -> str:
        return changes_of(self.evidence, self.fit.effect)

    @property
    def furthest(self) -> str:
        place = int(np.abs(self.evidence.residual_sd).argmax())
        row, away = self.evidence.rows[place], float(self.evidence.residual_sd[place])
        usual = self.evidence.course.words
        usual = usual if usual.startswith(("a ", "an ", "the ")) else f"the {usual}"
        where = f"{numeral(abs(away), 1)} standard deviations {'above' if away > 0 else 'below'} {usual}"
        return f"{at_celsius(row.quantity, row.temperature_C)}, lies {where}"

    @property
    def offset(self) -> str:
        fit, ends = self.fit, sorted(map(abs, (self.fit.lowest, self.fit.highest)))
        what = f"{numeral(abs(fit.size))} K {'too warm' if fit.size > 0 else 'too cold'} {fit.where}"
        return f"{what} (95 %: {numeral(ends[0])} to {numeral(ends[1])} K)"

    @property
    def heated(self) -> str:
        at = self.evidence.temperature_C
        rises = np.ptp(at) > 0.0 and self.fit.where.endswith(f"at {celsius(at.max())}")
        return ", which comes out of the sample as it warms" if rises else ""

    @property
    def before(self) -> str:
        one = self.evidence.before
        assert one is not None
        hours, days = numeral(one.hours_ago, 1), numeral(one.hours_ago / 24, 0)
        when = f"{hours} h before" if one.hours_ago < 48 else f"{days} days before"
        return f"{one.sample}, run {when}{f' ({one.estimated})' if one.estimated else ''}"

    @property
    def known(self) -> str:
        bias = self.evidence.instrument_bias
        if bias is None:
            return "no reference oil speaks for this instrument"
        return (
            f"its last reference oils are {signed(bias.viscosity_percent, 2)} % ± "
            f"{numeral(2.0 * bias.viscosity_sd, 2)} % off in viscosity, {signed(bias.density_kg_m3, 2)} ± "
            f"{numeral(2.0 * bias.density_sd, 2)} kg/m³ in density"
        )

    @cached_property
    def _shifted(self) -> tuple[Array, Array]:
        """What it moved in each row by all that is known of this run, and half of the 95 % interval of that."""
        evidence, fit = self.evidence, self.fit
        own, total = fit.spread - evidence.spread, fit.spread + evidence.error
        moved = fit.effect + own @ np.linalg.solve(total, evidence.deviation - fit.effect)
        variance = np.diag(own) - np.einsum("ij,ji->i", own, np.linalg.solve(total, own))
        return moved, 1.96 * np.sqrt(np.maximum(variance, 0.0))

    @property
    def shift(self) -> str:
        return changes_of(self.evidence, *self._shifted)

    @property
    def ageing(self) -> str:
        (moved, half), evidence = self._shifted, self.evidence
        clear = evidence.viscous & (np.abs(moved) >= np.maximum(np.sqrt(np.diag(evidence.error)), half))
        sides = {bool(one > 0.0) for one in moved[clear]}
        return "changed" if len(sides) != 1 else "thickened or oxidised" if sides.pop() else "thinned or sheared"


def next_step(step: NextMeasurement, cause: str, rival: str, chance: float) -> str:
    """Return a next step in one sentence: what to do, all that it gives, and how often that tells two causes apart."""
    at: dict[tuple[float, ...], list[str]] = {}
    for quantity in dict.fromkeys(one for one, _ in step.rows):
        at.setdefault(tuple(T for one, T in step.rows if one == quantity), []).append(quantity)
    what = ", ".join(f"{' and '.join(ones)} at {' and '.join(map(celsius, Ts))}" for Ts, ones in at.items())
    action = KINDS[step.kind].action.format(what=what)
    tenths = _TENTHS[min(math.floor(10.0 * chance + 1e-9), 9)]
    apart = f"'{titled(cause)}' from '{titled(rival)}'"
    return f"{action[0].upper()}{action[1:]}. Chance that this tells {apart}: {tenths} in ten."
