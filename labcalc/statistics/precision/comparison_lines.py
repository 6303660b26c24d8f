"""Straight lines between two methods that both have errors, and which correction, if any, brings the two together."""

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtrc, fdtrc, ndtri, stdtrit

from labcalc.statistics.charts.normality import anderson_darling
from labcalc.statistics.series import Array, above_zero, paired_series

_ROUNDS = 200
_AGREEMENT = 1e-12
_FEWEST = 5  # samples for a line with an interval


@dataclass(frozen=True)
class ComparisonLine:
    """The line y = a + b x between two methods, with the intervals of a and b.

    ``left_out`` holds intercept and slope without each of the samples in turn; it is empty where the intervals go by
    ranks.
    """

    form: str
    intercept: float
    slope: float
    intercept_interval: tuple[float, float]
    slope_interval: tuple[float, float]
    left_out: Array = field(repr=False)

    @property
    def differs(self) -> bool:
        """Whether the intervals exclude y = x."""
        (low, high), (least, most) = self.intercept_interval, self.slope_interval
        return not (low <= 0.0 <= high and least <= 1.0 <= most)

    def bias_at(self, level: float) -> tuple[float, float, float]:
        """Return how much higher the second method reads at a level, [unit of the results], with its interval.

        level : Level by the first method, [unit of the results].
        """
        bias = self.intercept + (self.slope - 1.0) * level
        if not len(self.left_out):
            return bias, math.nan, math.nan
        return bias, *_jackknifed(bias, self.left_out @ [1.0, level] - level)


def deming_line(
    first: ArrayLike, second: ArrayLike, *, ratio: float = 1.0, proportional: bool = False
) -> ComparisonLine:
    r"""Fit the line between two methods whose errors are in a known ratio; 95 % intervals by leaving each sample out.

    .. math:: b = \frac{D q - u + \sqrt{(u - D q)^2 + 4 D p^2}}{2 D p}

    with the sums of squares u and q of the first and second method and that of products p. Where errors grow in
    proportion to the level, samples are weighted by the level squared, again and again until the line stays.

    first, second : Results of both methods on the same samples, [any unit], five samples or more.
    ratio : Ratio D of the variances of the errors, first over second, [-], above 0.
    proportional : Whether errors are in proportion to the level (constant coefficient of variation); results are then
        above 0.
    Returns : Intercept in [unit of the second], slope [-]; jackknife with Student's t of n − 2.
    Raises ValueError : Fewer than five samples, results that don't vary together, or not above 0 where they are to be.
    Source : K. Linnet, Clin. Chem. 36 (1990) 1463 (weighted) and 39 (1993) 424 (jackknife), both from memory.
    """
    x, y = paired_series(first, second, _FEWEST, "a line between two methods")
    above_zero(ratio, "ratio of variances")
    if proportional:
        above_zero([*x, *y], "result, with errors in proportion to it:")

    def fit(one: Array, other: Array) -> tuple[float, float]:
        return _weighted_deming(one, other, ratio) if proportional else _deming(one, other, np.ones_like(one), ratio)

    whole = fit(x, y)
    rest = np.array([fit(np.delete(x, place), np.delete(y, place)) for place in range(x.size)])
    intercept, slope = (_jackknifed(one, left) for one, left in zip(whole, rest.T, strict=True))
    form = f"{'weighted ' if proportional else ''}Deming, D = {ratio:.3g}"
    return ComparisonLine(form, *whole, intercept, slope, rest)


def fit_functional(x: Array, y: Array, u: Array, v: Array, *, through_zero: bool = False) -> tuple[float, float]:
    """Return intercept and slope of the line between two methods with errors known one by one.

    Source : B. D. Ripley and M. Thompson, Analyst 112 (1987) 377; D. York, Can. J. Phys. 44 (1966) 1079.
    """
    from scipy.optimize import minimize_scalar

    def intercept(slope: float) -> float:
        return 0.0 if through_zero else float(np.average(y - slope * x, weights=1.0 / (v**2 + slope**2 * u**2)))

    def squares(angle: float) -> float:
        slope = math.tan(angle)
        return float(np.sum((y - intercept(slope) - slope * x) ** 2 / (v**2 + slope**2 * u**2)))

    # The sum may have more than one valley: the deepest of a coarse search is the one gone down.
    steep = float(np.std(y) / np.std(x))
    coarse = np.arctan(np.tan(np.linspace(-math.pi / 2.0, math.pi / 2.0, 181)[1:-1]) * steep)
    place = min(max(int(np.argmin([squares(one) for one in coarse])), 1), coarse.size - 2)
    bounds = coarse[place - 1], coarse[place + 1]
    slope = math.tan(minimize_scalar(squares, bounds=bounds, method="bounded", options={"xatol": 1e-12}).x)
    return intercept(slope), slope


def passing_bablok_line(first: ArrayLike, second: ArrayLike) -> ComparisonLine:
    """Fit the line between two methods by the shifted median of the slopes of all pairs; intervals by ranks.

    Nothing is asked of the distribution of the errors but that both methods' are alike in kind, and that the methods
    measure the same quantity (slope near 1). 30 samples or more serve well. Where errors grow with the level over a
    wide range, intervals of 95 % hold the slope in 90 cases of 100.

    first, second : Results of both methods on the same samples, [any unit], five samples or more.
    Returns : Intercept in [unit of the second], slope [-]. Slopes of exactly −1 count half to either side.
    Raises ValueError : Fewer than five samples, or none that differ by the first method.
    Source : H. Passing and W. Bablok, J. Clin. Chem. Clin. Biochem. 21 (1983) 709; slopes of −1 as in the R package
        deming (memory).
    """
    x, y = paired_series(first, second, _FEWEST, "a line between two methods")
    one, other = np.triu_indices(x.size, 1)
    across, up = x[other] - x[one], y[other] - y[one]
    # Differences of printed decimals are equal only up to the last bits of their sum.
    grain = 8.0 * np.spacing(max(np.abs(x).max(), np.abs(y).max()))
    across, up = (np.where(np.abs(step) < grain, 0.0, step) for step in (across, up))
    apart = (across != 0.0) | (up != 0.0)
    across, up = across[apart], up[apart]
    falling = np.abs(across + up) < grain
    if not np.any(across):
        alike = f"{x.size} results of the first method that are all {x[0]:g}"
        raise ValueError(f"{alike}: results that differ were expected")
    slopes = np.divide(up, across, out=np.full(up.shape, np.inf), where=across != 0.0)
    slopes = np.sort(np.where(falling, -1.0, slopes))
    shift = (int(np.sum(slopes < -1.0)) + int(np.sum(slopes <= -1.0))) / 2.0
    number, n = slopes.size, x.size
    reach = float(ndtri(0.975)) * math.sqrt(n * (n - 1) * (2 * n + 5) / 18.0)
    slope = _at_rank(slopes, (number + 1) / 2.0 + shift)
    first_rank = round((number - reach) / 2.0)
    low, high = (_at_rank(slopes, rank + shift) for rank in (first_rank, number - first_rank + 1.0))
    ends = (-math.inf, math.inf)
    if math.isfinite(low) and math.isfinite(high):
        ends = (float(np.median(y - high * x)), float(np.median(y - low * x)))
    return ComparisonLine("Passing–Bablok", float(np.median(y - slope * x)), slope, ends, (low, high), np.empty((0, 2)))


def _at_rank(slopes: Array, rank: float) -> float:
    """Return the slope of a rank, counted from 1; between two ranks the mean; outside, as far as can be."""
    if rank < 1.0 or rank > slopes.size:
        return -math.inf if rank < 1.0 else math.inf
    return float((slopes[math.floor(rank) - 1] + slopes[math.ceil(rank) - 1]) / 2.0)


def _deming(x: Array, y: Array, weight: Array, ratio: float) -> tuple[float, float]:
    mean_x, mean_y = (float(np.average(one, weights=weight)) for one in (x, y))
    u, q = (float(np.sum(weight * (one - mean) ** 2)) for one, mean in ((x, mean_x), (y, mean_y)))
    p = float(np.sum(weight * (x - mean_x) * (y - mean_y)))
    if p == 0.0:
        raise ValueError("results of the two methods don't vary together: samples that differ were expected")
    gap = ratio * q - u
    slope = (gap + math.sqrt(gap**2 + 4.0 * ratio * p**2)) / (2.0 * ratio * p)
    return mean_y - slope * mean_x, slope


def _weighted_deming(x: Array, y: Array, ratio: float) -> tuple[float, float]:
    line, weight = (math.inf, math.inf), 1.0 / ((x + ratio * y) / (1.0 + ratio)) ** 2
    for _ in range(_ROUNDS):
        before, line = line, _deming(x, y, weight, ratio)
        if np.allclose(line, before, rtol=_AGREEMENT, atol=_AGREEMENT):
            return line
        off = y - line[0] - line[1] * x
        along = 1.0 + ratio * line[1] ** 2
        true_x, true_y = x + ratio * line[1] * off / along, y - off / along
        weight = ((1.0 + ratio) / (true_x + ratio * true_y)) ** 2
    raise ArithmeticError(f"weights of the line didn't settle in {_ROUNDS} rounds")


def _jackknifed(whole: float, rest: Array) -> tuple[float, float]:
    """Return the interval of an estimate by its values without each sample."""
    error = math.sqrt((rest.size - 1) * float(np.var(rest)))  # sd of the pseudo-values n θ − (n−1) θ_(i), over √n
    reach = float(stdtrit(rest.size - 2, 0.975)) * error
    return whole - reach, whole + reach


CORRECTIONS = {"0": "no correction", "1a": "a constant", "1b": "a factor", "2": "a constant and a factor"}


@dataclass(frozen=True)
class BiasClass:
    """The simplest correction y = a + b x that the results call for.

    ``squares`` holds the weighted sum of squares of each class, ``random_effects`` tells that what remains looks random
    (Anderson-Darling), and ``effect_deviation`` how large it is beside the standard errors, [unit of the second].
    """

    name: str
    intercept: float
    slope: float
    squares: dict[str, float]
    p_spread: float  # of the samples' spread against the errors, by the method that tells less; small: fit to judge
    p_rest: float
    random_effects: bool
    effect_deviation: float

    @property
    def sample_effects(self) -> bool:
        """Samples differ by more than the correction and the standard errors explain (5 %)."""
        return self.p_rest < 0.05


def bias_class(first: ArrayLike, second: ArrayLike, first_error: ArrayLike, second_error: ArrayLike) -> BiasClass:
    r"""Choose the simplest correction between two methods, [unit of the second], by weighted sums of squares.

    .. math:: CSS = \sum \frac{(y - a - b x)^2}{s_y^2 + b^2 s_x^2}

    Class 0 stays unless a line of two parameters is better by an F test; of the lines that then serve, the one with one
    parameter unless a second is better by a t test; each at 5 %.

    first, second : Means of both methods on the same samples, [any unit], ten samples or more.
    first_error, second_error : Their standard errors, [unit of each], above 0.
    Source : ASTM D6708 and ISO 4259-5:2023 (classes seen in the scope; order of decisions and quantiles from memory).
    """
    x, y = paired_series(first, second, 10, "a choice of correction")
    u, v = (np.broadcast_to(above_zero(one, "standard error"), x.shape) for one in (first_error, second_error))
    number, lines = x.size, _lines(x, y, u, v)
    squares = {name: float(np.sum(_scaled(x, y, u, v, *line) ** 2)) for name, line in lines.items()}
    single = min(("1a", "1b"), key=lambda name: squares[name])
    grain = squares["2"] / (number - 2)
    f, t = (squares["0"] - squares["2"]) / 2.0 / grain, float(stdtrit(number - 2, 0.975))
    gains = squares["0"] - squares[single], squares[single] - squares["2"]
    t_1, t_2 = (math.sqrt(max(one, 0.0) / grain) for one in gains)
    name = "0" if float(fdtrc(2, number - 2, f)) > 0.05 else "2" if t_2 > t or t_1 <= t else single
    free = number - {"0": 0, "2": 2}.get(name, 1)
    rest = _scaled(x, y, u, v, *lines[name])
    p_rest = float(chdtrc(free, squares[name]))
    p_spread, random = max(_p_spread(x, u), _p_spread(y, v)), anderson_darling(rest).p_value >= 0.05
    errors = float(np.mean(v**2 + lines[name][1] ** 2 * u**2))
    effect = math.sqrt(max(squares[name] / free - 1.0, 0.0) * errors)
    return BiasClass(name, *lines[name], squares, p_spread, p_rest, random, effect)


def _lines(x: Array, y: Array, u: Array, v: Array) -> dict[str, tuple[float, float]]:
    shift = float(np.average(y - x, weights=1.0 / (u**2 + v**2)))
    factor, both = (fit_functional(x, y, u, v, through_zero=one) for one in (True, False))
    return {"0": (0.0, 1.0), "1a": (shift, 1.0), "1b": factor, "2": both}


def _scaled(x: Array, y: Array, u: Array, v: Array, intercept: float, slope: float) -> Array:
    return np.asarray((y - intercept - slope * x) / np.sqrt(v**2 + slope**2 * u**2))


def _p_spread(values: Array, error: Array) -> float:
    weight = 1.0 / error**2
    return float(chdtrc(values.size - 1, np.sum(weight * (values - np.average(values, weights=weight)) ** 2)))
