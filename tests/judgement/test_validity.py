"""Checks of a run and its reference oils, number by number: both sides of every limit, and what is told of it.

The oils are invented. D445 as shipped (memory), formulated oils: r = 0.0074 x at 40 °C, 0.0084 x at 100 °C, 0.0056 x
at 150 °C; ISO 12185 as shipped (memory): r = 0.2 kg/m³. Expected values are worked out here, from the definitions.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from labcalc import formulae
from labcalc.judgement import Check, Judgement
from tests.judgement.conftest import GOOD, LAB, Judge

ALL_THREE = (
    "Run,Sample,Date,Instrument,Temperature (°C),Kinematic viscosity (mm²/s),Density (kg/m³),"
    "Dynamic viscosity (mPa·s)\n"
)
DETERMINATIONS = LAB.replace("[report]", '[report]\nreplicates = "determinations"')


def check(judgement: Judgement, name: str) -> Check:
    (found,) = (one for one in judgement.checks if one.name == name)
    return found


def repeated(judgement: Judgement) -> list[str]:
    return [one.name.removeprefix("Repeats: ") for one in judgement.checks if one.name.startswith("Repeats")]


# --- Repeats ---


def test_every_quantity_that_has_repeats_is_looked_at_once(judged: Judge) -> None:
    """What follows from two others is no second proof: η where ν is there, ρ = η/ν where it was not measured."""
    again = "S1,S-1,2026-03-02 08:20,VD,40,46.14,858.1\n"
    assert repeated(judged(GOOD + again)) == ["kinematic viscosity at 40 °C", "density at 40 °C"]
    assert repeated(judged(GOOD)) == ["Repeats"]
    rows = [f"S1,S-1,2026-03-02 08:{n}0,VD,40,46.12,,39.576\n" for n in (0, 1)]
    assert repeated(judged("".join(rows), header=ALL_THREE)) == ["kinematic viscosity at 40 °C"]
    rows += [f"S1,S-1,2026-03-02 08:{n}0,VD,100,,,5.633\n" for n in (2, 3)]
    assert repeated(judged("".join(rows), header=ALL_THREE)) == [
        "kinematic viscosity at 40 °C",
        "dynamic viscosity at 100 °C",
    ]


def test_without_repeats_there_is_nothing_to_compare(judged: Judge) -> None:
    found = check(judged(), "Repeats")
    assert (found.state, found.finding) == ("not checked", "one determination at each temperature: nothing to compare")


# --- Density slope ---


def fall_by_the_table(cold: float) -> float:
    """From 40 °C to 100 °C: ρ(t) = ρ60 exp(-α Δt - 0.8 α² Δt²), α = 0.34878 / ρ60 a degree F (API MPMS 11.1:2004,
    lubricating oils, memory), without the small change of the temperature scale."""
    at_60 = cold
    for _ in range(50):
        at_60 = cold / math.exp(-0.34878 / at_60 * 44.0 - 0.8 * (0.34878 / at_60 * 44.0) ** 2)
    hot = at_60 * math.exp(-0.34878 / at_60 * 152.0 - 0.8 * (0.34878 / at_60 * 152.0) ** 2)
    return (cold - hot) / 60.0


@pytest.mark.parametrize(
    ("away", "state"), [(-0.0601, "doubtful"), (-0.0599, "met"), (0.0599, "met"), (0.0601, "doubtful")]
)
def test_a_density_slope_may_be_0_06_from_the_tables(judged: Judge, away: float, state: str) -> None:
    expected = -float(formulae.density_slope(858.1, 40.0, 100.0, commodity="lubricating oil"))
    assert expected == pytest.approx(fall_by_the_table(858.1), abs=2e-4)
    found = check(judged(GOOD.replace("819.9", f"{858.1 - 60.0 * (expected + away):.5f}")), "Density slope")
    assert found.state == state
    assert found.finding == (
        f"falls by {expected + away:.3f} kg/m³ a kelvin between 40 °C and 100 °C; 0.641 expected for a lubricating "
        "oil, ±0.06"
    )


def test_a_density_slope_needs_two_measured_densities_and_takes_the_outermost(judged: Judge) -> None:
    alone = judged(GOOD.splitlines(keepends=True)[0])
    assert check(alone, "Density slope").finding == "needs densities at two temperatures"
    follows = "".join(
        f"S1,S-1,2026-03-02 08:{n}0,VD,{t},{v}\n" for n, t, v in ((0, 40, "46.12,858.1,"), (1, 100, "6.870,,5.633"))
    )
    assert check(judged(follows, header=ALL_THREE), "Density slope").state == "not checked"
    three = GOOD + "S1,S-1,2026-03-02 08:20,VD,70,16.30,800.0\n"
    found = check(judged(three), "Density slope")
    assert found.state == "met"
    assert found.finding.startswith("falls by 0.637 kg/m³ a kelvin between 40 °C and 100 °C"), "(858.1 - 819.9) / 60"


# --- The line ---


def departure(values: dict[float, float], noise: dict[float, float], degrees: float) -> tuple[float, float, float]:
    """Weighted least squares by NumPy, F test by scipy: ratio to the noise, p, excess of the coldest in percent.

    W = lg lg Z, Z = ν + 0.7 + exp(-1.47 - 1.84 ν - 0.51 ν²) (ASTM D341-20, X1); u(W) = u(ν) dW/dν, by a difference.
    """
    t, nu = np.array(list(values)), np.array(list(values.values()))

    def ordinate(v: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(np.log10(np.log10(v + 0.7 + np.exp(-1.47 - 1.84 * v - 0.51 * v**2))))

    u = 1e-6 * nu * np.array([noise[one] for one in t])
    x, w, u_w = np.log10(t + 273.15), ordinate(nu), 1e4 * (ordinate(nu + u) - ordinate(nu))
    b, a = np.polyfit(x, w, 1, w=1.0 / u_w)
    square = float((((w - a - b * x) / u_w) ** 2).sum()) / (t.size - 2)
    rest, start = np.polyfit(x[1:], w[1:], 1, w=1.0 / u_w[1:])
    expected = 10.0**10.0 ** (start + rest * x[0]) - 0.7
    return math.sqrt(square), float(stats.f.sf(square, t.size - 2, degrees)), 100.0 * (nu[0] / expected - 1.0)


def line(judge: Judge, cold: str, *warm: str, lab: str = LAB) -> Check:
    export = GOOD.splitlines(keepends=True)[0].replace("46.12", cold)
    export += "".join(f"S1,S-1,2026-03-02 08:1{n},VD,100,{one},819.9\n" for n, one in enumerate(warm or ("6.870",)))
    export += "S1,S-1,2026-03-02 08:20,VD,150,2.890,790.0\n"
    return check(judge(export, lab=lab), "Viscosity-temperature line")


R_PERCENT = {40.0: 0.74, 100.0: 0.84, 150.0: 0.56}


@pytest.mark.parametrize("cold", ["46.12", "47.00", "45.00"])
def test_the_scatter_about_the_line_in_the_noise_of_repeats(judged: Judge, cold: str) -> None:
    """Noise: r / 2.77, 30 degrees of freedom (ISO 4259, memory)."""
    values = {40.0: float(cold), 100.0: 6.870, 150.0: 2.890}
    ratio, p, excess = departure(values, {t: r / 2.77 for t, r in R_PERCENT.items()}, 30.0)
    found = line(judged, cold)
    assert found.state == ("doubtful" if p < 0.01 else "met")
    away = f"{excess:+#.2g}".replace("-", "−")
    assert found.finding == (
        f"scatter about the line {ratio:.2g} times the noise of repeats (p = {p:.2g}, limit 0.01); the result at 40 °C "
        f"is {away} % from the line through the others"
    )
    assert found.basis.endswith("; noise: ASTM D445, edition 2015 to 2024, formulated oils"), (
        "three temperatures of one statement are named once"
    )


def test_a_mean_of_two_fills_has_less_noise_and_one_of_two_determinations_not(judged: Judge) -> None:
    """Standard deviation of a mean of n independent results: s / √n; determinations of one fill are one result."""
    values = {40.0: 46.12, 100.0: 6.930, 150.0: 2.890}
    single = {t: r / 2.77 for t, r in R_PERCENT.items()}
    shrunk = single | {100.0: 0.84 / 2.77 / math.sqrt(2.0)}
    for lab, noise in ((LAB, shrunk), (DETERMINATIONS, single)):
        ratio, p, _ = departure(values, noise, 30.0)
        said = line(judged, "46.12", "6.920", "6.940", lab=lab).finding
        assert f"scatter about the line {ratio:.2g} times the noise of repeats (p = {p:.2g}, " in said
    assert departure(values, shrunk, 30.0)[0] / departure(values, single, 30.0)[0] > 1.1


def test_the_least_degrees_of_freedom_are_those_of_the_noise(judged: Judge) -> None:
    own = (
        '[[precision]]\nclass = "formulated oils"\nquantity = "kinematic viscosity"\ntemperature_C = 100\n'
        'repeatability = { factor = 0.0084 }\nsource = "own"\ndegrees_of_freedom = 5\n'
    )
    values = {40.0: 47.00, 100.0: 6.870, 150.0: 2.890}
    _, p, _ = departure(values, {t: r / 2.77 for t, r in R_PERCENT.items()}, 5.0)
    assert f"(p = {p:.2g}, limit 0.01)" in line(judged, "47.00", lab=LAB + own).finding
