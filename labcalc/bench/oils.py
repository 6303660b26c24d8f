"""What is calculated of oils: curves, index and grades, blends, old scales."""

from collections.abc import Iterator
from typing import Any

import numpy as np

from labcalc import formulae
from labcalc.bench.calculation import Given, Result, Table, numerals, table
from labcalc.errors import LabcalcError, OutOfRangeError
from labcalc.formulae import EstimatedLine, ViscosityTemperatureLine
from labcalc.lessons import Plot, Series
from labcalc.wording import p_value, plain, signed

_FITS = ("fits", "may fit", "no")
_FUROL_C = {122: 50.0, 210: (210.0 - 32.0) / 1.8}


def line(given: Given) -> Iterator[Result]:
    """Line of D341 and curve of Vogel through points, with bands."""
    (T, nu), noise, several = given["points"].T, given["noise"], given["points"].shape[0] > 2
    vogel, beyond = None, {"extrapolate": given["beyond"] != "refuse"}
    known = formulae.estimate_viscosity_temperature(T, nu, noise) if several or noise is not None else None
    fitted = known.line if known else formulae.fit_viscosity_temperature(T, nu)  # the one that the band is about
    at = np.sort(np.append(T, () if given["at"] is None else given["at"]))
    head, unit = f"Temperature, {given.unit('points')}", given.unit("points 2")
    curves = {"by the line": fitted.kinematic_viscosity_at(at, **beyond)}
    if known is not None:
        band = known.confidence_band(at, liquid=given["liquid"], **beyond)
        curves |= {"lowest, line": band.lowest, "highest, line": band.highest}
    if several:
        try:
            vogel = formulae.fit_vogel(T, nu)
            curves["by Vogel"] = vogel.viscosity_at(at, **beyond)
        except OutOfRangeError as refusal:
            yield f"No curve of Vogel: {refusal}."
    if vogel is not None and (noise is not None or T.size > 3):
        own = vogel.confidence_band(at, noise_percent=noise, **beyond)
        curves |= {"lowest, Vogel": own.lowest, "highest, Vogel": own.highest}
    with_constant = formulae.fit_ubbelohde_walther(T, nu)
    curves["by the m-value"] = with_constant.kinematic_viscosity_at(at, **beyond)
    curves["by Andrade"] = formulae.fit_andrade(T, nu).viscosity_at(at, **beyond)
    columns = {name: given.said("points 2", values, 5) for name, values in curves.items()}
    yield table(f"Viscosity, {unit}, with bands of 95 %", {head: given.said("points", at), **columns})
    if given["for"] is not None:
        yield _temperatures(given, fitted, known, head)
    apart = [signed(one, 2) for one in fitted.residuals_percent]
    measured = {head: given.said("points", T), f"Measured, {unit}": given.said("points 2", nu)}
    yield table("Departure from the line", {**measured, "Line less measured, %": apart})
    yield from _judged(given, fitted)
    yield f"m = {plain(float(with_constant.m), 5)} of lg lg (ν + 0.8) against lg T (DIN 51563 [memory])."
    t = np.linspace(T.min(), T.max(), 41)
    drawn = {"line D341": fitted.kinematic_viscosity_at(t)} | ({"Vogel": vogel.viscosity_at(t)} if vogel else {})
    lines = [Series(name, given.drawn("points", t), given.drawn("points 2", curve)) for name, curve in drawn.items()]
    points = Series("measured", given.drawn("points", T), given.drawn("points 2", nu), "points")
    yield Plot("Measured points and curves.", head, f"Viscosity, {unit}", (*lines, points), y_log=True)


def _temperatures(given: Given, fitted: ViscosityTemperatureLine, known: EstimatedLine | None, head: str) -> Table:
    """Return the temperatures of viscosities; their uncertainty is the band's over the slope there."""
    beyond = {"extrapolate": given["beyond"] != "refuse"}
    found = fitted.temperature_at(given["for"], **beyond)
    columns = {f"Viscosity, {given.unit('for')}": given.said("for", given["for"]), head: given.said("points", found, 5)}
    if known is not None:
        band = known.confidence_band(found, liquid=given["liquid"], **beyond)
        reach = -0.5 * np.log(band.highest / band.lowest) / fitted.relative_slope_at(found, **beyond)
        columns["± (95 %), K"] = numerals(reach)
    return table("Temperature for a viscosity", columns)


def _judged(given: Given, fitted: ViscosityTemperatureLine) -> Iterator[str]:
    """Say whether the slope is usual, whether the points follow the line, and which curve they speak for."""
    (T, nu), noise, liquid = given["points"].T, given["noise"], given["liquid"]
    A, B = (plain(float(one)) for one in (fitted.intercept, fitted.slope))
    usual = "usual" if formulae.judge_slope(fitted.slope, liquid).plausible else "not usual"
    yield f"A = {A}, B = {B}: a slope that is {usual} for a {liquid}."
    if noise is None:
        yield "Type the standard uncertainty of a viscosity: without it no point is judged, two points have no band."
    elif fitted.number_of_points > 2:
        departure = formulae.departure_from_line(T, nu, noise)
        agree, p = "The points agree with the line within that uncertainty", p_value(departure.p_value)
        apart = "The points lie further from the line than that uncertainty explains: its band doesn't hold here"
        yield f"{apart if departure.departs() else agree} ({p})."
        models = formulae.compare_viscosity_models(T, nu, noise)
        yield f"Curve that the points speak for: {models.best}. {models.reason}"


def index(given: Given) -> Iterator[Result]:
    """Viscosity index and industrial grade."""
    found = formulae.viscosity_index(given["kv_40"], given["kv_100"])
    columns = {
        "Viscosity index, reported": numerals(formulae.reported_viscosity_index(found), 0),
        "unrounded": numerals(found, 2),
        "Grade by ISO 3448": [str(formulae.viscosity_grade(given["kv_40"]))],
    }
    yield table("Viscosity index", columns)


def grades(standard: str, given: Given) -> Iterator[Result]:
    """The grades of a standard, and what speaks for and against each."""
    known = {key: value for key, value in given.values.items() if value is not None}
    if standard == "ISO 8217" and known.keys() >= {"density_15", "kv_50"} and "ccai" not in known:
        ccai = formulae.calculated_carbon_aromaticity_index(known["density_15"], known["kv_50"])
        known["ccai"] = float(np.round(ccai))  # as reported
        yield f"CCAI by density and viscosity: {plain(known['ccai'])}."
    found = formulae.grade_candidates(standard, **known)
    yield f"Possible: {'; '.join(found.candidates()) or 'none'}."
    words = np.where(found.certain, _FITS[0], np.where(found.possible, *_FITS[1:])).tolist()
    rows = sorted(zip(found.grades, words, found.reasons().values(), strict=True), key=lambda row: _FITS.index(row[1]))
    for is_out, caption in ((False, found.table.title), (True, f"What doesn't fit: {found.table.title}")):
        some = tuple(row for row in rows if (row[1] == _FITS[-1]) == is_out)
        if some:
            yield Table(caption, ("Grade", "Fits", "For and against"), some, is_out)
    if found.table.note:
        yield f"Note: {found.table.note}."


def recipe(given: Given) -> Iterator[Result]:
    """Viscosity and density of a blend."""
    share, *nu, rho = given["oils"].T
    if abs(share.sum() - 100.0) > 1e-4:
        raise LabcalcError(f"Oils: shares of {plain(float(share.sum()))} % together: 100 % is expected")
    typed, measured, dense = 0.01 * share, [given["t1"], given["t2"]], not np.isnan(rho).any()
    by_volume, as_typed = given["by"] == "by volume", given["by"] != "by mass"
    if not (dense or as_typed):
        raise LabcalcError("Oils: shares by mass need the density of each oil, unless they are blended as mass")
    of = typed * rho if by_volume else typed / rho
    volume, mass = (typed, of / of.sum()) if by_volume else (of / of.sum(), typed)
    lines = formulae.fit_viscosity_temperature(measured, np.stack(nu, axis=-1))
    blend = formulae.blend_lines(typed if as_typed else volume, lines)
    at = np.append(measured, () if given["at"] is None else given["at"])
    wright, double_log = (one.kinematic_viscosity_at(at) for one in (blend.wright, blend.double_log))
    columns = {
        f"Temperature, {given.unit('t1')}": given.said("t1", at),
        "by Wright": given.said("oils 2", wright, 5),
        "by double logarithm": given.said("oils 2", double_log, 5),
        "apart, %": [signed(one, 1) for one in 100.0 * (wright / double_log - 1.0)],
    }
    yield table(f"Viscosity of the blend, {given.unit('oils 2')}", columns)
    if dense:
        names = [str(number) for number in range(1, share.size + 1)]
        shares = {"by volume, %": numerals(100.0 * volume, 2), "by mass, %": numerals(100.0 * mass, 2)}
        yield table("Volume and mass", {"Oil": names, **shares})
        mixed = f"{given.said('oils 4', np.sum(volume * rho), 6)[0]} {given.unit('oils 4')}"
        yield f"Density of the blend: {mixed}, at the temperature of the densities."


def reach(given: Given) -> Iterator[Result]:
    """The share of an added oil that reaches a viscosity, or explains it."""
    oils, measured, T, nu = given["oils"], [given["t1"], given["t2"]], given["at"], given["wanted"]
    if len(oils) != 2:
        raise LabcalcError(f"Oils: {len(oils)} lines: two, the added oil and the base, are expected")
    rho, (added, base) = oils[:, 2], (formulae.fit_viscosity_temperature(measured, oil[:2]) for oil in oils)
    alone = [float(one.kinematic_viscosity_at(T)) for one in (added, base)]
    around = np.clip(nu * (1.0 + 0.01 * np.array([-1.0, 1.0]) * (given["unsure"] or np.nan)), min(alone), max(alone))
    found = formulae.fraction_that_explains(np.append(nu, around), T, added, base)
    f, *other = np.stack([found.wright, found.double_log], axis=-1)
    columns = {"Method": ["Wright", "double logarithm"], "Added oil by volume, %": numerals(100.0 * f, 2)}
    if given["unsure"]:
        ends = {"lowest (95 %)": np.min(other, axis=0), "highest (95 %)": np.max(other, axis=0)}
        columns |= {name: numerals(100.0 * end, 2) for name, end in ends.items()}
    if not np.isnan(rho).any():
        columns["by mass, %"] = numerals(100.0 * f * rho[0] / (f * rho[0] + (1.0 - f) * rho[1]), 2)
    yield table("Share that reaches, or explains, the viscosity", columns)
    shares, lines = np.linspace(0.0, 1.0, 21), formulae.fit_viscosity_temperature(measured, oils[:, :2])
    blend = formulae.blend_lines(np.stack([shares, 1.0 - shares], axis=-1), lines)
    curves = {"Wright": blend.wright, "double logarithm": blend.double_log}
    drawn = {name: given.drawn("wanted", one.kinematic_viscosity_at(T)) for name, one in curves.items()}
    series = [Series(name, 100.0 * shares, viscosity) for name, viscosity in drawn.items()]
    point = Series("wanted", 100.0 * f[:1], given.drawn("wanted", [nu]), "points")
    axes = "Added oil by volume, %", f"Viscosity, {given.unit('wanted')}"
    yield Plot(f"Mixtures at {given.said('at', T)[0]} {given.unit('at')}.", *axes, (*series, point), y_log=True)


def scales(given: Given) -> Iterator[Result]:
    """A viscosity on every scale."""
    T, here, at = given["at"], formulae, {"temperature_C": given["at"]}
    furol = {"at_F": next((F for F, C in _FUROL_C.items() if abs(T - C) < 0.06), round(1.8 * T + 32.0))}
    ways: dict[str, tuple[Any, Any, dict[str, Any], str]] = {
        "mm²/s": (np.asarray, np.asarray, {}, "–"),
        "s, Saybolt Universal": (here.kinematic_from_saybolt_universal, here.saybolt_universal_from_kinematic, at, "–"),
        "s, Saybolt Furol": (here.kinematic_from_saybolt_furol, here.saybolt_furol_from_kinematic, furol, "–"),
        "°E, Engler": (here.kinematic_from_engler, here.engler_from_kinematic, {}, "7 %"),
        "s, Redwood No. 1": (here.kinematic_from_redwood, here.redwood_from_kinematic, {}, "5 %"),
    }
    to_kinematic, _, more, unsure = ways[given["scale"]]
    nu, rows = to_kinematic(given["value"], **more), []
    for scale, (_, from_kinematic, more, own) in ways.items():
        try:
            own = "as typed" if scale == given["scale"] else own if unsure == "–" else f"{unsure} or more"
            told = *numerals(from_kinematic(nu, **more), figures=4), own
        except ValueError as refusal:
            told = "–", str(refusal)
        rows.append((scale, *told))
    yield Table("The same viscosity on every scale", ("Scale", "Value", "± or why there is none"), tuple(rows))
    yield "Engler and Redwood are for old documents only, never for a result."
