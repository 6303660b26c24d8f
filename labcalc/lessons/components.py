"""What changes between days and people: components of variance, intermediate precision, where a next result helps."""

import math
from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.random import Generator
from numpy.typing import ArrayLike

from labcalc.judgement import ComponentsOfVariance, Material, components_side_by_side
from labcalc.lessons.plots import Agreement, Plot, Series, agreement_series, curve, histogram, normal_draws, plot_of
from labcalc.lessons.repeats import COVER_95, limit_factor
from labcalc.statistics import VarianceComponents, nested_analysis, variance_components
from labcalc.statistics.series import Array

_MEANS = 20_000
_PAIRS = 100_000
_STUDIES = 4000
_MOST_REPEATS = 16
_IN_PLAN = 12


def laboratory_studies(material: Material, temperature_C: float = 40.0) -> list[ComponentsOfVariance]:
    """Return a laboratory's studies of two reference oils side by side, kinematic viscosity, the newest last."""
    studies = components_side_by_side(material)
    return [one for one in studies if (one.quantity, one.temperature_C) == ("kinematic viscosity", temperature_C)]


def laboratory_mornings(material: Material, study: ComponentsOfVariance) -> pd.DataFrame:
    """Return the mornings behind a study, by instrument and day: each oil's distance from its own mean there, [%]."""
    rows = material.record[material.record["temperature_C"] == study.temperature_C]
    oils = (rows["sample"] + " lot " + rows["lot"].astype("string").fillna("")).rename("oil")
    table = rows.assign(oil=oils, day=rows["measured_at"].dt.date.rename("day"))[oils.isin(study.samples)]
    results = table.pivot_table("kinematic_viscosity_mm2_s", ["instrument", "day"], "oil").dropna()
    return 100.0 * (results / results.groupby("instrument").transform("mean") - 1.0)[list(study.samples)]


def plan_spread(day: float, run: float, days: int, repeats: int) -> float:
    """Return the standard deviation of the mean over some days with some repeats on each, [unit of the deviations]."""
    return math.sqrt((day**2 + run**2 / repeats) / days)


def share_beyond_r(ratio: float) -> float:
    """Return how many pairs of different days lie beyond r, [-]; the days scatter with ``ratio``, [s_r]."""
    return math.erfc(COVER_95 / math.sqrt(2.0 * (1.0 + ratio**2)))  # s_I(T)² = s_r² (1 + ratio²)


def share_without_day(days: int, repeats: int, ratio: float) -> float:
    """Return how many studies give a day component of nothing, [-]; the days scatter with ``ratio``, [s_r].

    The estimate is 0 or below where the mean square between days is no larger than the one within; their quotient is
    an F quantity times 1 + n·ratio².
    """
    from scipy.special import fdtr

    return float(fdtr(days - 1, days * (repeats - 1), 1.0 / (1.0 + repeats * ratio**2)))


def draw_days(generator: Generator, days: int = 8, repeats: int = 2, decimals: int = 2) -> Array:
    """Draw results of one oil, [mm²/s], a row a day, a column a repeat."""
    drawn = 46.1 + generator.normal(0.0, 0.15, (days, 1)) + generator.normal(0.0, 0.06, (days, repeats))
    return np.round(drawn, decimals)


def day_component(table: ArrayLike) -> VarianceComponents:
    """Split a table with a row a day and a column a repeat into the components ``day`` and ``run``."""
    results = np.asarray(table, dtype=float)
    days = np.repeat(np.arange(results.shape[0]), results.shape[1])
    return variance_components(nested_analysis(results.ravel(), {"day": days}, lowest="run"))


def plans_of(results: int = _IN_PLAN) -> tuple[tuple[int, int], ...]:
    """Return every way to spread some results evenly: days, and repeats on each, [-]."""
    return tuple((days, results // days) for days in range(1, results + 1) if results % days == 0)


def _running_means(ratio: float) -> Array:
    """Means of the first 1, 2, … repeats of a day, a row a day, in units of s_r."""
    drawn = normal_draws(21, _MEANS, 1 + _MOST_REPEATS)
    return np.asarray(np.cumsum(ratio * drawn[:, :1] + drawn[:, 1:], axis=1) / np.arange(1.0, _MOST_REPEATS + 1.0))


def _pairs(ratio: float) -> Array:
    """Differences of two results of different days, in units of s_r."""
    drawn = normal_draws(22, _PAIRS, 4)
    return np.asarray(drawn[:, 0] - drawn[:, 1] + ratio * (drawn[:, 2] - drawn[:, 3]))


def _results(seed: int, cases: int, days: int, repeats: int, ratio: float) -> Array:
    """Simulated results, cases × days × repeats, in units of s_r."""
    drawn = normal_draws(seed, cases, days, 1 + repeats)
    return np.asarray(ratio * drawn[..., :1] + drawn[..., 1:])


def _found(days: int, repeats: int, ratio: float) -> Array:
    """Estimates of the day's variance from simulated studies, in units of s_r²; below 0 where chance made it so."""
    results = _results(23, _STUDIES, days, repeats, ratio)
    return np.asarray(results.mean(axis=2).var(axis=1, ddof=1) - results.var(axis=2, ddof=1).mean(axis=1) / repeats)


def _plan_means(days: int, repeats: int, ratio: float) -> Array:
    return np.asarray(_results(24, _MEANS, days, repeats, ratio).mean(axis=(1, 2)))


def plot_mornings(mornings: pd.DataFrame) -> Plot:
    """Show one oil against the other, a point a morning."""
    first, second = mornings.columns
    x, y = (str(oil).partition(" lot ")[0] for oil in mornings)
    points = {str(name): one.to_numpy(float).T for name, one in mornings.groupby("instrument")}
    series = [Series(name, of_first, of_second, "points") for name, (of_first, of_second) in points.items()]
    same_side, correlation = int((mornings[first] * mornings[second] > 0.0).sum()), mornings.corr().to_numpy()[0, 1]
    numbers = {"days": len(mornings), "same_side": same_side, "correlation": correlation, "first": x, "second": y}
    return plot_of("components", "mornings", numbers, series, [0.0], [0.0])


def plot_repeats(variances: Mapping[str, float]) -> Plot:
    """Show how the mean of repeats of one day scatters from day to day, for the components of a laboratory."""
    ratio = math.sqrt(variances["day"] / variances["run"])
    numbers = np.array([1, 2, 3, 4, 6, 8, 12, 16])
    one = plan_spread(ratio, 1.0, 1, 1)
    means = 100.0 / one * _running_means(ratio)[:, numbers - 1]
    expected = [100.0 * plan_spread(ratio, 1.0, 1, n) / one for n in numbers.tolist()]
    found = [Agreement.of_spread("", *each, "%") for each in zip(expected, means.T, strict=True)]
    theory, simulated = agreement_series(numbers, found, "line")
    no_day = curve("if no day were there", numbers, lambda n: 100.0 / math.sqrt(n))
    series = theory, no_day, curve("the day alone", numbers, lambda _: 100.0 * ratio / one), simulated
    return plot_of("components", "repeats", {"four": theory.y[3], "sixteen": theory.y[-1], "day": ratio / one}, series)


def plot_two_days(ratio: float) -> Plot:
    """Show which part of pairs of different days lies beyond r."""
    distance, r = np.abs(_pairs(ratio)), limit_factor()
    edges = np.linspace(0.0, 12.0, 49)
    deviation = math.sqrt(2.0 * (1.0 + ratio**2))
    borders = 100.0 * np.diff([math.erf(edge / deviation / math.sqrt(2.0)) for edge in edges.tolist()])
    bars = histogram(distance, edges)
    numbers = {"ratio": ratio, "simulated": np.mean(distance > r), "theory": share_beyond_r(ratio)}
    return plot_of("components", "two_days", numbers, (bars, Series("theory", bars.x, borders)), marks=[r])


def plot_days_found(number: float) -> Plot:
    """Show which day components studies of so many days find, with two repeats on each; the true one equals s_r."""
    days = round(number)
    variances = _found(days, 2, 1.0)
    series = [histogram(np.sqrt(np.maximum(variances, 0.0)), np.linspace(-0.05, 3.05, 32))]
    shares = {"none": 100.0 * np.mean(variances <= 0.0), "theory": 100.0 * share_without_day(days, 2, 1.0)}
    return plot_of("components", "days_found", {"studies": _STUDIES, "days": days, **shares}, series, marks=[1.0])


def plot_plans(variances: Mapping[str, float]) -> Plot:
    """Show what the mean of twelve results is worth, by how they are spread over days."""
    day, run = math.sqrt(variances["day"]), math.sqrt(variances["run"])
    means = {plan: run * _plan_means(*plan, day / run) for plan in plans_of()}
    found = [Agreement.of_spread("", plan_spread(day, run, *plan), drawn, "%") for plan, drawn in means.items()]
    numbers = {"results": _IN_PLAN, "one_day": found[0].theory, "own_days": found[-1].theory}
    names = [f"{days} × {repeats}" for days, repeats in means]
    return plot_of("components", "plans", numbers, agreement_series(range(len(found)), found), x_names=names)


def components_agreements() -> tuple[Agreement, ...]:
    """Lay the claims of this lesson beside simulation."""
    one_day, four_days = "Mean of four repeats of one day, the day as large as s_r", "Mean of four results of four days"
    pairs, days_apart = "Pairs of different days farther apart than r", np.abs(_pairs(1.0)) > limit_factor()
    none = "Studies of {} days with two results each that find no day"
    return (
        Agreement.of_spread(one_day, plan_spread(1.0, 1.0, 1, 4), _running_means(1.0)[:, 3], "s_r"),
        Agreement.of_spread(four_days, plan_spread(1.0, 1.0, 4, 1), _plan_means(4, 1, 1.0), "s_r"),
        Agreement.of_share(pairs, share_beyond_r(1.0), days_apart),
        *(Agreement.of_share(none.format(n), share_without_day(n, 2, 1.0), _found(n, 2, 1.0) <= 0.0) for n in (4, 12)),
    )
