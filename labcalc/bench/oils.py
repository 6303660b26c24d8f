"""What is calculated of oils: curves, index and grades, blends, old scales."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from labcalc import formulae
from labcalc.bench.calculation import Result, Table
from labcalc.bench.typed import Given
from labcalc.errors import LabcalcError, OutOfRangeError
from labcalc.lessons import Plot, Series
from labcalc.wording import numeral, p_value, plain, signed

_BAND = ("lowest", "highest")
_FUROL_C = {122: 50.0, 210: (210.0 - 32.0) / 1.8}


def line(given: Given) -> Iterator[Result]:
    """Line of D341 and curve of Vogel through points, with bands."""
    (T, nu), noise, outside = given["points"].T, given["noise"], given["beyond"] == "extrapolate"
    of_T, of_nu, liquid, several = (
        given.unit("points"),
        given.units["points unit 2"].symbol,
        given["liquid"],
        T.size > 2,
    )
    fitted, vogel = formulae.fit_viscosity_temperature(T, nu), None
    known = formulae.estimate_viscosity_temperature(T, nu, noise) if several or noise is not None else None
    if several:
        try:
            vogel = formulae.fit_vogel(T, nu)
        except OutOfRangeError as refusal:
            yield f"No curve of Vogel: {refusal}."
    at = np.sort(np.append(T, () if given["at"] is None else given["at"]))
    curves = np.full((6, at.size), np.nan)
    curves[0] = fitted.kinematic_viscosity_at(at, extrapolate=outside)
    if known is not None:
        band = known.confidence_band(at, extrapolate=outside, liquid=liquid)
        curves[1:3] = band.lowest, band.highest
    if vogel is not None:
        curves[3] = vogel.viscosity_at(at, extrapolate=outside)
    if vogel is not None and (noise is not None or T.size > 3):
        band = vogel.confidence_band(at, noise_percent=noise, extrapolate=outside)
        curves[4:] = band.lowest, band.highest
    told = zip(at, *curves, strict=True)
    rows = [(given.said("points unit", t), *(given.said("points unit 2", v, 5) for v in row)) for t, *row in told]
    head = f"Temperature, {of_T}"
    yield Table(
        "Viscosity, with bands of 95 %",
        (head, f"By the line, {of_nu}", *_BAND, f"By Vogel, {of_nu}", *_BAND),
        tuple(rows),
    )
    if given["for"] is not None:
        found = fitted.temperature_at(given["for"], extrapolate=outside)
        reach = np.full(found.size, np.nan)
        if known is not None:
            band = known.confidence_band(found, extrapolate=outside, liquid=liquid)
            reach = -0.5 * np.log(band.highest / band.lowest) / fitted.relative_slope_at(found, extrapolate=outside)
        told = zip(given["for"], found, reach, strict=True)
        rows = [(given.said("for unit", v), given.said("points unit", t, 5), numeral(u, figures=2)) for v, t, u in told]
        yield Table(
            "Temperature for a viscosity", (f"Viscosity, {given.unit('for')}", head, "± (95 %), K"), tuple(rows)
        )
    told = zip(T, nu, fitted.residuals_percent, strict=True)
    rows = [(given.said("points unit", t), given.said("points unit 2", v), signed(r, 2)) for t, v, r in told]
    yield Table("Departure from the line", (head, f"Measured, {of_nu}", "Line less measured, %"), tuple(rows))
    usual = "usual" if formulae.judge_slope(fitted.slope, liquid).plausible else "not usual"
    A, B = (plain(float(one)) for one in (fitted.intercept, fitted.slope))
    yield f"A = {A}, B = {B}: a slope that is {usual} for a {liquid}."
    if known is None:
        yield "No band: with two points it needs the standard uncertainty of a viscosity."
    elif several and noise is not None:
        departure, models = formulae.departure_from_line(T, nu, noise), formulae.compare_viscosity_models(T, nu, noise)
        verb = "depart from" if departure.departs() else "agree with"
        yield f"The points {verb} the line within that uncertainty ({p_value(departure.p_value)})."
        yield f"Curve that the points speak for: {models.best}. {models.reason}"
    t = np.linspace(T.min(), T.max(), 41)
    drawn = {"line D341": fitted.kinematic_viscosity_at(t)}
    if vogel is not None:
        drawn["Vogel"] = vogel.viscosity_at(t)
    to_T, to_nu = given.units["points unit"].given, given.units["points unit 2"].given
    lines = [Series(name, to_T(t), to_nu(curve)) for name, curve in drawn.items()]
    points = Series("measured", to_T(T), to_nu(nu), "points")
    yield Plot("Measured points and curves.", head, f"Viscosity, {of_nu}", (*lines, points), y_log=True)


def index(given: Given) -> Iterator[Result]:
    """Viscosity index and industrial grade."""
    found = formulae.viscosity_index(given["kv_40"], given["kv_100"])
    reported, grade = formulae.reported_viscosity_index(found), formulae.viscosity_grade(given["kv_40"])
    columns = "Viscosity index, reported", "unrounded", "Grade by ISO 3448"
    yield Table("Viscosity index", columns, ((numeral(float(reported), 0), numeral(float(found), 2), str(grade)),))


def grades(standard: str, given: Given) -> Iterator[Result]:
    """The grades of a standard, and what speaks for and against each."""
    found = formulae.grade_candidates(standard, **{key: v for key, v in given.values.items() if v is not None})
    reasons = found.reasons()
    yield f"Possible: {'; '.join(found.candidates()) or 'none'}."
    words = np.where(found.certain, "fits", np.where(found.possible, "may fit", "no")).tolist()
    rows = sorted(zip(found.grades, words, reasons.values(), strict=True), key=lambda row: row[1] == "no")
    yield Table(found.table.title, ("Grade", "Fits", "For and against"), tuple(rows))
    if found.table.note:
        yield f"Note: {found.table.note}."


def recipe(given: Given) -> Iterator[Result]:
    """Viscosity and density of a blend."""
    share, *nu, rho = given["oils"].T
    typed, measured, dense = 0.01 * share, [given["t1"], given["t2"]], not np.isnan(rho).any()
    by_volume, as_typed = given["by"] == "by volume", given["by"] != "by mass"
    if not (dense or as_typed):
        raise LabcalcError("Oils: shares by mass need the density of each oil, unless they are blended as mass")
    of = typed * rho if by_volume else typed / rho
    volume, mass = (typed, of / of.sum()) if by_volume else (of / of.sum(), typed)
    lines = formulae.fit_viscosity_temperature(measured, np.stack(nu, axis=-1))
    blend = formulae.blend_lines(typed if as_typed else volume, lines)
    at = np.append(measured, () if given["at"] is None else given["at"])
    viscosities = np.stack([one.kinematic_viscosity_at(at) for one in (blend.wright, blend.double_log)], axis=-1)
    apart = 100.0 * (viscosities[:, 0] / viscosities[:, 1] - 1.0)
    told = zip(at, viscosities, apart, strict=True)
    rows = [
        (given.said("t1 unit", t), *(given.said("oils unit 2", v, 5) for v in both), signed(a, 1))
        for t, both, a in told
    ]
    unit = given.units["oils unit 2"].symbol
    columns = (f"Temperature, {given.unit('t1')}", f"By Wright, {unit}", f"By double logarithm, {unit}", "Apart, %")
    yield Table("Viscosity of the blend", columns, tuple(rows))
    if dense:
        of_oils = enumerate(100.0 * np.stack([volume, mass], axis=-1), 1)
        rows = [(str(n), *(numeral(one, 2) for one in both)) for n, both in of_oils]
        yield Table("Volume and mass", ("Oil", "By volume, %", "By mass, %"), tuple(rows))
        mixed = given.said("oils unit 4", np.sum(volume * rho), 6)
        yield f"Density of the blend: {mixed} {given.units['oils unit 4'].symbol}, at the temperature of the densities."


def reach(given: Given) -> Iterator[Result]:
    """The share of an added oil that reaches a viscosity, or explains it."""
    if given["oils"].shape[0] != 2:
        raise LabcalcError(f"Oils: {given['oils'].shape[0]} lines: two, the added oil and the base, are expected")
    measured, rho, T, nu = [given["t1"], given["t2"]], given["oils"][:, 2], given["at"], given["wanted"]
    added, base = (formulae.fit_viscosity_temperature(measured, oil[:2]) for oil in given["oils"])
    ends = [float(one.kinematic_viscosity_at(T)) for one in (added, base)]
    around = np.clip(nu * (1.0 + 0.01 * np.array([-1.0, 1.0]) * (given["unsure"] or np.nan)), min(ends), max(ends))
    found = formulae.fraction_that_explains(np.append(nu, around), T, added, base)
    rows = []
    for method, (f, *other) in (("Wright", found.wright), ("double logarithm", found.double_log)):
        mass = f * rho[0] / (f * rho[0] + (1.0 - f) * rho[1])
        rows.append((method, *(numeral(100.0 * one, 2) for one in (f, min(other), max(other), mass))))
    columns = ("Method", "Added oil by volume, %", *_BAND, "by mass, %")
    yield Table("Share that reaches, or explains, the viscosity, with its interval of 95 %", columns, tuple(rows))
    shares, to_nu = np.linspace(0.0, 1.0, 21), given.units["wanted unit"].given
    lines = formulae.fit_viscosity_temperature(measured, given["oils"][:, :2])
    blend = formulae.blend_lines(np.stack([shares, 1.0 - shares], axis=-1), lines)
    drawn = {"Wright": blend.wright, "double logarithm": blend.double_log}
    curves = [Series(name, 100.0 * shares, to_nu(one.kinematic_viscosity_at(T))) for name, one in drawn.items()]
    point = Series("wanted", 100.0 * found.wright[:1], to_nu(np.array([nu])), "points")
    axes = "Added oil by volume, %", f"Viscosity, {given.unit('wanted')}"
    yield Plot(f"Mixtures at {given.said('at unit', T)} {given.unit('at')}.", *axes, (*curves, point), y_log=True)


def scales(given: Given) -> Iterator[Result]:
    """A viscosity on every scale."""
    T, value = given["at"], given["value"]
    furol = {"at_F": next((F for F, C in _FUROL_C.items() if abs(T - C) < 0.06), 0)}
    ways: dict[str, tuple[Any, Any, dict[str, Any], str]] = {
        "mm²/s": (np.asarray, np.asarray, {}, "–"),
        "s, Saybolt Universal": (
            formulae.kinematic_from_saybolt_universal,
            formulae.saybolt_universal_from_kinematic,
            {"temperature_C": T},
            "–",
        ),
        "s, Saybolt Furol": (formulae.kinematic_from_saybolt_furol, formulae.saybolt_furol_from_kinematic, furol, "–"),
        "°E, Engler": (formulae.kinematic_from_engler, formulae.engler_from_kinematic, {}, "5 %"),
        "s, Redwood No. 1": (formulae.kinematic_from_redwood, formulae.redwood_from_kinematic, {}, "5 %"),
    }
    to_kinematic, _, more, unsure = ways[given["scale"]]
    nu, rows = to_kinematic(value, **more), []
    for scale, (_, from_kinematic, more, own) in ways.items():
        try:
            told = numeral(float(from_kinematic(nu, **more)), figures=4), own if unsure == "–" else "5 % or more"
        except ValueError as refusal:
            told = "–", str(refusal)
        rows.append((scale, *told))
    yield Table("The same viscosity on every scale", ("Scale", "Value", "± or why there is none"), tuple(rows))
    yield "Engler and Redwood are for old documents only, never for a result."
