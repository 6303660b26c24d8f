r"""Which causes the numbers allow, and how likely each is: every hypothesis of every cause weighed, and ranked.

A hypothesis is one place and one size of a cause: normal in ln ν and ρ, its tails those of Student's t. Between two
sizes of a path lies a normal spread of nearly half their distance along it, so that together they are as good as the
log-normal size; what a cause does is known to some per cent only, alike in every fill.

.. math:: \ln p = -\tfrac12 \ln|C| - \tfrac{f + n}{2} \ln\left(1 + \chi^2 / f\right), \quad
    C = \Sigma + R + g g^T + \delta^2 E
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc, logsumexp

from labcalc.errors import EvidenceError
from labcalc.judgement.causes.catalogue import CAUSES, DEVIATIONS, OTHER, PRIOR_ODDS, TAIL, Array, Paths
from labcalc.judgement.causes.evidence import Evidence
from labcalc.judgement.causes.shifts import Shift, shifts_of, slips_of
from labcalc.judgement.causes.temperature_and_air import paths_of
from labcalc.wording import counted, numeral, p_value

DISCREPANCY = 0.12  # how far what a cause does is from what the physics says, as a share of it, [-]: our own choice
_BETWEEN = 0.45  # spread along a path over the distance of nodes, [-]: from 0.4 on a chain of normals is smooth in 8 %
_SPREADS = 5  # the size, at most three more that lie anywhere between paths, and of two at once the size of the first
MASSES: Array = np.exp(-0.5 * DEVIATIONS**2) / np.exp(-0.5 * DEVIATIONS**2).sum()  # of each node in a log-normal size
UNLIKELY = 0.001  # probability of so bad a fit by chance below which a cause is taken not to fit, [-]: our own choice
_MOST_WITHOUT_FIT = 0.9  # no cause that doesn't fit is stated with more than this, [-]
_TWO_ASKED_FROM = 0.01  # two causes at once are looked at where none fits with more than this, [-]
_FIRST_SIZE = 2.0  # how much wider than between two nodes the first size of two is left: it was found without the other
_FIRSTS = 12  # how many places of single causes a second one is added to
_SLIPS = {True: 2.0, False: 0.3, None: 1.0}  # how much likelier slips are where people typed, or instruments wrote, [-]
_CLOSE = 0.2  # how likely a fuel is beside the likeliest one, from which on both are named, [-]: labcalc's own choice
_STEPS = np.linspace(-4.0, 4.0, 801)


@dataclass(frozen=True, eq=False)
class Hypotheses:
    """Every place and size of every cause, one an entry."""

    cause: NDArray[np.object_]
    where: NDArray[np.object_]
    log_weight: Array  # ln of prior odds times the share within the cause
    size: Array  # signed; NaN where there is none
    effect: Array  # what it does to ln ν and ρ, by row
    growth: Array  # what spreads of the size, and of what else lies between two paths, do to that: spread by row
    unequal: Array  # how unequal it is from fill to fill and temperature to temperature, as a share of it, [-]
    kind: NDArray[np.int64]  # which covariance of what was expected holds
    loose: Array  # how far the effect is from what the physics says, as a share of it, [-]
    spread: Array  # the covariances of what was expected: kind by row by row

    def only(self, these: NDArray[np.int64] | NDArray[np.bool_]) -> Hypotheses:
        return self._each(lambda name: vars(self)[name][these])

    def plus(self, *others: Hypotheses) -> Hypotheses:
        """Return these and others of the same spreads."""
        return self._each(lambda name: np.concatenate([vars(one)[name] for one in (self, *others)]))

    def _each(self, column: Callable[[str], Any]) -> Hypotheses:
        return replace(self, **{name: column(name) for name in vars(self) if name != "spread"})


def hypotheses_of(evidence: Evidence, paths: Sequence[Paths], shifts: Sequence[Shift]) -> Hypotheses:
    """Return paths and shifts as hypotheses, their weights within each cause."""
    n, blocks = len(evidence.rows), []
    for path in paths:
        number = path.sizes.size
        blocks.append((
            np.full(number, path.cause, dtype=object),
            np.repeat(np.array(path.where, dtype=object), MASSES.size),
            (np.log(path.weights[:, np.newaxis] * MASSES) + (0.0 if path.told is None else path.told)).ravel(),
            path.sizes.ravel(), path.effects.reshape(-1, n), _growths(path).reshape(-1, _SPREADS, n),
            np.repeat(path.unequal or np.zeros(len(path.where)), MASSES.size),
            np.zeros(number, dtype=np.int64), np.full(number, DISCREPANCY),
        ))  # fmt: skip
    spreads = [evidence.spread]
    for one in shifts:
        if one.spread is not None:
            spreads.append(one.spread)
        kind = 0 if one.spread is None else len(spreads) - 1
        blocks.append((
            np.array([one.cause], dtype=object), np.array([one.where], dtype=object), np.log([one.weight]),
            np.array([np.nan]), one.effect[np.newaxis], np.zeros((1, _SPREADS, n)), np.zeros(1),
            np.array([kind], dtype=np.int64), np.zeros(1),
        ))  # fmt: skip
    columns: list[Any] = [np.concatenate(one) for one in zip(*blocks, strict=True)]
    columns.append(np.stack(spreads))
    return Hypotheses(*columns)


def _growths(one: Paths) -> Array:
    """Return what the spreads along the sizes and along each axis of a grid do: path by node by spread by row."""
    found = np.zeros((*one.effects.shape[:2], _SPREADS, one.effects.shape[2]))
    found[:, :, 0] = np.gradient(one.effects, axis=1)
    axes = one.axes or ((len(one.where), False),)
    grid = one.effects.reshape(*(length for length, _ in axes), *one.effects.shape[-2:])
    steps = [axis for axis, (length, between) in enumerate(axes) if between and length > 1]
    for place, axis in enumerate(steps, start=1):
        found[:, :, place] = np.gradient(grid, axis=axis).reshape(one.effects.shape)
    return np.asarray(_BETWEEN * found)


def covariances(evidence: Evidence, these: Hypotheses, known: int | None = None) -> Array:
    """Return the covariance of the first rows under each hypothesis, noise of single determinations included."""
    growth, effect = these.growth[..., :known], these.effect[:, :known]
    C = these.spread[these.kind][:, :known, :known] + evidence.error[:known, :known]
    C += np.swapaxes(growth, 1, 2) @ growth
    at, viscous, fill = evidence.temperature_C[:known].round(1), evidence.viscous[:known], evidence.replicate[:known]
    same_T = at[:, np.newaxis] == at
    share = (these.loose**2)[:, np.newaxis, np.newaxis] * (same_T & (viscous[:, np.newaxis] == viscous))
    share += (these.unequal**2)[:, np.newaxis, np.newaxis] * (same_T & (fill[:, np.newaxis] == fill))
    return np.asarray(C + effect[:, :, np.newaxis] * effect[:, np.newaxis, :] * share)


def misfits(away: Array, covariance: Array) -> tuple[Array, Array]:
    """Return χ² and ln of the density of deviations under covariances."""
    factor = np.linalg.cholesky(covariance)
    white = np.linalg.solve(factor, away[..., np.newaxis])[..., 0]
    chi2 = np.einsum("...n,...n->...", white, white)
    n, log_scale = away.shape[-1], -np.log(np.diagonal(factor, axis1=-2, axis2=-1)).sum(axis=-1)
    constant = math.lgamma((TAIL + n) / 2.0) - math.lgamma(TAIL / 2.0) - n / 2.0 * math.log(TAIL * math.pi)
    return chi2, constant + log_scale - 0.5 * (TAIL + n) * np.log1p(chi2 / TAIL)


# --- The causes weighed ---


@dataclass(frozen=True, eq=False)
class Weighed:
    """Every hypothesis weighed; what a fit needs is kept."""

    evidence: Evidence
    probabilities: dict[str, float]  # by cause, together 1, the most probable first
    hypotheses: Hypotheses
    log_posterior: Array  # ln of weight times likelihood
    chi2: Array

    @property
    def leading(self) -> str:
        """The most probable cause."""
        return next(iter(self.probabilities))


@dataclass(frozen=True, eq=False)
class Fit:
    """A cause at its best place and size, as far as the numbers allow it."""

    cause: str
    where: str  # at which temperature or fill, or which product or slip; empty where there is nothing to say
    size: float  # median, in ``unit``; NaN where the cause has none
    lowest: float  # end of the central 95 % of the size, in ``unit``
    highest: float  # the other end
    unit: str
    misfit: float  # Chi-square of all quantities together, [-]
    degrees_of_freedom: int
    effect: Array  # what it does to ln ν and ρ of the rows
    spread: Array  # covariance of what was expected if it is so, noise apart
    predicted: Array  # what it predicts in mm²/s and kg/m³, with the batch where it fits best

    @property
    def p_value(self) -> float:
        """How often a misfit as large comes by chance if it is the cause, [-]; NaN without degrees of freedom."""
        degrees = self.degrees_of_freedom
        return float(chdtrc(degrees, max(self.misfit, 0.0))) if degrees > 0 else math.nan

    @property
    def misfit_words(self) -> str:
        """How far the numbers are from the cause's, as a statistician reads it."""
        degrees = counted(self.degrees_of_freedom, "degree of freedom", "degrees of freedom")
        found = f"chi-square {numeral(self.misfit, 1) if self.misfit < 1000.0 else 'over 1000'} with {degrees}"
        return found if self.degrees_of_freedom < 1 else f"{found}, {p_value(self.p_value)}"


def weigh(evidence: Evidence, odds: Mapping[str, float] = PRIOR_ODDS, known: int | None = None) -> Weighed:
    """Return the probability of each cause: prior odds times marginal likelihood, of the first rows that are known.
    Causes without odds, and those that can't be here (no run before, no other product), are left out."""
    if unknown := set(odds) - set(CAUSES):
        raise EvidenceError(f"'{sorted(unknown)[0]}' is no cause; there are: {', '.join(CAUSES)}")
    hypotheses = possible(evidence, odds)
    (chi2, logs), number = _against(evidence, hypotheses, known), known or len(evidence.rows)
    best = max(chi2[hypotheses.cause != OTHER].min(initial=math.inf), 0.0)
    if odds.get("two at once", 0.0) > 0.0 and chdtrc(number, best) < _TWO_ASKED_FROM:
        both = _two_at_once(hypotheses, logs, odds["two at once"])
        more_chi2, more_logs = _against(evidence, both, known)
        hypotheses = hypotheses.plus(both)
        chi2, logs = np.concatenate([chi2, more_chi2]), np.concatenate([logs, more_logs])
    return Weighed(evidence, _probabilities(hypotheses, logs, chi2, number), hypotheses, logs, chi2)


def possible(evidence: Evidence, odds: Mapping[str, float]) -> Hypotheses:
    """Return the hypotheses of the causes that have odds, with these in their weights."""
    asked = {cause for cause, share in odds.items() if share > 0.0}
    nothing = Shift("noise", "", 1.0, np.zeros(len(evidence.rows)))
    slips = slips_of(evidence) if "slip" in asked else ()
    shifts = [one for one in (nothing, *shifts_of(evidence), *slips) if one.cause in asked]
    paths = paths_of(evidence, asked)
    if not (paths or shifts):
        raise EvidenceError("none of the causes asked for is possible for this run")
    found = hypotheses_of(evidence, paths, shifts)
    likelier = {**odds, "slip": odds.get("slip", 0.0) * _SLIPS[evidence.typed]}
    for cause in {*found.cause}:
        found.log_weight[found.cause == cause] += math.log(likelier[cause])
    return found


def _against(evidence: Evidence, these: Hypotheses, known: int | None) -> tuple[Array, Array]:
    """Return χ² of hypotheses and ln of weight times likelihood."""
    away = evidence.deviation[:known] - these.effect[:, :known]
    chi2, log_density = misfits(away, covariances(evidence, these, known))
    return chi2, these.log_weight + log_density


def _two_at_once(single: Hypotheses, logs: Array, odds: float) -> Hypotheses:
    """Return a second cause added to each of the likeliest first ones; each pair has its share of the odds."""
    real = np.flatnonzero(~np.isin(single.cause, ("noise", OTHER, "another product", "instrument bias")))
    firsts: dict[tuple[str, str], int] = {}
    for place in real[np.argsort(-logs[real])]:
        firsts.setdefault((single.cause[place], single.where[place]), int(place))
    second = single.only(real[::2])
    parts = []
    for (cause, where), first in list(firsts.items())[:_FIRSTS]:
        other = second.only(second.cause != cause)
        other.effect[:] += single.effect[first]
        other.growth[:, -1] = _FIRST_SIZE * single.growth[first, 0]
        other.log_weight[:] += single.log_weight[first]
        named = [f"{c} ({w})" if w else c for c, w in [(cause, where), *zip(other.cause, other.where, strict=True)]]
        other.where[:] = [f"{named[0]} and {one}" for one in named[1:]]
        other.cause[:], other.size[:] = "two at once", math.nan
        parts.append(other)
    found, shares = parts[0].plus(*parts[1:]), np.exp(single.log_weight[real])
    alike = sum(shares[single.cause[real] == cause].sum() ** 2 for cause in {*single.cause[real]})
    found.log_weight[:] += math.log(2.0 * odds / (shares.sum() ** 2 - alike))  # every other node stands for two
    return found


def _probabilities(these: Hypotheses, logs: Array, chi2: Array, number: int) -> dict[str, float]:
    """Return the share of each cause; a leading one that doesn't fit gets 90 % at most, the rest is something else."""
    shares = np.exp(logs - logsumexp(logs))
    found = {cause: float(shares[these.cause == cause].sum()) for cause in dict.fromkeys(these.cause)}
    leading = max(found, key=lambda cause: found[cause])
    if OTHER in found and leading != OTHER and found[leading] > _MOST_WITHOUT_FIT:
        best = np.where(these.cause == leading, logs, -np.inf).argmax()
        if chdtrc(max(number - math.isfinite(these.size[best]), 1), chi2[best]) < UNLIKELY:
            found |= {OTHER: found[OTHER] + (found[leading] - _MOST_WITHOUT_FIT), leading: _MOST_WITHOUT_FIT}
    return dict(sorted(found.items(), key=lambda pair: -pair[1]))


def fit_of(weighed: Weighed, cause: str) -> Fit:
    """Return a cause at its best."""
    evidence, every = weighed.evidence, weighed.hypotheses
    places = np.flatnonzero(every.cause == cause)
    best = int(places[weighed.log_posterior[places].argmax()])
    one = every.only(np.array([best]))
    (covariance,), spread = covariances(evidence, one), one.spread[one.kind[0]]
    solved = np.linalg.solve(covariance, evidence.deviation - one.effect[0])
    effect = one.effect[0] + np.clip(one.growth[0] @ solved, -2.0, 2.0) @ one.growth[0]
    sized, unit = math.isfinite(one.size[0]), CAUSES[cause].unit
    size, low, high = (CAUSES[cause].shown * end for end in _size(weighed, places, best)) if sized else (math.nan,) * 3
    if cause == "instrument bias":
        (size, low, high), unit = _shift(evidence, one.effect[0], spread - evidence.spread, covariance, solved)
    batch = spread @ np.linalg.solve(spread + evidence.error, evidence.deviation - effect)
    where = _fuels(every.where[places], weighed.log_posterior[places]) if cause == "dilution" else one.where[0]
    misfit, degrees = float(weighed.chi2[best]), len(evidence.rows) - sized
    predicted = evidence.in_units(evidence.mean + effect + batch)
    return Fit(cause, where, size, low, high, unit, misfit, degrees, effect, spread, predicted)


def _fuels(names: NDArray[np.object_], logs: Array) -> str:
    """Return which fuels the numbers are those of, the likeliest first; how much of it is asked of all."""
    sums = {name: float(logsumexp(logs[names == name])) for name in dict.fromkeys(names)}
    close = [name for name, log in sums.items() if log >= max(sums.values()) + math.log(_CLOSE)]
    *more, last = sorted(close, key=lambda name: -sums[name])
    return f"{', '.join(more)} or {last}" if more else str(last)


def _size(weighed: Weighed, places: NDArray[np.int64], best: int) -> tuple[float, float, float]:
    """Return the median and the central 95 % of the size, of the hypotheses that sit where the best one does."""
    every = weighed.hypotheses
    sign, scale = math.copysign(1.0, every.size[best]), CAUSES[every.cause[best]]
    anywhere = every.cause[best] == "dilution"  # which fuel it is hardly shows, and how much hangs on it
    alike = places[(anywhere | (every.where[places] == every.where[best])) & (every.size[places] * sign > 0.0)]
    these, logs = every.only(alike), weighed.log_posterior[alike]
    C = covariances(weighed.evidence, these)
    solved = np.linalg.solve(C, np.stack([weighed.evidence.deviation - these.effect, these.growth[:, 0]], axis=-1))
    moved, told = np.einsum("kn,knm->mk", these.growth[:, 0], solved)
    width = 0.45 * (DEVIATIONS[1] - DEVIATIONS[0])
    centre = np.log(np.abs(these.size) / scale.median) / math.log(scale.factor) + width * np.clip(moved, -2.0, 2.0)
    sd = width * np.sqrt(np.maximum(1.0 - told, 1e-6))
    share = np.exp(logs - logs.max())
    density = (share / sd) @ np.exp(-0.5 * ((_STEPS - centre[:, np.newaxis]) / sd[:, np.newaxis]) ** 2)
    ends = np.interp((0.5, 0.025, 0.975), np.cumsum(density) / density.sum(), _STEPS)
    middle, low, high = (float(sign * scale.median * scale.factor**end) for end in ends)
    return middle, min(low, high), max(low, high)


def _shift(evidence: Evidence, effect: Array, own: Array, C: Array, solved: Array) -> tuple[list[float], str]:
    """Return a bias with its ends by its normal posterior, of the coldest viscosity, else density, and its unit."""
    of_run = [place for place, row in enumerate(evidence.rows) if row.kind in ("run", "original record")]
    place = min(of_run, key=lambda place: (not evidence.viscous[place], evidence.temperature_C[place]))
    variance = own[place, place] - own[place] @ np.linalg.solve(C, own[place])
    size, half = float(effect[place] + own[place] @ solved), 1.96 * math.sqrt(max(float(variance), 0.0))
    ends = [size, size - half, size + half]
    return ([100.0 * math.expm1(end) for end in ends], "%") if evidence.viscous[place] else (ends, "kg/m³")
