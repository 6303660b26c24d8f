"""What is calculated of densities and of the apparatus."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from labcalc import formulae
from labcalc.bench.calculation import Result, Table
from labcalc.bench.typed import Given
from labcalc.errors import LabcalcError
from labcalc.statistics import high_low_carry_over, high_low_steps
from labcalc.wording import numeral, percent, plain, signed

_BASES = {"15 °C": 15.0, "20 °C": 20.0, "60 °F": (60.0 - 32.0) / 1.8}


def density(given: Given) -> Iterator[Result]:
    """Density elsewhere by the petroleum tables, and volume corrections."""
    rho, t, P, oil = given["density"], given["from"], given["from_kPa"] or 0.0, given["commodity"]
    pressure, rows = given["to_kPa"] or 0.0, []
    for to, at in dict([*((base, 0.0) for base in _BASES.values()), (given["to"], pressure)]).items():
        found = formulae.density_at(rho, t, to, commodity=oil, from_kPa=P, to_kPa=at)
        unsure = 2.0 * formulae.table_expansion_uncertainty(rho, t, to, commodity=oil)
        place = given.said("to unit", to), plain(at)
        rows.append((*place, given.said("density unit", found, 6), numeral(float(unsure), figures=2)))
    at_t, unit = f"{given.unit('to')}", given.unit("density")
    columns = (f"Temperature, {at_t}", "Gauge pressure, kPa", f"Density, {unit}", "± (95 %) of the tables, kg/m³")
    yield Table("Density", columns, tuple(rows))
    at_60F = formulae.density_at_60F(rho, t, P, commodity=oil)
    of_water = float(formulae.api_gravity(at_60F)), float(formulae.relative_density(at_60F))
    yield f"API gravity {numeral(of_water[0], 2)} °API; relative density 60/60 °F {numeral(of_water[1], 5)}."
    yield "± is how far an oil's own expansion may be from the tables; that of the measured density adds to it."
    if given["table"] is None:
        return
    base = formulae.volume_correction(at_60F, _BASES[given["base"]], commodity=oil)
    there = formulae.volume_correction(at_60F, given["table"], pressure, commodity=oil)
    CTL, CPL = np.broadcast_arrays(there.temperature_factor / base.factor, there.pressure_factor)
    told = zip(given["table"], at_60F * there.factor, CTL, CPL, CTL * CPL, strict=True)
    factors = [(given.said("table unit", T), numeral(d, 2), *(numeral(f, 5) for f in three)) for T, d, *three in told]
    head = (f"Temperature, {given.unit('table')}", "Density, kg/m³", "CTL", "CPL", "CTPL")
    yield Table(f"Volume correction to {given['base']}, at {plain(pressure)} kPa", head, tuple(factors))


def expansion(given: Given) -> Iterator[Result]:
    """Density by an oil's own expansion, beside the tables."""
    if given["densities"].shape[0] != 2:
        raise LabcalcError(f"Measured twice: {given['densities'].shape[0]} lines: two are expected")
    (t1, rho1), (t2, rho2) = given["densities"]
    own = formulae.density_by_own_expansion(
        rho1, t1, rho2, t2, given["to"], commodity=given["commodity"], liquid=given["liquid"]
    )
    columns = (
        f"By its own expansion, {given.units['densities unit 2'].symbol}",
        "± (95 %) of the equation, kg/m³",
        "By the tables",
        "Own less tables, kg/m³",
        "α₆₀, 10⁻⁶/°F",
        "α₆₀, 10⁻⁶/K",
    )
    densities = [given.said("densities unit 2", one, 6) for one in (own.density, own.table_density)]
    equation = numeral(2.0 * float(own.equation_uncertainty), figures=2)
    alpha = [numeral(factor * float(own.alpha_60), 2) for factor in (1e6, 1.8e6)]
    row = (densities[0], equation, densities[1], signed(float(own.difference), 3), *alpha)
    yield Table(f"Density at {given.said('to unit', given['to'])} {given.unit('to')}", columns, (row,))
    yield "The uncertainty of the two measured densities adds to this one, the more the farther from them."


def flow(given: Given) -> Iterator[Result]:
    """Viscosity from flow times through a capillary."""
    C, t, size = given["constant"], given["times"], given["size"]
    if sum(given[key] is not None for key in ("E", "theta", "size")) > 1:
        raise LabcalcError("Kinetic energy: factor, correction and dimensions exclude one another; one is expected")
    if size is not None and size.size != 3:
        raise LabcalcError(f"V, L, d: {size.size} numbers: volume, length and diameter are expected")
    E = given["E"] or 0.0 if size is None else float(formulae.kinetic_energy_factor(size[0], size[1], size[2], C))
    factors = np.full(t.size, E) if given["theta"] is None else C * given["theta"] * t**2
    found = formulae.viscosity_from_flow_time(t, C, factors, shortest_s=given["shortest"] or 200.0)
    told = zip(t, found, factors, 100.0 * factors / (C * t**3), strict=True)
    rows = [(given.said("times unit", a), numeral(b, figures=4), numeral(c, 1), numeral(d, 3)) for a, b, c, d in told]
    columns = (f"Flow time, {given.unit('times')}", "Viscosity, mm²/s", "E, mm²·s", "Kinetic energy, % of it")
    yield Table("Viscosity", columns, tuple(rows))
    if t.size > 1:
        apart = 100.0 * float(np.ptp(found) / found.mean())
        yield f"Mean {numeral(float(found.mean()), figures=4)} mm²/s; {numeral(apart, 2)} % between the furthest apart."


def constant(given: Given) -> Iterator[Result]:
    """Constant of a capillary from reference oils."""
    nu, t, theta = given["oils"].T
    if (t <= np.nan_to_num(theta)).any():
        raise LabcalcError("Reference oils: a correction as long as the flow time; a shorter one is expected")
    C = nu / (t - np.nan_to_num(theta))
    rows = [(plain(n), numeral(one, figures=5)) for n, one in enumerate(C, 1)]
    yield Table("Constant", ("Oil", "C, mm²/s²"), (*rows, ("mean", numeral(float(C.mean()), figures=5))))
    apart = 100.0 * float(np.ptp(C) / C.mean())
    if C.size > 1:
        verdict = "they agree" if apart <= 0.1 else "clean, check bath and clock, repeat"
        yield f"{numeral(apart, 3)} % apart, 0.1 % is allowed: {verdict}."
    if given["unsure"] is not None:
        unsure = 2.0 * np.hypot(0.5 * given["unsure"], apart / np.sqrt(12.0))
        yield f"± (95 %): {numeral(float(unsure), figures=2)} %, the certificates as one error, and the distance."


def tube(given: Given) -> Iterator[Result]:
    """Constants of an oscillating tube, and densities from periods."""
    air, water = formulae.dry_air_density(given["at"], given["pressure"]), formulae.water_density(given["at"])
    found = formulae.adjust_oscillating_tube(given["air"], air, given["water"], water)
    periods = np.append([given["air"], given["water"]], () if given["samples"] is None else given["samples"])
    names = ["dry air", "water free of air", *["sample"] * periods.size]
    told = zip(names, periods, found.density(periods), strict=False)
    rows = [(name, plain(period, 8), numeral(rho, 3)) for name, period, rho in told]
    yield Table("Density", ("In the tube", "Period, µs", "Density, kg/m³"), tuple(rows))
    yield f"A = {numeral(float(found.A), figures=7)} kg/m³/µs², B = {numeral(float(found.B), figures=7)} kg/m³."


def carry_over(given: Given) -> Iterator[Result]:
    """The 21 runs in their order, and the share that stays."""
    results = np.empty(0) if given["results"] is None else given["results"]
    steps = high_low_steps("the thick oil", "the thin oil")
    cells = [*(plain(one) for one in results), *[""] * len(steps)]
    rows = [(plain(one.number), one.sample, one.counts_as, cell) for one, cell in zip(steps, cells, strict=False)]
    yield Table(
        "The runs in their order, cleaned between as always", ("Run", "Measure", "It is", "Result"), tuple(rows)
    )
    if results.size < len(steps):
        yield f"Results still to be typed: {len(steps) - results.size}. Thin is ten times thinner or more."
        return
    found = high_low_carry_over(np.log(results) if given["quantity"] == "viscosity" else results)
    of_means = found.deviation * np.sqrt(2.0 / 5.0) / abs(found.high_after_high - found.low_after_low)  # of five each
    sizes = [numeral(one, figures=3) for one in (found.difference, found.limit)]
    columns = (
        "Share of the run before",
        "Standard uncertainty",
        "Thin after thick less thin after thin",
        "Limit, 3 SD",
    )
    yield Table("Share that stays", columns, ((percent(found.share, figures=3), percent(of_means), *sizes),))
    yield "Within the limit." if found.passes else "Beyond the limit: thick samples change what comes after them."
    yield "A large share dies away over several runs and widens the limit: look at the single results too."
