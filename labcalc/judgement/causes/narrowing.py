"""Which expectation holds for a run: typical values, limits or its own curve, narrowed by earlier runs that fit."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from labcalc.judgement.causes.expectation import (
    Course,
    Expectation,
    Observation,
    of_specification,
    of_typical_values,
    open_course,
)
from labcalc.judgement.causes.liquids import Liquid
from labcalc.judgement.causes.surroundings import Determinations, Noise
from labcalc.lab import Product

BOTTLE_VISCOSITY, BOTTLE_DENSITY = 0.0005, 0.05
"""Spread between bottles of one lot: ln ν [-], ρ [kg/m³]; labcalc's own choice."""

DAY_VISCOSITY, DAY_DENSITY = 0.002, 0.05
"""Spread between days and instruments, small residues included: ln ν [-], ρ [kg/m³]; labcalc's own choice."""

_HISTORY_FITS = 0.001
"""Probability below which earlier runs that differ from the product are not believed: labcalc's own choice."""


@dataclass(frozen=True)
class EarlierRun:
    """An earlier run of the same sample, or of another sample of the lot."""

    same_sample: bool
    day: str
    means: Liquid


def expected_of(
    found: Determinations, product: Product | None, earlier: Sequence[EarlierRun], noise: Noise, lot: str
) -> Expectation:
    """Return the expectation of a run; see ``evidence_of``."""
    open_ones = _open_courses(found)
    words = "a curve through this run's own values: only its shape and its repeats can be looked at"
    best = Expectation("curve", words, *open_ones, product.commodity if product else "lubricating oil")
    if product:
        best = of_typical_values(product, *open_ones) or of_specification(product, *open_ones) or best
    seen = _observations(earlier, noise)
    if not seen or not _fits(best, seen):
        return best
    return replace(best, basis="history", words=_history_words(earlier, lot), observed=seen)


def _open_courses(found: Determinations) -> tuple[Course, Course]:
    log_viscosity = np.log(np.where(found.viscosity_mm2_s > 0.0, found.viscosity_mm2_s, np.nan))
    return open_course(True, found.temperature_C, log_viscosity), open_course(
        False, found.temperature_C, found.density_kg_m3
    )


def _observations(earlier: Sequence[EarlierRun], noise: Noise) -> tuple[Observation, ...]:
    """Return the median over the runs of each quantity and temperature, so that one run that was wrong says little."""
    values: dict[tuple[bool, float], list[tuple[float, bool]]] = {}
    for run in earlier:
        points = [(True, T, math.log(value)) for T, value in run.means.viscosities]
        for viscous, T, value in (*points, *((False, T, value) for T, value in run.means.densities)):
            values.setdefault((viscous, T), []).append((value, run.same_sample))
    return tuple(_observation(*place, ones, noise) for place, ones in values.items())


def _observation(viscous: bool, T: float, ones: list[tuple[float, bool]], noise: Noise) -> Observation:
    number, same = len(ones), any(same for _, same in ones)
    single, day = (noise.viscosity, DAY_VISCOSITY) if viscous else (noise.density, DAY_DENSITY)
    bottle = 0.0 if same else BOTTLE_VISCOSITY if viscous else BOTTLE_DENSITY
    variance = single**2 / number + bottle**2 * (1.0 + 1.0 / number) + day**2 * (1.0 + 1.0 / number)
    kept = [value for value, own in ones if own] if same else [value for value, _ in ones]
    return Observation(viscous, T, float(np.median(kept)), math.sqrt(variance))


def _fits(expectation: Expectation, seen: tuple[Observation, ...]) -> bool:
    """Tell whether earlier runs are as the product usually is."""
    from scipy.special import chdtrc

    viscous, at = np.array([one.viscous for one in seen]), np.array([one.temperature_C for one in seen])
    mean, covariance = expectation.moments(viscous, at)
    away = np.array([one.value for one in seen]) - mean
    statistic = away @ np.linalg.solve(covariance + np.diag([one.sd**2 for one in seen]), away)
    return bool(chdtrc(len(seen), statistic) >= _HISTORY_FITS)


def _history_words(earlier: Sequence[EarlierRun], lot: str) -> str:
    own = [one for one in earlier if one.same_sample]
    these, what = (own, "this sample") if own else (list(earlier), f"lot {lot}")
    runs = f"an earlier run of {what}" if len(these) == 1 else f"{len(these)} earlier runs of {what}"
    return f"{runs}, {'on' if len(these) == 1 else 'the last on'} {max(one.day for one in these)}"
