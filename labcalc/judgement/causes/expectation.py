r"""What a liquid shows at any temperature by its known values, and what a run ought to: mean and spread, and how they
go together.

Everything is worked out in ln ν and ρ. A batch that is thick at 40 °C is thick at 100 °C: the deviations of a product
at two temperatures are correlated. Earlier runs of the sample or its lot narrow the spread of the product, by the rule
for normal variables:

.. math:: \mu' = \mu + K (h - \mu_h), \quad \Sigma' = \Sigma - K \Sigma_{h \cdot}, \quad
    K = \Sigma_{\cdot h} (\Sigma_{hh} + R)^{-1}
"""

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from labcalc.errors import OutOfRangeError
from labcalc.formulae import density_at, viscosity_from_ordinate, walther_ordinate
from labcalc.judgement.causes.catalogue import Array, Mask, log_viscosity_of
from labcalc.judgement.certificates import SAME_TEMPERATURE_K
from labcalc.judgement.uncertainty.sources import DEFAULT_LINE_SLOPE
from labcalc.lab import Product

OIL_DENSITY_SLOPE = -0.65  # where one density is known, [kg/m³/K]: -0.63 lubricating oils, -0.70 gas oils (ASTM D1250)
ZERO_C = 273.15
_THINNEST, _THICKEST = 0.22, 1e7  # just inside the range of the chart, [mm²/s]: what is thinner or thicker is that
BATCH_CORRELATION = 0.95  # of a product's ln ν at two temperatures, the rest is the index, [-]: our own choice
DENSITY_CORRELATION = 0.98  # the same for two densities of which both typical values are known, [-]
# how far a product is from the density table's slope, [kg/m³/K]: labcalc's own choice; the tables themselves are said
# to hold within 0.05 % at 38 °C and 0.25 % at 93 °C (API MPMS 11.1, 95 %, from memory)
DENSITY_SLOPE_SD = 0.01
UNKNOWN_SLOPE_SD = 0.03  # the same where nothing is known, [kg/m³/K]: half of the limit of the density slope check
_LINE_SLOPE_SD = 0.31  # of a mineral oil's line slope, [-]: a quarter of the range that ``liquid_slopes.toml`` gives
_OPEN_LINE_SLOPE_SD = 0.4  # the same for any liquid of the trade: slopes of 2.65 to 4.65 (``liquid_slopes.toml``), [-]
_BEND_SD = 0.06  # how far the slope beyond an oil's known values may be from that between them, [-]: our own choice
_OPEN_VISCOSITY, _OPEN_DENSITY = 1.0, 30.0  # spread of what is not known: ln ν [-], ρ [kg/m³]
_OPEN_CORRELATION = 0.995  # of ln ν at two temperatures together, where it is not known, [-]
LIGHTEST, HEAVIEST = 650.0, 1250.0  # petrol and a heavy glycol or ester, [kg/m³]: what isn't known lies between
_WIDTH_OF_LIMITS = 4.0  # distance of two specification limits in standard deviations of the product: our own choice
_QUANTITIES = ("kinematic viscosity", "density")


@dataclass(frozen=True)
class Liquid:
    """A liquid by its known values, each at a temperature in °C."""

    name: str
    viscosities: tuple[tuple[float, float], ...]  # temperature [°C] and kinematic viscosity [mm²/s], from cold to hot
    densities: tuple[tuple[float, float], ...]  # temperature [°C] and density [kg/m³], from cold to hot

    def ordinate_at(self, temperature_C: ArrayLike) -> Array:
        """Return the ordinate of the viscosity-temperature chart; one value takes a mineral oil's slope."""
        x = np.log10(np.asarray(temperature_C, dtype=float) + ZERO_C)
        if not self.viscosities:
            return np.full(x.shape, math.nan)
        temperatures, values = np.array(self.viscosities).T
        W = walther_ordinate(np.clip(values, _THINNEST, _THICKEST))
        return through_points(x, np.log10(temperatures + ZERO_C), W, slope=-DEFAULT_LINE_SLOPE)

    def viscosity_at(self, temperature_C: ArrayLike) -> Array:
        """Return the kinematic viscosity [mm²/s] at a temperature [°C]; NaN where none is known."""
        return np.asarray(viscosity_from_ordinate(np.clip(self.ordinate_at(temperature_C), -1.5, 0.84)))

    def density_at(self, temperature_C: ArrayLike) -> Array:
        """Return the density [kg/m³] at a temperature [°C], on a straight line; NaN where none is known."""
        T = np.asarray(temperature_C, dtype=float)
        if not self.densities:
            return np.full(T.shape, math.nan)
        temperatures, values = np.array(self.densities).T
        return through_points(T, temperatures, values, slope=OIL_DENSITY_SLOPE)


def through_points(x: Array, at: Array, values: Array, *, slope: float) -> Array:
    """Return straight pieces through points, the outer ones prolonged; through a single point with ``slope``."""
    if at.size == 1:
        return np.asarray(values[0] + slope * (x - at[0]))
    left = np.clip(np.searchsorted(at, x) - 1, 0, at.size - 2)
    share = (x - at[left]) / (at[left + 1] - at[left])
    return np.asarray((1.0 - share) * values[left] + share * values[left + 1])


class Node(NamedTuple):
    """One known value: ln ν or ρ at a temperature [°C], and its spread in the same unit."""

    temperature_C: float
    mean: float
    sd: float


@dataclass(frozen=True)
class Course:
    """How a quantity is expected to go with temperature: nodes from cold to hot, and how their spreads go together."""

    nodes: tuple[Node, ...]
    correlation: float
    slope_sd: float = DENSITY_SLOPE_SD  # of the density's slope away from its nodes, [kg/m³/K]; not of viscosity
    line_sd: float = _LINE_SLOPE_SD  # spread of the line's slope through a single node, [-]; without effect for density


class Observation(NamedTuple):
    """What was found before: ln ν or ρ, and how well that tells what this run ought to show, in the same unit."""

    viscous: bool
    temperature_C: float
    value: float
    sd: float


@dataclass(frozen=True)
class Expectation:
    """A normal expectation of ln ν and ρ at any temperature."""

    basis: str  # ``typical``, ``specification``, ``curve``, or ``history`` where earlier runs narrow one of these
    words: str
    viscosity: Course
    density: Course
    commodity: str
    observed: tuple[Observation, ...] = ()

    def moments(self, viscous: Mask, temperature_C: Array) -> tuple[Array, Array]:
        """Return mean and covariance of ln ν (where ``viscous``) and ρ [kg/m³] at temperatures in °C."""
        if not self.observed:
            return self._unconditional(viscous, temperature_C)
        thick, at, value, noise = np.array(self.observed).T
        known, asked = slice(at.size), slice(at.size, None)
        every = np.concatenate([thick, viscous]).astype(bool)
        mean, covariance = self._unconditional(every, np.concatenate([at, temperature_C]))
        gain = np.linalg.solve(covariance[known, known] + np.diag(noise**2), covariance[known, asked]).T
        return mean[asked] + gain @ (value - mean[known]), covariance[asked, asked] - gain @ covariance[known, asked]

    def _unconditional(self, viscous: Mask, temperature_C: Array) -> tuple[Array, Array]:
        places = tuple(zip(viscous.tolist(), temperature_C.tolist(), strict=True))
        mean, covariance = _moments(self.viscosity, self.density, self.commodity, places)
        return mean.copy(), covariance.copy()


@lru_cache(maxsize=512)
def _moments(
    viscosity: Course, density: Course, commodity: str, places: tuple[tuple[bool, float], ...]
) -> tuple[Array, Array]:
    """Return mean and covariance at places; one product and one set of temperatures come up again and again."""
    viscous, at = np.array([kind for kind, _ in places], dtype=bool), np.array([T for _, T in places])
    mean, covariance = np.empty(viscous.size), np.zeros((viscous.size, viscous.size))
    if viscous.any():
        mean[viscous], covariance[np.ix_(viscous, viscous)] = _of_viscosity(viscosity, at[viscous])
    if not viscous.all():
        mean[~viscous], covariance[np.ix_(~viscous, ~viscous)] = _of_density(density, at[~viscous], commodity)
    return mean, covariance


def _of_viscosity(course: Course, temperature_C: Array) -> tuple[Array, Array]:
    at, means, sd = np.array(course.nodes).T
    at, x = np.log10(at + ZERO_C), np.log10(temperature_C + ZERO_C)
    W = through_points(x, at, np.atleast_1d(walther_ordinate(np.exp(means))), slope=-DEFAULT_LINE_SLOPE)
    mean = log_viscosity_of(W)
    weights = np.stack([through_points(x, at, row, slope=0.0) for row in np.eye(at.size)], axis=-1)
    covariance = weights @ _correlated(sd, course.correlation) @ weights.T
    # one node: the line's slope is a mineral oil's; more: beyond them the line bends
    slope, viscosity = course.line_sd if at.size == 1 else _BEND_SD, np.exp(mean)
    # d ln ν/dW; below 2 mm²/s a little too small, which only widens by less
    per_ordinate = math.log(10.0) * (viscosity + 0.7) * np.log(viscosity + 0.7) / viscosity
    away = slope * (x - np.clip(x, at[0], at[-1])) * per_ordinate
    return mean, covariance + np.outer(away, away)


def _of_density(course: Course, temperature_C: Array, commodity: str) -> tuple[Array, Array]:
    at, means, sd = np.array(course.nodes).T
    nearest = np.abs(temperature_C[:, np.newaxis] - at).argmin(axis=1)
    away, mean = temperature_C - at[nearest], means[nearest]
    if (far := np.abs(away) > SAME_TEMPERATURE_K).any():
        mean[far] = _carried(mean[far], at[nearest][far], temperature_C[far], commodity)
    covariance, together = _correlated(sd, course.correlation), nearest[:, np.newaxis] == nearest
    return mean, covariance[np.ix_(nearest, nearest)] + together * np.outer(away, away) * course.slope_sd**2


def _carried(density: Array, from_C: Array, to_C: Array, commodity: str) -> Array:
    """Return densities at other temperatures; where the tables refuse, on a straight line: a slip is to be seen."""
    try:
        return np.asarray(density_at(density, from_C, to_C, commodity=commodity))
    except OutOfRangeError:
        if density.size == 1:
            return np.asarray(density + OIL_DENSITY_SLOPE * (to_C - from_C))
    each = [slice(n, n + 1) for n in range(density.size)]
    return np.concatenate([_carried(density[one], from_C[one], to_C[one], commodity) for one in each])


def open_course(viscous: bool, temperatures_C: Array, values: Array) -> Course:
    """Return the course of which nothing is known but how oils go with temperature, about values of ln ν or ρ."""
    sd, known = _OPEN_VISCOSITY if viscous else _OPEN_DENSITY, np.isfinite(values)
    warm = np.unique(temperatures_C[known]).tolist()
    nodes = tuple(Node(T, float(np.median(values[known & (temperatures_C == T)])), sd) for T in warm)
    if viscous:  # through two points any line goes: whether oils have its slope is asked
        return Course(nodes if len(nodes) > 2 else nodes[:1], _OPEN_CORRELATION, line_sd=_OPEN_LINE_SLOPE_SD)
    usual = [one for one in nodes if LIGHTEST <= one.mean <= HEAVIEST]
    usual = usual or [one._replace(mean=min(max(one.mean, LIGHTEST), HEAVIEST)) for one in nodes]
    return Course(tuple(usual[:1]), _OPEN_CORRELATION, UNKNOWN_SLOPE_SD)


def of_typical_values(product: Product, viscosity: Course, density: Course) -> Expectation | None:
    """Return what a product usually shows; a quantity without typical values keeps its course; None without any."""
    nodes: dict[str, list[Node]] = {quantity: [] for quantity in _QUANTITIES}
    for one in product.typical:
        if one.quantity in nodes:
            mean, sd = one.mean, one.standard_deviation
            mean, sd = (mean, sd) if one.quantity == "density" else (math.log(mean), sd / mean)
            nodes[one.quantity].append(Node(one.temperature_C, mean, sd))
    return _of_nodes("typical", "typical values of", product, nodes, (viscosity, density), DENSITY_SLOPE_SD)


def of_specification(product: Product, viscosity: Course, density: Course) -> Expectation | None:
    """Return what a product may show by its limits, where both sides are limited; None where none are."""
    nodes: dict[str, list[Node]] = {quantity: [] for quantity in _QUANTITIES}
    for one in product.limits:
        dense, ends = one.quantity == "density", np.array([one.lowest, one.highest])
        if one.quantity in nodes and np.isfinite(ends).all() and (dense or one.lowest > 0.0):
            low, high = (ends if dense else np.log(ends)).tolist()
            nodes[one.quantity].append(Node(one.temperature_C, (low + high) / 2.0, (high - low) / _WIDTH_OF_LIMITS))
    words = "the middle of the specification of"
    return _of_nodes("specification", words, product, nodes, (viscosity, density), UNKNOWN_SLOPE_SD)


def usual_of(product: Product | None, viscosity: Course, density: Course) -> Expectation:
    """Return what a product shows, by its typical values, its specification, or else courses through a run's values."""
    own = product and (of_typical_values(product, viscosity, density) or of_specification(product, viscosity, density))
    words = "a curve through this run's own values: only its shape and its repeats can be looked at"
    return own or Expectation("curve", words, viscosity, density, product.commodity if product else "lubricating oil")


def _of_nodes(
    basis: str, words: str, product: Product, known: dict[str, list[Node]], courses: tuple[Course, Course], slope: float
) -> Expectation | None:
    thick, heavy = (tuple(sorted(known[quantity], key=lambda one: one.temperature_C)) for quantity in _QUANTITIES)
    viscosity = Course(thick, BATCH_CORRELATION) if thick else courses[0]
    density = Course(heavy, DENSITY_CORRELATION, slope) if heavy else courses[1]
    found = Expectation(basis, f"{words} {product.name}", viscosity, density, product.commodity)
    return found if thick or heavy else None


def _correlated(sd: Array, correlation: float) -> Array:
    shares = np.full((sd.size, sd.size), correlation)
    np.fill_diagonal(shares, 1.0)
    return np.asarray(np.outer(sd, sd) * shares)
