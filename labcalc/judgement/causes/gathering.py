"""From a dossier to the evidence: what to compare a run with, how well that is known, and what is known around it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.errors import EvidenceError, OutOfRangeError
from labcalc.judgement.causes.context import (
    Determinations,
    Noise,
    ReferenceResults,
    before_of,
    bias_of,
    determinations_of,
    scatter_of,
)
from labcalc.judgement.causes.evidence import Evidence, HouseProduct, ReferenceOil, Row, Setting, assembled
from labcalc.judgement.causes.expectation import (
    Course,
    Expectation,
    Observation,
    of_specification,
    of_typical_values,
    open_course,
)
from labcalc.judgement.causes.liquids import Liquid
from labcalc.judgement.components import certificates_in_use
from labcalc.judgement.material import Dossier
from labcalc.judgement.precision import RANGE_FACTOR
from labcalc.lab import Laboratory, Product, precision_for

__all__ = ["Basis", "EarlierRun", "evidence_of", "expected_of", "noise_of", "other_products", "rows_of"]

Array = NDArray[np.float64]

Basis = Literal["best", "typical", "history", "specification", "curve"]

_DEFAULT_VISCOSITY_NOISE, _DEFAULT_DENSITY_NOISE = 0.003, 0.1
"""Where neither reference oils nor a statement tell: ln ν [-], ρ [kg/m³]; labcalc's own choice."""

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
    found: Determinations


def evidence_of(dossier: Dossier, expectation: Basis = "best") -> Evidence:
    """Put the independent quantities of a run beside what was expected.

    Parameters
    ----------
    dossier : Dossier
        The run with its context. Of a reference oil the certificate is not taken: other checks do.
    expectation : str, optional
        ``typical`` values of the product; ``history``: earlier runs of this sample or its lot; the middle of the
        ``specification``; or a ``curve`` through the run's own values, which tells shape and repeats only. ``best``
        takes typical values, else the specification, else the curve, narrowed by history where that fits them.

    Returns
    -------
    Evidence
        Kinematic viscosities and densities with what was expected, its spread, and the noise.

    Raises
    ------
    EvidenceError
        The run holds neither kinematic viscosity nor density, the expectation asked for isn't known, or a value is
        outside what the formulas hold for.
    """
    found, laboratory, product = determinations_of(dossier.rows), dossier.laboratory, dossier.product
    rows = rows_of(found)
    if not rows:
        raise EvidenceError(f"run {dossier.run} holds neither kinematic viscosity nor density: nothing to compare")
    references = ReferenceResults.of(dossier.references)
    noise = noise_of(references, found, product, laboratory)
    try:
        course = expected_of(expectation, found, product, earlier_runs(dossier), noise, _lot(dossier.rows))
        setting = Setting(
            run=dossier.run,
            sample=dossier.sample,
            product=dossier.product_name,
            course=course,
            noise=noise,
            coupled=found.coupled,
            before=before_of(dossier.before, dossier.rows["measured_at"].min(), found.temperature_C),
            house=other_products(laboratory.products, product),
            reference_oils=_reference_oils(dossier),
            instrument_bias=bias_of(references, noise, laboratory.report),
        )
        return assembled(rows, setting)
    except OutOfRangeError as refusal:
        raise EvidenceError(f"run {dossier.run} can't be compared with {expectation} values: {refusal}") from refusal


def rows_of(found: Determinations) -> list[Row]:
    """Return a row for each measured kinematic viscosity and density."""
    columns = (found.temperature_C, found.replicate, found.viscosity_mm2_s, found.density_kg_m3)
    rows = []
    for T, fill, viscosity, density in zip(*(column.tolist() for column in columns), strict=True):
        for quantity, value in (("kinematic viscosity", viscosity), ("density", density)):
            if value > 0.0:
                rows.append(Row(quantity, T, fill, value))
    return rows


# --- What was expected ---


def expected_of(
    basis: Basis,
    found: Determinations,
    product: Product | None,
    earlier: Sequence[EarlierRun],
    noise: Noise,
    lot: str,
) -> Expectation:
    """Return the expectation of a run; see ``evidence_of``."""
    open_ones = _open_courses(found)
    name = product.name if product else "this product"
    typical, limits = (make(product, *open_ones) if product else None for make in (of_typical_values, of_specification))
    commodity = product.commodity if product else "lubricating oil"
    words = "a curve through this run's own values: only its shape and its repeats can be looked at"
    curve = Expectation("curve", words, *open_ones, commodity)
    asked = {"typical": typical, "specification": limits, "curve": curve}
    if basis in asked:
        if (one := asked[basis]) is None:
            raise EvidenceError(f"lab.toml gives {name} no {basis} values of kinematic viscosity or density")
        return one
    if basis == "history" and not earlier:
        raise EvidenceError("the record holds no earlier run of this sample or of its lot")
    best = typical or limits or curve
    seen = _observations(earlier, noise)
    if not seen or (basis == "best" and not _fits(best, seen)):
        return best
    return replace(best, basis="history", words=_history_words(earlier, lot), observed=seen)


def _open_courses(found: Determinations) -> tuple[Course, Course]:
    at, values = (
        found.temperature_C,
        (np.log(np.where(found.viscosity_mm2_s > 0.0, found.viscosity_mm2_s, np.nan)), found.density_kg_m3),
    )
    courses = []
    for viscous, column in zip((True, False), values, strict=True):
        temperatures = np.unique(at[np.isfinite(column)])
        medians = np.array([np.median(column[np.isfinite(column) & (at == T)]) for T in temperatures])
        courses.append(open_course(viscous, temperatures, medians))
    return courses[0], courses[1]


def earlier_runs(dossier: Dossier) -> list[EarlierRun]:
    """Return the runs of a dossier's history."""
    return [
        EarlierRun(
            str(rows["sample"].iloc[0]) == dossier.sample,
            f"{rows['measured_at'].max():%Y-%m-%d}",
            determinations_of(rows),
        )
        for _, rows in dossier.history.groupby("run", sort=False)
    ]


def _observations(earlier: Sequence[EarlierRun], noise: Noise) -> tuple[Observation, ...]:
    """Return the median over the runs of each quantity and temperature, so that one run that was wrong says little."""
    values: dict[tuple[bool, float], list[tuple[float, bool]]] = {}
    for run in earlier:
        for viscous, T, value in _means(run.found):
            values.setdefault((viscous, T), []).append((value, run.same_sample))
    return tuple(_observation(*place, ones, noise) for place, ones in values.items())


def _means(found: Determinations) -> list[tuple[bool, float, float]]:
    """Return whether it is a viscosity, the temperature, and the mean of ln ν or ρ."""
    at, means = np.round(found.temperature_C, 1), []
    for viscous, column in ((True, found.viscosity_mm2_s), (False, found.density_kg_m3)):
        known = column > 0.0
        for T in np.unique(at[known]):
            values = column[known & (at == T)]
            means.append((viscous, float(T), float(np.mean(np.log(values) if viscous else values))))
    return means


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


def _lot(rows: pd.DataFrame) -> str:
    known = rows["lot"].dropna()
    return "" if known.empty else str(known.iloc[0])


# --- What is known around it ---


def noise_of(
    references: ReferenceResults, found: Determinations, product: Product | None, laboratory: Laboratory
) -> Noise:
    """Return the noise by the reference oils of the instrument, else by the precision statement, else by default."""
    sizes, words = [], []
    for viscous, quantity in ((True, "kinematic viscosity"), (False, "density")):
        scatter, number = scatter_of(references, viscous)
        source = f"{number} differences between reference-oil results of this instrument"
        if math.isnan(scatter):
            scatter, source = _stated_noise(quantity, found, product, laboratory)
        sizes.append(scatter)
        words.append(source)
    told = words[0] if words[0] == words[1] else f"viscosity: {words[0]}; density: {words[1]}"
    return Noise(sizes[0], sizes[1], told)


def _stated_noise(
    quantity: str, found: Determinations, product: Product | None, laboratory: Laboratory
) -> tuple[float, str]:
    viscous = quantity == "kinematic viscosity"
    values = found.viscosity_mm2_s if viscous else found.density_kg_m3
    known = np.flatnonzero(values > 0.0)
    if known.size and product and product.precision_class:
        value, T = float(values[known[0]]), float(found.temperature_C[known[0]])
        statement = precision_for(laboratory, product.precision_class, quantity, T)
        if statement is not None and statement.holds_for(value):
            single = float(statement.repeatability.at(value)) / RANGE_FACTOR
            return single / value if viscous else single, f"repeatability of {statement.title}"
    return (_DEFAULT_VISCOSITY_NOISE if viscous else _DEFAULT_DENSITY_NOISE), "labcalc's own default"


@lru_cache(maxsize=64)
def other_products(products: tuple[Product, ...], own: Product | None) -> tuple[HouseProduct, ...]:
    """Return what the other products of the house usually show, those with typical values of viscosity."""
    found = []
    for one in products:
        nothing = Course((), 0.0)
        expectation = None if one == own else of_typical_values(one, nothing, nothing)
        if expectation is not None and expectation.viscosity.nodes:
            found.append(HouseProduct(one.name, expectation))
    return tuple(found)


def _reference_oils(dossier: Dossier) -> tuple[ReferenceOil, ...]:
    by_oil: dict[str, dict[str, list[tuple[float, float, float]]]] = {}
    for name, one in certificates_in_use(dossier).values:
        standard = one.expanded_uncertainty / one.coverage_factor
        by_oil.setdefault(name, {}).setdefault(one.quantity, []).append((one.temperature_C, one.value, standard))
    return tuple(_oil(name, found) for name, found in by_oil.items())


def _oil(name: str, found: dict[str, list[tuple[float, float, float]]]) -> ReferenceOil:
    thick, heavy = (sorted(found.get(quantity, [])) for quantity in ("kinematic viscosity", "density"))
    liquid = Liquid(name, tuple((T, value) for T, value, _ in thick), tuple((T, value) for T, value, _ in heavy))
    return ReferenceOil(liquid, tuple((T, sd / value) for T, value, sd in thick), tuple((T, sd) for T, _, sd in heavy))
