"""Three good results: how often one looks odd, and what dropping it does."""

import math
from functools import lru_cache

import numpy as np
from numpy.random import Generator
from numpy.typing import ArrayLike, NDArray

from labcalc.lessons.plots import Agreement, Plot, Series, agreement_series, normal_draws, plot_of, share_curve
from labcalc.statistics import grubbs_limit

_SETS = 100_000
_SIXTH = math.pi / 6.0
"""Three normal values: the direction of their deviations from the mean is uniform; the nearest pair takes 30°."""


def share_farther(times: float) -> float:
    """Return how many sets of three have a third ``times`` as far from its neighbour as the other two lie apart, [-].

    The two gaps of an ordered set are coordinates on axes 60° apart, so that a ratio of gaps is a direction; 1 or more.
    """
    return math.atan(math.sqrt(3.0) / (2.0 * times + 1.0)) / _SIXTH


def grubbs_gap() -> float:
    """Return how many times as far the third has to be for Grubbs' test at 5 % to call it odd, [-]."""
    angle = math.acos(float(grubbs_limit(3)) * math.sqrt(3.0) / 2.0)
    return math.sqrt(3.0) / 2.0 / math.tan(angle) - 0.5


def spread_of_closest() -> float:
    """Return the standard deviation of the mean of the two closest of three, [standard deviations of a result].

    It lies off the mean of three by a half of the third one's distance, √(2/3) R cos α, with R² = 2 on average and α
    uniform from 0 to 30°.
    """
    mean_square_cosine = 0.5 + math.sin(2.0 * _SIXTH) / (4.0 * _SIXTH)
    return math.sqrt((1.0 + mean_square_cosine) / 3.0)


def deviation_of_closest() -> float:
    """Return what the standard deviation of the two closest of three is on average, [true standard deviations]."""
    return math.sqrt(math.pi / 2.0) * (1.0 - math.cos(_SIXTH)) / _SIXTH  # E R times E sin α


def spread_of_median() -> float:
    """Return the standard deviation of the median of three, [standard deviations of a result]."""
    return math.sqrt(1.0 - math.sqrt(3.0) / math.pi)


def closest_mean(results: ArrayLike) -> NDArray[np.float64]:
    """Return the mean of the two closest of three results, [unit of the results], along the last axis."""
    ordered = np.sort(np.asarray(results, dtype=float), axis=-1)
    low = ordered[..., 1] - ordered[..., 0] < ordered[..., 2] - ordered[..., 1]
    return np.asarray(np.where(low, ordered[..., :2].mean(axis=-1), ordered[..., 1:].mean(axis=-1)))


def draw_threes(generator: Generator, sets: int = 12) -> NDArray[np.float64]:
    """Draw sets of three healthy results of one oil, [mm²/s]."""
    return np.round(generator.normal(46.1, 0.06, (sets, 3)), 2)


def _threes() -> NDArray[np.float64]:
    return normal_draws(91, _SETS, 3)


@lru_cache(maxsize=1)
def _gap_ratios() -> NDArray[np.float64]:
    """Larger over smaller gap of each simulated set of three."""
    gaps = np.sort(np.diff(np.sort(_threes(), axis=1), axis=1), axis=1)
    return np.asarray(gaps[:, 1] / gaps[:, 0])


def plot_threes(sets: NDArray[np.float64]) -> Plot:
    """Show sets of three results."""
    series = [Series("results", np.repeat(np.arange(1.0, len(sets) + 1.0), 3), sets.ravel(), "points")]
    return plot_of("outliers", "threes", {"sets": len(sets), "lowest": sets.min(), "highest": sets.max()}, series)


def plot_gap(times: float) -> Plot:
    """Show how many sets of three good results have one that lies so many times as far off."""
    at, ratios = [1.0, 2.0, 3.0, 5.0, 7.0, 10.0, 15.0, 20.0, 30.0], _gap_ratios()
    series = (
        share_curve("theory", np.geomspace(1.0, 30.0, 30), share_farther),
        share_curve("simulated", at, lambda one: ratios > one, "points"),
    )
    shares = {"simulated": np.mean(ratios > times), "theory": share_farther(times)}
    return plot_of("outliers", "gap", {"times": times, **shares}, series, marks=[times])


def plot_dropping() -> Plot:
    """Show what is reported from three good results, with and without the odd one."""
    threes = _threes()
    reported = {
        "mean of three": (1.0 / math.sqrt(3.0), threes.mean(axis=1)),
        "median of three": (spread_of_median(), np.median(threes, axis=1)),
        "mean of the first two": (1.0 / math.sqrt(2.0), threes[:, :2].mean(axis=1)),
        "odd one dropped": (spread_of_closest(), closest_mean(threes)),
    }
    found = [Agreement.of_spread(name, theory, values, "s") for name, (theory, values) in reported.items()]
    series = agreement_series(range(len(found)), found)
    said = "; ".join(f"{one.what} {one.theory:.2f} s" for one in found)
    return plot_of("outliers", "dropping", {"said": said}, series, x_names=list(reported))


def threes_agreements() -> tuple[Agreement, ...]:
    """Lay what is claimed of three good results beside simulation."""
    threes = _threes()
    pair_deviations = np.diff(np.sort(threes, axis=1), axis=1).min(axis=1) / math.sqrt(2.0)
    return (
        Agreement.of_share("The third is more than twice as far off", share_farther(2.0), _gap_ratios() > 2.0),
        Agreement.of_share("Grubbs calls one of three good ones odd", 0.05, _gap_ratios() > grubbs_gap()),
        Agreement.of_spread("Scatter when the odd one is dropped", spread_of_closest(), closest_mean(threes), "s"),
        Agreement.of_mean("Standard deviation of the two that are left", deviation_of_closest(), pair_deviations, "s"),
        Agreement.of_spread("Scatter of the median of three", spread_of_median(), np.median(threes, axis=1), "s"),
    )
