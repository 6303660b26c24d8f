"""Causes without one size: a normal shift of unknown amount, another product, and slips of unit or transcription."""

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from labcalc.judgement.causes.catalogue import Array, tail_log
from labcalc.judgement.causes.evidence import Evidence, Row
from labcalc.judgement.causes.expectation import HEAVIEST, LIGHTEST, ZERO_C, open_course
from labcalc.judgement.causes.surroundings import UNCHECKED_DENSITY, UNCHECKED_VISCOSITY
from labcalc.wording import at_celsius, celsius, plain

_DIGITS = 6
_SEEN = 4.0  # a slip that changes less than this many standard deviations of the noise is not looked for, [-]
_ANYTHING = ((0.02, 1.0), (0.1, 4.0), (0.4, 16.0), (1.5, 60.0))  # how wide it is: ln ν [-], ρ [kg/m³]; our own choice
_NEIGHBOUR = 5.0  # how much likelier an exchange with the run before is than with another product, [-]: our own choice
_FACTORS = {
    10.0: "ten times too much",
    0.1: "a tenth of it",
    100.0: "a hundred times too much",
    0.01: "a hundredth of it",
    1000.0: "a thousand times too much",
    0.001: "a thousandth of it",
}
# of slips, by whether the values were typed, [-]: units, factors, temperatures, digits; labcalc's own choice
_SHARES = {None: (0.2, 0.15, 0.25, 0.4), True: (0.2, 0.15, 0.2, 0.45), False: (0.4, 0.01, 0.58, 0.01)}
_Slips = Iterator[tuple[str, dict[int, float]]]  # words, and the true value of each row that it touches
# temperature [°C] and the round one of the old tables that is taken for it, [°F]
_NEAR_F = {15.0: 60.0, 20.0: 70.0, 37.8: 100.0, 40.0: 100.0, 50.0: 122.0, 98.9: 210.0, 100.0: 210.0}
_KELVIN_FROM, _HOTTEST_CELL = 200.0, 150.0  # kelvin are looked for above the first; no bench cell is above the second
_CUSTOMARY_C = np.array([-40.0, -20.0, 0.0, 15.0, 20.0, 25.0, 40.0, 50.0, 80.0, 100.0])
_NO_CELL = 1e6  # how much likelier a slip is that leaves no temperature at which no cell is, [-]: our own choice
_CUSTOMARY = 20.0  # the same of one after which all temperatures are customary where they weren't, [-]


@dataclass(frozen=True, eq=False)
class Shift:
    """A cause without one size: what it does to ln ν and ρ of the rows, and how likely it is within its cause."""

    cause: str
    where: str
    weight: float
    effect: Array
    spread: Array | None = None  # covariance of the rows if it is so, noise apart; None: as expected


def shifts_of(evidence: Evidence) -> tuple[Shift, ...]:
    """Return the normal causes: a bias of the instrument, the products of the house, and something else."""
    return (_bias(evidence), *_products(evidence), *_anything(evidence))


def _anything(evidence: Evidence) -> list[Shift]:
    """A wide shift of its own for every quantity and temperature of the bottle, every fill, a quantity, or a row."""
    bottle, cell, viscous = evidence.in_bottle, evidence.in_cell, evidence.viscous
    at, fill = np.round(evidence.temperature_C, 1), evidence.replicate
    quantity = viscous[:, np.newaxis] == viscous
    place = quantity & (at[:, np.newaxis] == at)
    patterns = [
        (0.2, bottle, place), (0.15, cell, place & (fill[:, np.newaxis] == fill)), (0.15, bottle & viscous, place),
        (0.1, bottle & viscous, quantity), (0.1, bottle & ~viscous, quantity),
        (0.1, evidence.same_instrument, quantity),
    ]  # fmt: skip
    one_place = place & (fill[:, np.newaxis] == fill) & cell  # what is in a fill is there when it is read again
    alone = list(np.unique(one_place[cell], axis=0))
    patterns += [(0.2 / len(alone), here, quantity) for here in alone]
    nothing, found = np.zeros(viscous.size), []
    for (share, here, together), (thick, heavy) in itertools.product(patterns, _ANYTHING):
        if here.any():
            sd = here * np.where(viscous, thick, heavy)
            spread = evidence.spread + together * np.outer(sd, sd)
            found.append(Shift("something else", "", share / len(_ANYTHING), nothing, spread))
    return found


def _bias(evidence: Evidence) -> Shift:
    """Return the bias that the reference oils leave possible, weighed by how much they speak for one."""
    bias, viscous, here = evidence.instrument_bias, evidence.viscous, evidence.same_instrument
    found = (0.0, math.nan, 0.0, math.nan)
    if bias is not None:
        found = (bias.viscosity_percent / 100.0, bias.viscosity_sd / 100.0, bias.density_kg_m3, bias.density_sd)
    thick, heavy = _left_possible(*found[:2], UNCHECKED_VISCOSITY), _left_possible(*found[2:], UNCHECKED_DENSITY)
    mean, sd = (np.where(viscous, one, other) * here for one, other in zip(thick[:2], heavy[:2], strict=True))
    spread = evidence.spread + (viscous[:, np.newaxis] == viscous) * np.outer(sd, sd)
    return Shift("instrument bias", "", thick[2] * heavy[2], mean, spread)


def _left_possible(found: float, sd: float, usual: float) -> tuple[float, float, float]:
    """Return mean and sd of a bias, usually ``usual``, and how many times likelier reference oils make it, [-]."""
    if math.isnan(sd):
        return 0.0, usual, 1.0
    wide = math.hypot(sd, usual)
    factor = sd / wide * math.exp(float(tail_log(found / sd) - tail_log(found / wide)))
    return found * (usual / wide) ** 2, sd * usual / wide, factor


def _products(evidence: Evidence) -> list[Shift]:
    """Return the other products that tell both quantities of the run."""
    here, fitting = evidence.in_bottle, evidence.telling_products
    viscous, at, before = evidence.viscous, evidence.temperature_C, evidence.before and evidence.before.product
    shares = np.array([_NEIGHBOUR if one.name == before else 1.0 for one in fitting])
    found = []
    for one, share in zip(fitting, shares / max(shares.sum(), 1.0), strict=True):
        effect, spread = np.zeros(at.size), evidence.spread.copy()
        mean, own = one.expectation.moments(viscous[here], at[here])
        effect[here] = mean - evidence.mean[here]
        spread[here, :] = spread[:, here] = 0.0
        spread[np.ix_(here, here)] = own
        found.append(Shift("another product", one.name, float(share), effect, spread))
    return found


# --- Slips ---


def slips_of(evidence: Evidence) -> tuple[Shift, ...]:
    """Return the slips that would be seen: units, factors, temperatures exchanged or in another unit, wrong digits."""
    groups = (
        _put_right(evidence, _units(evidence)),
        _put_right(evidence, _factors(evidence)),
        [*_put_right(evidence, _exchanges(evidence)), *_temperatures(evidence)],
        _put_right(evidence, _digits(evidence)),
    )
    single = np.sqrt(np.diag(evidence.error))
    return tuple(
        replace(one, weight=share / len(ones) * one.weight)
        for share, ones in zip(_SHARES[evidence.typed], groups, strict=True)
        for one in ones
        if one.weight > 1.0 or np.max(np.abs(one.effect) / single) > _SEEN
    )


def _put_right(evidence: Evidence, slips: _Slips) -> list[Shift]:
    found = []
    for words, true in slips:
        effect = np.zeros(len(evidence.rows))
        for place, value in true.items():
            measured = evidence.rows[place].measured
            effect[place] = math.log(measured / value) if evidence.viscous[place] else measured - value
        found.append(Shift("slip", words, 1.0, effect))
    return found


def _temperatures(evidence: Evidence) -> list[Shift]:
    """Temperatures in °F or kelvin, an old table's taken for a round one, rows of two temperatures exchanged."""
    at, here, temperatures = evidence.temperature_C, evidence.in_cell, evidence.temperatures
    near_one = np.array([(_NEAR_F.get(round(float(T), 1), 1.8 * T + 32.0) - 32.0) / 1.8 for T in at])
    units = [("°F written as °C", (at - 32.0) / 1.8), ("100 °F taken for 40 °C, 210 °F for 100 °C", near_one)]
    if at[here].max() > _KELVIN_FROM:
        units.append(("kelvin written as °C", at - ZERO_C))
    places = [("every row", here)]
    places += [(f"at {celsius(T)}", here & evidence.near(T)) for T in temperatures if len(temperatures) > 1]
    told = [(f"{words}: {place}", np.where(rows, true, at)) for words, true in units for place, rows in places]
    for fill, (T, other) in itertools.product(evidence.fills, itertools.combinations(temperatures, 2)):
        this = here & (evidence.replicate == fill)
        cold, hot = this & evidence.near(T), this & evidence.near(other)
        to_hot, to_cold = np.where(cold, other, at), np.where(hot, T, at)
        told += [
            (f"rows of {celsius(T)} and {celsius(other)} exchanged, fill {fill}", np.where(cold, other, to_cold)),
            (f"measured at {celsius(other)}, written under {celsius(T)}, fill {fill}", to_hot),
            (f"measured at {celsius(T)}, written under {celsius(other)}, fill {fill}", to_cold),
        ]
    return [
        Shift("slip", words, _by_temperatures(at[here], true[here]), *_measured_at(evidence, true))
        for words, true in told
        if (true > -ZERO_C).all()
    ]


def _by_temperatures(written: Array, true: Array) -> float:
    """Return how much likelier it is by the temperatures alone, [-]."""
    if written.max() > _KELVIN_FROM:
        return _NO_CELL if true.max() <= _HOTTEST_CELL else 1.0
    was, becomes = ((np.abs(one[:, np.newaxis] - _CUSTOMARY_C) < 0.2).any(axis=1).all() for one in (written, true))
    return _CUSTOMARY if becomes and not was else 1.0


def _measured_at(evidence: Evidence, true_C: Array) -> tuple[Array, Array]:
    """Return what the rows show if they were measured at other temperatures, and how well that is known."""
    spread, own, course = evidence.spread.copy(), np.flatnonzero(evidence.of_sample), evidence.course
    if evidence.course.basis == "curve":  # it goes through the run's own values, wherever they were measured
        scaled = evidence.deviation + evidence.mean
        viscous, dense = (evidence.of_sample & (evidence.viscous == kind) for kind in (True, False))
        viscosity = open_course(True, true_C[viscous], scaled[viscous])
        course = replace(course, viscosity=viscosity, density=open_course(False, true_C[dense], scaled[dense]))
    mean, known = course.moments(evidence.viscous, true_C)
    mean[~evidence.of_sample] = evidence.mean[~evidence.of_sample]
    spread[np.ix_(own, own)] = known[np.ix_(own, own)]
    return mean - evidence.mean, spread


def _own_rows(evidence: Evidence) -> list[tuple[int, Row, str]]:
    """Return place and name of the rows of the run."""
    every = ((place, row, at_celsius(row.quantity, row.temperature_C)) for place, row in enumerate(evidence.rows))
    return [one for one in every if one[1].kind == "run"]


def _units(evidence: Evidence) -> _Slips:
    """mPa·s under mm²/s, for one determination or all, viscosity and density in each other's column."""
    dense = {(row.temperature_C, row.replicate): n for n, row in enumerate(evidence.rows) if row.quantity == "density"}
    every: dict[int, float] = {}
    for place, row, name in _own_rows(evidence):
        if row.quantity == "density":
            continue
        partner = dense.get((row.temperature_C, row.replicate))
        heavy = 870.0 if partner is None else evidence.rows[partner].measured
        every[place] = row.measured * 1000.0 / heavy
        yield f"mPa·s written under mm²/s: {name}", {place: every[place]}
        if partner is not None and LIGHTEST <= row.measured <= HEAVIEST:
            exchanged = {place: heavy, partner: row.measured}
            yield f"viscosity and density exchanged at {celsius(row.temperature_C)}", exchanged
    if len(every) > 1:
        yield "mPa·s written under mm²/s: every viscosity", every


def _factors(evidence: Evidence) -> _Slips:
    for place, row, name in _own_rows(evidence):
        if evidence.viscous[place]:
            yield from ((f"{words}: {name}", {place: row.measured / factor}) for factor, words in _FACTORS.items())


def _exchanges(evidence: Evidence) -> _Slips:
    """Values of two temperatures of one fill exchanged."""
    for (first, a, name), (second, b, _) in itertools.combinations(_own_rows(evidence), 2):
        if a.quantity == b.quantity and a.replicate == b.replicate and a.temperature_C != b.temperature_C:
            yield f"{name} and {celsius(b.temperature_C)} exchanged", {first: b.measured, second: a.measured}


def _digits(evidence: Evidence) -> _Slips:
    """Two neighbouring digits of a printed value exchanged, or one of its first four another."""
    for place, row, name in _own_rows(evidence):
        text = f"{row.measured:.{_DIGITS}g}"
        plainly = "e" not in text and row.measured >= 0.1
        places = [at for at, sign in enumerate(text) if sign.isdigit()] if plainly else []
        swapped = (  # the point left where it is
            text[:a] + text[b] + text[a + 1 : b] + text[a] + text[b + 1 :]
            for a, b in itertools.pairwise(places)
            if text[a] != text[b]
        )
        misread = (text[:at] + sign + text[at + 1 :] for at in places[:4] for sign in "0123456789" if sign != text[at])
        for words, others in (("digits exchanged", swapped), ("a wrong digit", misread)):
            for true in (value for value in map(float, others) if value > 0.0):
                yield f"{words}: {name}, {plain(row.measured, _DIGITS)} for {plain(true, _DIGITS)}", {place: true}
