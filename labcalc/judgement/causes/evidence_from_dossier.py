"""From a dossier to the evidence: a run, what it is compared with, and what is known around it."""

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pandas as pd

from labcalc.errors import EvidenceError, OutOfRangeError
from labcalc.exports import is_derived
from labcalc.judgement.causes import surroundings
from labcalc.judgement.causes.evidence import Evidence, HouseProduct, Offsets, ReferenceOil, Setting, assembled, rows_of
from labcalc.judgement.causes.expectation import Course, Liquid, of_typical_values
from labcalc.judgement.causes.surroundings import Determinations, EarlierRun, Noise
from labcalc.judgement.precision import RANGE_FACTOR
from labcalc.judgement.record.dossier import Dossier, first_text
from labcalc.lab import Laboratory, Product, precision_for, product_of

_DEFAULT_VISCOSITY_NOISE, _DEFAULT_DENSITY_NOISE = 0.003, 0.1  # where nothing tells: ln ν [-], ρ [kg/m³]; own choice
_A_DAY = pd.Timedelta(hours=14)  # how much older than the run an oil may be to tell how warm the cell is: own choice
_TELLS_K = 1.0  # a product whose usual spread is that of this offset tells nothing of the cell, [K]: our own choice


@lru_cache(maxsize=1)  # a check of a run asks, then its judgement
def evidence_of(dossier: Dossier) -> Evidence:
    """Put the independent quantities of a run beside what was expected.

    Expected are typical values of the product, else the middle of its specification, else a curve through the run's own
    values, which tells shape and repeats only; narrowed by earlier runs of this sample or its lot where these fit. Of a
    reference oil the certificate is not taken: other checks do.

    Raises EvidenceError : The run holds neither kinematic viscosity nor density, or a value is outside what the
        formulas hold for.
    """
    found = surroundings.determinations_of(dossier.rows)
    rows, product, laboratory = rows_of(found), dossier.product, dossier.laboratory
    if not rows:
        raise EvidenceError(f"run {dossier.run} holds neither kinematic viscosity nor density: nothing to compare")
    references, oils = dossier.references, _reference_oils(dossier)
    at = set(found.temperature_C.tolist())
    fills = [
        max((one.size for T in at if (one := dossier.own_scatter(quantity, T))), default=0.0)
        for quantity in ("kinematic viscosity", "density")
    ]
    noise = noise_of(references, found, product, laboratory, fills)
    clock = dossier.rows["measured_at"].dropna().dt.second
    thermostats = (one.thermostats for one in laboratory.instruments if one.name == dossier.instrument)
    before = surroundings.before_of(dossier.before, dossier.rows["measured_at"].min(), found.temperature_C)
    if before is not None:
        its = product_of(laboratory, sample=before.sample, product=first_text(dossier.before["product"]))
        before = replace(before, product=its.name if its else "")
    try:
        samples, moments = (dossier.history[name] for name in ("sample", "measured_at"))
        earlier = []
        for places, own in surroundings.runs_in(dossier.history):
            is_own, day = str(samples.iloc[places[0]]) == dossier.sample, f"{moments.iloc[places].max():%Y-%m-%d}"
            earlier.append(EarlierRun(is_own, day, surroundings.liquid_of("", own)))
        course = surroundings.expected_of(found, product, earlier, noise, first_text(dossier.rows["lot"]))
        setting = Setting(
            run=dossier.run,
            sample=dossier.sample,
            product=dossier.product_name,
            course=course,
            noise=noise,
            coupled=bool(is_derived(dossier.rows["remark"], "kinematic viscosity").any()) or None,
            before=before,
            # of a product that nothing is known of, nothing tells that it is another one
            house=() if course.basis == "curve" else other_products(laboratory.products, product),
            reference_oils=oils,
            instrument_bias=surroundings.bias_of(references, noise, laboratory.report),
            thermostats=next(thermostats, None),
            day=dossier.day,
            typed=None if clock.empty else bool((clock == 0).all()),  # an instrument's clock has seconds
            cell_offsets=_cell_offsets(dossier, oils, noise),
            day_offsets=_offsets_of_samples(dossier),
        )
        return assembled(rows, setting)
    except OutOfRangeError as refusal:
        raise EvidenceError(f"run {dossier.run} can't be compared with what is usual: {refusal}") from refusal


def _cell_offsets(dossier: Dossier, oils: Sequence[ReferenceOil], noise: Noise) -> Offsets:
    """Return how much too warm the cell is by the newest viscosities of reference oils in the day before the run."""
    table, began = dossier.references, dossier.rows["measured_at"].min()
    if table.empty or pd.isna(began):
        return ()
    fresh = table[(table["quantity"] == "kinematic viscosity") & (table["measured_at"] >= began - _A_DAY)]
    columns = (fresh[name].tolist() for name in ("sample", "temperature_C", "value", "certified"))
    newest = {(name, T): figures for name, T, *figures in zip(*columns, strict=True)}
    named = {one.liquid.name.rsplit(" lot ", 1)[0]: one for one in oils}
    found: dict[float, list[tuple[float, float]]] = {}
    for (name, T), (value, certified) in newest.items():
        if name in named and value > 0.0 and certified > 0.0:
            cold, hot = named[name].liquid.viscosity_at([T - 0.5, T + 0.5])
            slope = math.log(hot / cold)
            stated = dict(named[name].viscosity_sd).get(T, 0.0)
            off, sd = math.log(value / certified), math.hypot(noise.viscosity, stated)
            found.setdefault(T, []).append((off / slope, sd / slope))
    return tuple(
        (T, sum(o / s**2 for o, s in ones) / (w := sum(1.0 / s**2 for _, s in ones)), w**-0.5)
        for T, ones in found.items()
    )


def _offsets_of_samples(dossier: Dossier) -> Offsets:
    """Return the same by the median of two or more samples before the run that day, beside their typical values."""
    day, began = dossier.day, dossier.rows["measured_at"].min()
    earlier = day[(day["instrument"] == dossier.instrument) & (day["measured_at"] < began)]
    usual = {one.name: one.expectation for one in other_products(dossier.laboratory.products, None)}
    found: dict[float, list[tuple[float, float]]] = {}
    for product, rows in earlier.groupby("product", sort=False):
        for _, run in surroundings.runs_in(rows) if product in usual else ():
            for T, value in surroundings.liquid_of("", run).viscosities:
                viscous, at = np.ones(3, dtype=bool), np.array([T - 0.5, T, T + 0.5])
                (cold, mean, hot), spread = usual[str(product)].moments(viscous, at)
                away, sd = (math.log(value) - mean) / (hot - cold), math.sqrt(spread[1, 1]) / abs(hot - cold)
                if sd < _TELLS_K:
                    found.setdefault(T, []).append((float(away), float(sd)))
    return tuple((T, *median_of_offsets(ones)) for T, ones in found.items() if len(ones) > 1)


def median_of_offsets(ones: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Return the median and its standard deviation, that of a normal's median (1.25 σ/√n)."""
    away, sd = np.array(ones).T
    middle = float(np.median(away))
    apart = 1.4826 * float(np.median(np.abs(away - middle)))
    return middle, 1.2533 * max(apart, float(np.median(sd))) / math.sqrt(len(ones))


def noise_of(
    references: pd.DataFrame,
    found: Determinations,
    product: Product | None,
    laboratory: Laboratory,
    own_fills: Sequence[float] = (0.0, 0.0),
) -> Noise:
    """Return the noise by the reference oils of the instrument, else by the precision statement, else by default.
    Reference oils are base oils: a class that is stated to repeat worse than these scatters more by as much. Where the
    product's own fills scatter more than that, they are the noise."""
    sizes, words = [], []
    for viscous, quantity, own in zip((True, False), ("kinematic viscosity", "density"), own_fills, strict=True):
        scatter, number = surroundings.scatter_of(references, viscous)
        source = f"{number} differences between reference-oil results of this instrument"
        if math.isnan(scatter):
            scatter, source = _stated_noise(quantity, found, product, laboratory)
        elif viscous and (stated := _stated_over_base_oils(found, product, laboratory)) > 1.0:
            scatter, source = scatter * stated, f"{source}, {stated:.1f} times for the repeatability of the class"
        sizes.append(max(scatter, own))
        words.append(source if own <= scatter else "earlier fills of this product on this instrument")
    told = words[0] if words[0] == words[1] else f"viscosity: {words[0]}; density: {words[1]}"
    return Noise(sizes[0], sizes[1], told)


def _stated_over_base_oils(found: Determinations, product: Product | None, laboratory: Laboratory) -> float:
    """Return the class's relative repeatability over that of base oils (100 mm²/s, 40 °C); 1 where one isn't stated."""
    own, words = _stated_noise("kinematic viscosity", found, product, laboratory)
    oil = precision_for(laboratory, "base oils", "kinematic viscosity", 40.0)
    if oil is None or "repeatability" not in words:
        return 1.0
    return own * RANGE_FACTOR * 100.0 / float(oil.repeatability.at(100.0))


def _stated_noise(quantity: str, found: Determinations, product: Product | None, lab: Laboratory) -> tuple[float, str]:
    viscous = quantity == "kinematic viscosity"
    values = found.viscosity_mm2_s if viscous else found.density_kg_m3
    known = np.flatnonzero(values > 0.0)
    if known.size and product and product.precision_class:
        value, T = float(values[known[0]]), float(found.temperature_C[known[0]])
        statement = precision_for(lab, product.precision_class, quantity, T)
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
    for name, one in dossier.certificates.values:
        standard = one.expanded_uncertainty / one.coverage_factor
        by_oil.setdefault(name, {}).setdefault(one.quantity, []).append((one.temperature_C, one.value, standard))
    oils = []
    for name, found in by_oil.items():
        thick, heavy = (sorted(found.get(quantity, [])) for quantity in ("kinematic viscosity", "density"))
        liquid = Liquid(name, tuple((T, value) for T, value, _ in thick), tuple((T, value) for T, value, _ in heavy))
        relative, absolute = tuple((T, sd / value) for T, value, sd in thick), tuple((T, sd) for T, _, sd in heavy)
        oils.append(ReferenceOil(liquid, relative, absolute))
    return tuple(oils)
