"""Which causes the numbers allow, and how likely each is: every hypothesis of every cause weighed, and ranked."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc, logsumexp

from labcalc.errors import EvidenceError
from labcalc.judgement.causes.catalogue import CAUSES, DEVIATIONS, OTHER, PRIOR_ODDS, Array
from labcalc.judgement.causes.evidence import Evidence
from labcalc.judgement.causes.likelihood import Hypotheses, covariances, hypotheses_of, misfits
from labcalc.judgement.causes.shifts import Shift, shifts_of, slips_of
from labcalc.judgement.causes.temperature_and_air import paths_of
from labcalc.wording import counted, numeral, p_value

UNLIKELY = 0.001  # probability of so bad a fit by chance below which a cause is taken not to fit, [-]: our own choice
_MOST_WITHOUT_FIT = 0.9  # no cause that doesn't fit is stated with more than this, [-]
_TWO_ASKED_FROM = 0.01  # two causes at once are looked at where none fits with more than this, [-]
_FIRST_SIZE = 2.0  # how much wider than between two nodes the first size of two is left: it was found without the other
_FIRSTS = 12  # how many places of single causes a second one is added to
_SLIPS = {True: 2.0, False: 0.3, None: 1.0}  # how much likelier slips are where people typed, or instruments wrote, [-]
_CLOSE = 0.2  # how likely a fuel is beside the likeliest one, from which on both are named, [-]: labcalc's own choice
_STEPS = np.linspace(-4.0, 4.0, 801)


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
    for cause in {*found.cause}:
        likelier = _SLIPS[evidence.typed] if cause == "slip" else 1.0
        found.log_weight[found.cause == cause] += math.log(odds[cause] * likelier)
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
            found[OTHER] += found[leading] - _MOST_WITHOUT_FIT
            found[leading] = _MOST_WITHOUT_FIT
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
