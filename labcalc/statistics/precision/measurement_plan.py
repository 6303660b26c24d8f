"""Where to spend the next measurement: by known components, the variance of a mean, and what narrows an interval."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from labcalc.statistics.precision.nested_components import combination_interval, component_weights
from labcalc.statistics.series import Array

_DRAWS = 4000  # sets of mean squares over which an interval's width is averaged: a ratio of widths is then good to 1 %


@dataclass(frozen=True)
class IntervalGain:
    """What one more of a level would do: ``ratios`` are expected widths of the interval of each standard deviation,
    after over before.
    """

    added: str
    results_added: int
    ratios: tuple[tuple[str, float], ...]

    @property
    def best(self) -> tuple[str, float]:
        """The component whose interval narrows most, with the ratio."""
        return min(self.ratios, key=lambda one: one[1])


def mean_variance(variances: Mapping[str, float], counts: Mapping[str, int]) -> float:
    r"""Return the variance of the mean, [unit of the results squared], of a nested plan.

    .. math:: u^2 = \sum_i \sigma_i^2 / (n_1 n_2 \cdots n_i)

    variances : Component of each level, [unit of the results squared], outermost first.
    counts : How many of each level within one of the level above, [-], 1 or more.
    Raises ValueError : A level without a count, a count below 1 or a variance below 0.
    Source : JCGM 100:2008, H.5.2.2, and NIST/SEMATECH e-Handbook, 2.4.4.1 (variance of a mean over days and repeats).
    """
    for name, variance in variances.items():
        if not variance >= 0.0:
            raise ValueError(f"{name}: variance {variance:g}: 0 or more was expected")
    if list(variances) != list(counts):
        raise ValueError(
            f"counts of {', '.join(counts)}: counts of {', '.join(variances)} were expected, in that order"
        )
    low = {name: count for name, count in counts.items() if count < 1}
    if low:
        raise ValueError(f"{', '.join(f'{name} {count}' for name, count in low.items())}: 1 or more was expected")
    number = np.cumprod(list(counts.values()))
    return float((np.array(list(variances.values())) / number).sum())


def interval_gains(
    variances: Mapping[str, float], counts: Mapping[str, int], *, confidence: float = 0.95
) -> tuple[IntervalGain, ...]:
    """Return how one more of each level would narrow the intervals of the components, on average.

    variances : Component of each level taken as true, [unit of the results squared], outermost first.
    counts : How many of each level within one of the level above there are now, [-], 2 or more.
    confidence : Confidence of the intervals, [-].
    Returns : For each level, expected width of the interval of each standard deviation over the present one, [-],
        averaged over the mean squares that such components give (4000 draws, the same for every layout).
    Raises ValueError : A level without a count, a count below 2, a variance below 0, or the lowest not above 0.
    Source : Intervals as ``combination_interval`` gives them; mean squares of a balanced layout are independent
        multiples of chi-square.
    """
    mean_variance(variances, counts)
    low = {name: count for name, count in counts.items() if count < 2}
    if low or not list(variances.values())[-1] > 0.0:
        raise ValueError(
            f"counts {dict(counts)}, variances {dict(variances)}: 2 or more of each level, and a lowest variance above "
            "0, were expected"
        )
    sizes = list(counts.values())
    now = _expected_widths(list(variances.values()), sizes, confidence)
    gains = []
    for place, name in enumerate(variances):
        more = [size + (other == place) for other, size in enumerate(sizes)]
        ratios = _expected_widths(list(variances.values()), more, confidence) / now
        added = math.prod(more) - math.prod(sizes)
        gains.append(IntervalGain(name, added, tuple(zip(variances, map(float, ratios), strict=True))))
    return tuple(gains)


def _expected_widths(variances: Sequence[float], sizes: Sequence[int], confidence: float) -> Array:
    """Return the mean width of the interval of each standard deviation in a balanced layout."""
    from scipy.special import gammaincinv

    number = np.cumprod(sizes)
    degrees = np.diff(number, prepend=1).astype(float)
    coefficients = np.triu(np.tile(number[-1] / number, (number.size, 1)))
    draws = np.random.default_rng(20_260_101).random((_DRAWS, number.size))
    squares = (coefficients @ np.array(variances)) * 2.0 * gammaincinv(degrees / 2.0, draws) / degrees
    ends = (
        combination_interval(weight, squares, degrees, confidence=confidence)
        for weight in component_weights(coefficients)
    )
    return np.array([float((np.sqrt(high) - np.sqrt(low)).mean()) for low, high in ends])
