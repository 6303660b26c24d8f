"""What is calculated of densities and of the apparatus."""

from collections.abc import Iterator

import numpy as np

from labcalc import formulae
from labcalc.bench.calculation import Given, Result, Table, numerals, table
from labcalc.errors import LabcalcError
from labcalc.statistics import high_low_carry_over, high_low_steps
from labcalc.wording import counted, numeral, percent, plain, signed

_BASES = {"15 °C": 15.0, "20 °C": 20.0, "60 °F": (60.0 - 32.0) / 1.8}


def density(given: Given) -> Iterator[Result]:
    """Density elsewhere by the petroleum tables, and volume corrections."""
    rho, t, P, group = given["density"], given["from"], given["from_kPa"] or 0.0, {"commodity": given["commodity"]}
    pressure = given["to_kPa"] or 0.0
    near = [base for base in _BASES.values() if pressure or abs(base - given["to"]) > 1e-9]  # else told once
    to, at_kPa = np.array([*((base, 0.0) for base in near), (given["to"], pressure)]).T
    found = formulae.density_at(rho, t, to, from_kPa=P, to_kPa=at_kPa, **group)
    columns = {
        f"Temperature, {given.unit('to')}": given.said("to", to),
        "Gauge pressure, kPa": [plain(one) for one in at_kPa],
        f"Density, {given.unit('density')}": given.said("density", found, 6),
        "± (95 %) of the tables, kg/m³": [
            numeral(float(one)) if one > 1e-6 else "0"
            for one in 2.0 * formulae.table_expansion_uncertainty(rho, t, to, **group)
        ],
    }
    yield table("Density", columns)
    at_60F = formulae.density_at_60F(rho, t, P, **group)
    gravity, relative = numerals(formulae.api_gravity(at_60F), 2)[0], numerals(formulae.relative_density(at_60F), 5)[0]
    yield f"API gravity {gravity} °API; relative density 60/60 °F {relative}."
    yield "± is how far an oil's own expansion may be from the tables; that of the measured density adds to it."
    if given["table"] is not None:
        yield _corrections(given, float(at_60F), pressure)


def _corrections(given: Given, at_60F: float, pressure: float) -> Table:
    """Return the factors that bring a volume to the base."""
    base = formulae.volume_correction(at_60F, _BASES[given["base"]], commodity=given["commodity"])
    there = formulae.volume_correction(at_60F, given["table"], pressure, commodity=given["commodity"])
    CTL, CPL = np.broadcast_arrays(there.temperature_factor / base.factor, there.pressure_factor)
    factors = {"CTL": CTL, "CPL": CPL, "CTPL": CTL * CPL}
    columns = {
        f"Temperature, {given.unit('table')}": given.said("table", given["table"]),
        "Density, kg/m³": numerals(at_60F * there.factor, 2),
        **{name: numerals(values, 5) for name, values in factors.items()},
    }
    return table(f"Volume correction to {given['base']}, at {plain(pressure)} kPa", columns)


def expansion(given: Given) -> Iterator[Result]:
    """Density by an oil's own expansion, beside the tables."""
    measured, kinds = given["densities"], {key: given[key] for key in ("commodity", "liquid")}
    if len(measured) != 2:
        raise LabcalcError(f"Measured twice: {counted(len(measured), 'line')}: two are expected")
    (t1, rho1), (t2, rho2) = measured[np.argsort(measured[:, 0])]
    if rho1 <= rho2:
        raise LabcalcError("Measured twice: a density that doesn't fall with temperature; are the two exchanged?")
    own = formulae.density_by_own_expansion(rho1, t1, rho2, t2, given["to"], **kinds)
    columns = {
        f"By its own expansion, {given.unit('densities 2')}": given.said("densities 2", own.density, 6),
        "± (95 %) of the equation, kg/m³": numerals(2.0 * own.equation_uncertainty),
        "By the tables": given.said("densities 2", own.table_density, 6),
        "Own less tables, kg/m³": [signed(float(own.difference), 3)],
        "α₆₀, 10⁻⁶/°F": numerals(1e6 * own.alpha_60, 2),
        "α₆₀, 10⁻⁶/K": numerals(1.8e6 * own.alpha_60, 2),
    }
    yield table(f"Density at {given.said('to', given['to'])[0]} {given.unit('to')}", columns)
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
    columns = {
        f"Flow time, {given.unit('times')}": given.said("times", t),
        "Viscosity, mm²/s": numerals(found, figures=4),
        "E, mm²·s": numerals(factors, 1),
        "Kinetic energy, %": numerals(100.0 * factors / (C * t**3), 3),
    }
    yield table("Viscosity", columns)
    if t.size > 1:
        apart = 100.0 * float(np.ptp(found) / found.mean())
        yield f"Mean {numerals(found.mean(), figures=4)[0]} mm²/s; {numeral(apart, 2)} % between the furthest apart."


def constant(given: Given) -> Iterator[Result]:
    """Constant of a capillary from reference oils."""
    nu, t, theta = np.nan_to_num(given["oils"].T)
    if (t <= theta).any():
        raise LabcalcError("Reference oils: a correction as long as the flow time; a shorter one is expected")
    C = nu / (t - theta)
    names = [*(str(number) for number in range(1, C.size + 1)), "mean"]
    yield table("Constant", {"Oil": names, "C, mm²/s²": numerals([*C, C.mean()], figures=5)})
    apart = 100.0 * float(np.ptp(C) / C.mean())
    if C.size > 1:
        verdict = "they agree" if apart <= 0.1 else "clean, check bath and clock, repeat"
        yield f"{numeral(apart, 3)} % apart, 0.1 % is allowed: {verdict}."
    if given["unsure"] is not None:
        unsure = 2.0 * np.hypot(0.5 * given["unsure"], apart / np.sqrt(12.0))
        yield f"± (95 %): {numeral(float(unsure))} %, the certificates as one error, and the distance."


def tube(given: Given) -> Iterator[Result]:
    """Constants of an oscillating tube, and densities from periods."""
    air, water = formulae.dry_air_density(given["at"], given["pressure"]), formulae.water_density(given["at"])
    found = formulae.adjust_oscillating_tube(given["air"], air, given["water"], water)
    samples = np.empty(0) if given["samples"] is None else given["samples"]
    periods = np.array([given["air"], given["water"], *samples])
    columns = {
        "In the tube": ["dry air", "water free of air", *["sample"] * samples.size],
        "Period, µs": [plain(one, 8) for one in periods],
        "Density, kg/m³": numerals(found.density(periods), 3),
    }
    yield table("Density", columns)
    A, B = numerals([found.A, found.B], figures=7)
    yield f"A = {A} kg/m³/µs², B = {B} kg/m³."


def carry_over(given: Given) -> Iterator[Result]:
    """The 21 runs in their order, and the share that stays."""
    results = np.empty(0) if given["results"] is None else given["results"]
    steps = high_low_steps("the thick oil", "the thin oil")
    cells = [*(plain(one) for one in results), *[""] * len(steps)]
    told = ((plain(one.number), one.sample, one.counts_as, cell) for one, cell in zip(steps, cells, strict=False))
    head = "Run", "Measure", "It is", "Result"
    yield Table("The runs in their order, cleaned between as always", head, tuple(told))
    if results.size < len(steps):
        yield f"Results still to be typed: {len(steps) - results.size}. Thin is ten times thinner or more."
        return
    found = high_low_carry_over(np.log(results) if given["quantity"] == "viscosity" else results)
    of_means = found.deviation * np.sqrt(2.0 / 5.0) / abs(found.high_after_high - found.low_after_low)  # of five each
    columns = {
        "Share of the run before": [percent(found.share, figures=3)],
        "Standard uncertainty": [percent(of_means)],
        "Thin after thick less thin after thin": numerals(found.difference, figures=3),
        "Limit, 3 SD": numerals(found.limit, figures=3),
    }
    yield table("Share that stays", columns)
    yield "Within the limit." if found.passes else "Beyond the limit: thick samples change what comes after them."
    yield "A large share dies away over several runs and widens the limit: look at the single results too."
