"""Speed of the formulas, as ratios to what NumPy has to do at least: python -m tests.benchmarks.formulae.

Times and ratios are made as ``tests/benchmarks/timing.py`` says.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from labcalc import formulae
from labcalc.errors import ConvergenceWarning
from labcalc.formulae._tables import published_table
from labcalc.formulae.curves.line_uncertainty import ordinate_of_percent
from tests.benchmarks.timing import HOW, cpu_ratio, cpu_seconds, report

VALUES = 1_000_000
OILS = 100_000
LOOPED = 500
"""Oils that a loop is timed on."""


def main() -> None:
    """Print a line a formula."""
    print(HOW)
    random = np.random.default_rng(1)
    table = published_table("viscosity_index_basis.csv")
    Y = random.uniform(2.0, 70.0, VALUES)
    U = Y * random.uniform(5.0, 15.0, VALUES)
    columns = cpu_seconds(lambda: [np.interp(Y, table["kv_100"], table[column]) for column in "LH"])
    report(
        "viscosity_index", "interpolating both table columns", VALUES, lambda: formulae.viscosity_index(U, Y), columns
    )
    name, one_by_one = _scalar_index()
    pairs = list(zip(U[:LOOPED].tolist(), Y[:LOOPED].tolist(), strict=True))
    loop = cpu_ratio(
        lambda: [one_by_one(*pair) for pair in pairs], lambda: formulae.viscosity_index(U, Y), VALUES / LOOPED
    )
    print(f"a loop of {name} ({LOOPED} timed, {VALUES:.0e} at once) takes {loop} as long")
    exponential = cpu_seconds(lambda: np.log10(np.log10(U)))
    report("walther_ordinate", "two logarithms", VALUES, lambda: formulae.walther_ordinate(U), exponential)
    ordinate = formulae.walther_ordinate(U)
    powers = cpu_seconds(lambda: 10.0 ** (10.0**ordinate))
    report("viscosity_from_ordinate", "two powers", VALUES, lambda: formulae.viscosity_from_ordinate(ordinate), powers)
    pairs = np.stack([U, Y], axis=-1)[:OILS]
    ordinates = cpu_seconds(lambda: formulae.walther_ordinate(pairs))
    report(
        "fit_viscosity_temperature",
        "the ordinates of its points",
        OILS,
        lambda: formulae.fit_viscosity_temperature([40.0, 100.0], pairs),
        ordinates,
    )
    five_C = np.array([20.0, 40.0, 60.0, 80.0, 100.0])
    five = _many_oils(five_C, random)
    _against_general_fits(five_C, five)
    plain = cpu_seconds(lambda: formulae.fit_viscosity_temperature(five_C, five))
    own_C = five_C + 0.1 * random.standard_normal(five.shape)
    for name, work in {
        "fit_viscosity_temperature, its own °C": lambda: formulae.fit_viscosity_temperature(own_C, five),
        "estimate_viscosity_temperature, 5 points": lambda: formulae.estimate_viscosity_temperature(five_C, five),
        "departure_from_line, 5 points": lambda: formulae.departure_from_line(five_C, five, 0.3),
        "fit_vogel, 5 points": lambda: formulae.fit_vogel(five_C, five),
        "compare_viscosity_models, 5 points": lambda: formulae.compare_viscosity_models(five_C, five, 0.3),
    }.items():
        report(name, "the plain line", OILS, work, plain)
    saybolt = formulae.saybolt_universal_from_kinematic(U)
    there = cpu_seconds(lambda: formulae.saybolt_universal_from_kinematic(U))
    back = "the way there"
    report(
        "kinematic_from_saybolt_universal",
        back,
        VALUES,
        lambda: formulae.kinematic_from_saybolt_universal(saybolt),
        there,
    )
    density, temperature = random.uniform(840.0, 900.0, OILS), random.uniform(10.0, 100.0, OILS)
    correction = cpu_seconds(lambda: formulae.volume_correction(density, temperature))
    rows = random.uniform(840.0, 900.0, VALUES), random.uniform(10.0, 100.0, VALUES)
    exponential = cpu_seconds(lambda: np.exp(-1e-3 * rows[1]))
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
    each = [cpu_seconds(lambda count=count: work(count)) / count * 1e9 for count in counts]
    figures = "  ".join(f"{count:.0e}: {one:.0f}" for count, one in zip(counts, each, strict=True))
    print(f"{name:40} ns a value for {figures}; 1e6 costs {1000.0 * each[-1] / each[0]:.0f} times what 1e3 does")


def _scalar_index() -> tuple[str, Callable[[float, float], object]]:
    """Return a viscosity index of one pair at a time: of a scalar library where one is installed, else our own."""
    try:
        from chemicals.viscosity import viscosity_index
    except ImportError:
        return "labcalc's own formula, called pair by pair (no scalar library installed)", formulae.viscosity_index
    return "chemicals' scalar formula", lambda u, y: viscosity_index(1e-6 * u, 1e-6 * y)


def _many_oils(temperature_C: NDArray[np.float64], random: np.random.Generator) -> NDArray[np.float64]:
    """Return results of oils from 5 to 1 000 mm²/s at 40 °C, with 0.3 % of noise."""
    slope = random.uniform(3.0, 4.0, (OILS, 1))
    at_40 = np.exp(random.uniform(np.log(5.0), np.log(1000.0), slope.shape))
    intercept = formulae.walther_ordinate(at_40) + slope * np.log10(313.15)
    line = formulae.viscosity_from_ordinate(intercept - slope * np.log10(temperature_C + 273.15))
    return line * (1.0 + 0.003 * random.standard_normal(line.shape))


def _against_general_fits(temperature_C: NDArray[np.float64], viscosities: NDArray[np.float64]) -> None:
    """Compare the two line fits with a general routine oil by oil, and with one product of matrices.

    The routine has the ordinates (and their weights) given and starts at the middle of the oils' coefficients; the line
    fits make both from the viscosities, check their range, and give residuals too. That slopes agree is asserted.
    """
    from scipy.optimize import curve_fit

    x, W = np.log10(temperature_C + 273.15), formulae.walther_ordinate(viscosities)
    sigma = ordinate_of_percent(viscosities)

    def line(x: NDArray[np.float64], A: float, B: float) -> NDArray[np.float64]:
        return A - B * x

    def slopes(weighted: bool) -> list[float]:
        weights = sigma[:LOOPED] if weighted else [None] * LOOPED
        pairs = zip(W[:LOOPED], weights, strict=True)
        return [curve_fit(line, x, one, p0=(9.0, 3.5), sigma=weight)[0][1] for one, weight in pairs]

    def fit() -> NDArray[np.float64]:
        return formulae.fit_viscosity_temperature(temperature_C, viscosities).slope

    def estimate() -> NDArray[np.float64]:
        return formulae.estimate_viscosity_temperature(temperature_C, viscosities).line.slope

    shares = (x - x.mean()) / np.sum((x - x.mean()) ** 2)

    def product() -> NDArray[np.float64]:
        return np.einsum("ij,j->i", formulae.walther_ordinate(viscosities), -shares)

    np.testing.assert_allclose(fit()[:LOOPED], slopes(False), rtol=1e-6)
    np.testing.assert_allclose(estimate()[:LOOPED], slopes(True), rtol=1e-6)
    np.testing.assert_allclose(fit(), product(), rtol=1e-9)
    print(f"scipy.optimize.curve_fit oil by oil ({LOOPED} timed), {OILS:.0e} oils at once; 5 points, 2 coefficients:")
    print(f"  {cpu_ratio(lambda: slopes(False), fit, OILS / LOOPED)} fit_viscosity_temperature")
    print(f"  {cpu_ratio(lambda: slopes(True), estimate, OILS / LOOPED)} estimate_viscosity_temperature, sigma given")
    print(f"fit_viscosity_temperature takes {cpu_ratio(fit, product)} the ordinates and their product with one vector")


if __name__ == "__main__":
    warnings.simplefilter("ignore", ConvergenceWarning)
    main()
