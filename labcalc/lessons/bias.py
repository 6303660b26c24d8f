"""Off, or only chance: a mean against a certificate, what the certificate's own uncertainty and a last digit do."""

import math
from functools import partial

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from labcalc.judgement import Chart, Material
from labcalc.lessons.charts import laboratory_charts
from labcalc.lessons.plots import Agreement, Array, Plot, Series, curve, normal_draws, plot_of, share_curve
from labcalc.lessons.repeats import COVER_95

_CHECKS = 100_000
_TERMS = 40
_FEWEST = 5


def bias_uncertainty(deviation: float, results: int, expanded: float) -> float:
    """Return the standard uncertainty of a mean less a certified value with U (k = 2) ``expanded``, [unit of both]."""
    return math.hypot(deviation / math.sqrt(results), expanded / 2.0)


def found_bias(bias: float, results: int, certificate: float) -> float:
    """Return how often a bias [s] is found at 5 %, [-], on both sides; ``certificate`` is its standard u, [s]."""
    u = bias_uncertainty(1.0, results, 2.0 * certificate)
    return sum(math.erfc((COVER_95 - side * bias / u) / math.sqrt(2.0)) / 2.0 for side in (1.0, -1.0))


def false_share(results: int, certificate: float) -> float:
    """Return how often a right instrument seems off, [-], where the certificate's u [s] is forgotten."""
    return math.erfc(COVER_95 / math.sqrt(2.0 * (1.0 + results * certificate**2)))


def rounded_bias(place: float, scatter: float) -> float:
    """Return how far the mean of many rounded results is off, [steps]; ``place`` above a number shown, [steps].

    The expectation of the rounding error is periodic in the true value; normal scatter [steps] damps each wave of it.
    """
    k = np.arange(1.0, _TERMS + 1.0)
    damped = (-1.0) ** k / k * np.exp(-2.0 * (math.pi * k * scatter) ** 2)
    return float(np.sum(damped * np.sin(2.0 * math.pi * k * place))) / math.pi


def certified_charts(material: Material) -> list[Chart]:
    """Return the charts with a certificate whose uncertainty is known, and five results or more, the newest last."""
    known = [one for one in laboratory_charts(material) if math.isfinite(one.certified_uncertainty)]
    return [one for one in known if one.used.sum() >= _FEWEST]


def draw_check(generator: Generator, results: int = 8) -> tuple[Array, float, float]:
    """Draw results of a reference oil, its certified value, and its expanded uncertainty (k = 2), all in mm²/s."""
    certified, expanded = round(float(generator.uniform(20.0, 60.0)), 2), 0.06
    true = certified + generator.normal(0.0, expanded / 2.0)
    off = float(generator.choice([0.0, 0.12])) * float(generator.choice([-1.0, 1.0]))
    return np.round(generator.normal(true + off, 0.05, results), 2), certified, expanded


def _shown(place: float, scatter: float) -> Array:
    """Rounding of simulated results: what a display shows less the true value, [steps]."""
    return np.asarray(np.round(place + scatter * normal_draws(101, 2, _CHECKS)[0]) - place)


def plot_certificate(chart: Chart) -> Plot:
    """Show a chart's results beside the certified value and its uncertainty."""
    used, at = chart.plotted[chart.used], np.arange(1.0, int(chart.used.sum()) + 1.0)
    mean, U = float(used.mean()), chart.certified_uncertainty
    off = mean / bias_uncertainty(float(used.std(ddof=1)), used.size, U)
    numbers = {"chart": chart, "results": used.size, "mean": mean, "U": U, "off": off}
    return plot_of("bias", "certificate", numbers, [Series("results", at, used, "points")], [U, mean, -U])


def plot_forgotten(certificate: float) -> Plot:
    """Show how often a right instrument seems to be off where the certificate's u is forgotten."""
    numbers = [1, 2, 4, 9, 16, 25, 50, 100]
    theory = share_curve("theory", numbers, partial(false_share, certificate=certificate))
    seems_off = partial(_is_found, 0.0, certificate=certificate, forgotten=True)
    series = (theory, share_curve("simulated", numbers, seems_off, "points"))
    shares = {"one": theory.y[0], "many": theory.y[5], "most": theory.y[-1]}
    return plot_of("bias", "forgotten", {"certificate": certificate, **shares}, series, [5.0])


def _is_found(bias: float, results: int, certificate: float, *, forgotten: bool = False) -> NDArray[np.bool_]:
    """Tell of simulated checks whether a bias is found, with the certificate's part or where it is forgotten."""
    means, certificates = normal_draws(101, 2, _CHECKS)  # standard normal errors of both
    off = bias + means / math.sqrt(results) - certificate * certificates
    u = bias_uncertainty(1.0, results, 0.0 if forgotten else 2.0 * certificate)
    return np.asarray(np.abs(off) > COVER_95 * u)


def plot_found_bias(bias: float) -> Plot:
    """Show how often a bias is found, by the number of results, with and without an uncertain certificate."""
    numbers = [1, 2, 4, 6, 9, 16, 25, 50, 100]
    series = (
        share_curve("exact certificate", numbers, lambda n: found_bias(bias, n, 0.0)),
        share_curve("certificate uncertain by 0.5 s", numbers, lambda n: found_bias(bias, n, 0.5)),
        share_curve("simulated, uncertain", numbers, lambda n: _is_found(bias, n, 0.5), "points"),
    )
    shares = {name: found_bias(bias, n, 0.5) for name, n in (("few", 4), ("many", 100), ("ever", 10**9))}
    return plot_of("bias", "found_bias", {"bias": bias, **shares}, series)


def plot_rounding(scatter: float) -> Plot:
    """Show how far the mean of many rounded results is off, by where the true value lies between two numbers."""
    places = np.linspace(0.0, 1.0, 41)
    theory = curve("theory", places, partial(rounded_bias, scatter=scatter))
    simulated = curve("simulated", places[::5], lambda one: float(_shown(one, scatter).mean()), "points")
    return plot_of("bias", "rounding", {"scatter": scatter, "most": np.abs(theory.y).max()}, (theory, simulated), [0.0])


def bias_agreements() -> tuple[Agreement, ...]:
    """Lay the claims of this lesson beside simulation."""
    nothing = "Found though nothing is off: 25 results, certificate uncertain by s and taken for exact"
    four = "A bias of s is found by 4 results, certificate uncertain by s/2"
    rounded = "Mean of rounded results, scatter {:g} steps, true value a quarter above"
    return (
        Agreement.of_share(nothing, false_share(25, 1.0), _is_found(0.0, 25, 1.0, forgotten=True)),
        Agreement.of_share("The same check with the certificate's part", 0.05, _is_found(0.0, 25, 1.0)),
        Agreement.of_share(four, found_bias(1.0, 4, 0.5), _is_found(1.0, 4, 0.5)),
        *(Agreement.of_mean(rounded.format(s), rounded_bias(0.25, s), _shown(0.25, s), "steps") for s in (0.2, 0.4)),
    )
