"""Speed of the formulas, as ratios to what NumPy has to do at least: python -m tests.benchmarks.formulae."""

from __future__ import annotations

import time
import warnings
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from labcalc import formulae
from labcalc.errors import ConvergenceWarning
from labcalc.formulae._tables import published_table

VALUES = 1_000_000
OILS = 100_000
LOOPED = 200
"""Oils that a loop is timed on."""


def seconds(work: Callable[[], object], times: int = 5) -> float:
    """Return the shortest of some runs."""
    best = np.inf
    for _ in range(times):
        start = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - start)
    return best


def main() -> None:
    """Print a line a formula."""
    random = np.random.default_rng(1)
    table = published_table("viscosity_index_basis.csv")
    Y = random.uniform(2.0, 70.0, VALUES)
    U = Y * random.uniform(5.0, 15.0, VALUES)
    columns = seconds(lambda: [np.interp(Y, table["kv_100"], table[column]) for column in "LH"])
    report(
        "viscosity_index", "interpolating both table columns", VALUES, lambda: formulae.viscosity_index(U, Y), columns
    )
    alone = seconds(lambda: formulae.viscosity_index(U, Y))
    name, one_by_one = _scalar_index()
    loop = seconds(lambda: [one_by_one(u, y) for u, y in zip(U[:LOOPED].tolist(), Y[:LOOPED].tolist(), strict=True)], 3)
    print(f"{'viscosity_index':40} {loop / LOOPED * VALUES / alone:8.0f} × faster than a loop of {name}")
    exponential = seconds(lambda: np.log10(np.log10(U)))
    report("walther_ordinate", "two logarithms", VALUES, lambda: formulae.walther_ordinate(U), exponential)
    ordinate = formulae.walther_ordinate(U)
    powers = seconds(lambda: 10.0 ** (10.0**ordinate))
    report("viscosity_from_ordinate", "two powers", VALUES, lambda: formulae.viscosity_from_ordinate(ordinate), powers)
    pairs = np.stack([U, Y], axis=-1)[:OILS]
    ordinates = seconds(lambda: formulae.walther_ordinate(pairs))
    report(
        "fit_viscosity_temperature",
        "the ordinates of its points",
        OILS,
        lambda: formulae.fit_viscosity_temperature([40.0, 100.0], pairs),
        ordinates,
    )
    five_C = np.array([20.0, 40.0, 60.0, 80.0, 100.0])
    noise = 1.0 + 0.003 * random.standard_normal((OILS, five_C.size))
    five = 10.0**10.0 ** (9.458393 - 3.680946 * np.log10(five_C + 273.15)) * noise
    plain = seconds(lambda: formulae.fit_viscosity_temperature(five_C, five))
    loop = seconds(lambda: _general_fits(five_C, five[:LOOPED]), 1) / LOOPED * OILS
    print(f"{'fit_viscosity_temperature, 5 points':40} {loop / plain:8.0f} × faster than a loop of a general fit")
    for name, work in {
        "estimate_viscosity_temperature, 5 points": lambda: formulae.estimate_viscosity_temperature(five_C, five),
        "departure_from_line, 5 points": lambda: formulae.departure_from_line(five_C, five, 0.3),
        "fit_andrade, 5 points": lambda: formulae.fit_andrade(five_C, five),
        "fit_vogel, 5 points": lambda: formulae.fit_vogel(five_C, five),
        "compare_viscosity_models, 5 points": lambda: formulae.compare_viscosity_models(five_C, five),
    }.items():
        report(name, "the plain line", OILS, work, plain)
    saybolt = formulae.saybolt_universal_from_kinematic(U)
    there = seconds(lambda: formulae.saybolt_universal_from_kinematic(U))
    back = "the way there"
    report(
        "kinematic_from_saybolt_universal",
        back,
        VALUES,
        lambda: formulae.kinematic_from_saybolt_universal(saybolt),
        there,
    )
    density, temperature = random.uniform(840.0, 900.0, OILS), random.uniform(10.0, 100.0, OILS)
    correction = seconds(lambda: formulae.volume_correction(density, temperature))
    rows = random.uniform(840.0, 900.0, VALUES), random.uniform(10.0, 100.0, VALUES)
    exponential = seconds(lambda: np.exp(-1e-3 * rows[1]))
    report(
        "density_at, 1e6 rows", "one np.exp over them", VALUES, lambda: formulae.density_at(*rows, 15.0), exponential
    )
    for commodity in formulae.COMMODITIES:
        report(
            f"density_at, {commodity}",
            "one volume correction",
            OILS,
            lambda commodity=commodity: formulae.density_at(density, temperature, 15.0, commodity=commodity),
            correction,
        )

    linearity("viscosity_index", lambda n: formulae.viscosity_index(U[:n], Y[:n]))
    linearity("density_at", lambda n: formulae.density_at(rows[0][:n], rows[1][:n], 15.0))
    linearity("walther_ordinate", lambda n: formulae.walther_ordinate(U[:n]))
    oils = np.stack([U, Y], axis=-1)
    linearity("fit_viscosity_temperature", lambda n: formulae.fit_viscosity_temperature([40.0, 100.0], oils[:n]))


def linearity(name: str, work: Callable[[int], object]) -> None:
    """Print the time a value for more and more values: a cost that grows in proportion stays level or falls."""
    counts = [10**power for power in (3, 4, 5, 6)]
    each = [seconds(lambda count=count: work(count)) / count * 1e9 for count in counts]
    figures = "  ".join(f"{count:.0e}: {one:.0f}" for count, one in zip(counts, each, strict=True))
    print(f"{name:40} ns a value for {figures}; 1e6 costs {1000.0 * each[-1] / each[0]:.0f} times what 1e3 does")


def _scalar_index() -> tuple[str, Callable[[float, float], object]]:
    """Return a viscosity index of one pair at a time: of a scalar library where one is installed, else our own."""
    try:
        from chemicals.viscosity import viscosity_index
    except ImportError:
        return "labcalc's own formula, called pair by pair (no scalar library installed)", formulae.viscosity_index
    return "chemicals' scalar formula", lambda u, y: viscosity_index(1e-6 * u, 1e-6 * y)


def _general_fits(temperature_C: NDArray[np.float64], viscosities: NDArray[np.float64]) -> None:
    """Fit the line oil by oil with a general least squares routine."""
    from scipy.optimize import curve_fit

    x, ordinates = np.log10(temperature_C + 273.15), formulae.walther_ordinate(viscosities)
    for ordinate in ordinates:
        curve_fit(lambda x, A, B: A - B * x, x, ordinate, p0=(9.0, 3.5))


def report(name: str, against: str, values: int, work: Callable[[], object], base: float) -> None:
    """Time some work and print it beside its base."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)
        taken = seconds(work)
    print(f"{name:40} {taken / values * 1e9:8.0f} ns a value   {taken / base:5.2f} × {against}")


if __name__ == "__main__":
    main()
