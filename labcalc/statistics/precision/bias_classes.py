"""Which correction, if any, brings two methods together: none, constant, proportional or linear."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from labcalc.statistics.charts.normality import anderson_darling
from labcalc.statistics.precision.comparison_lines import fit_functional
from labcalc.statistics.series import Array, above_zero, paired_series

_FEWEST = 10  # samples that the standard asks for
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
    Raises ValueError : Fewer than ten samples, or a standard error that isn't above 0.
    Source : ASTM D6708 and ISO 4259-5:2023 (classes seen in the scope; order of decisions and quantiles from memory).
    """
    from scipy.special import chdtrc, fdtrc, stdtrit

    x, y = paired_series(first, second, _FEWEST, "a choice of correction")
    u, v = (np.broadcast_to(above_zero(one, "standard error"), x.shape) for one in (first_error, second_error))
    number, lines = x.size, _lines(x, y, u, v)
    squares = {name: float(np.sum(_scaled(x, y, u, v, *line) ** 2)) for name, line in lines.items()}
    single = min(("1a", "1b"), key=lambda name: squares[name])
    grain = squares["2"] / (number - 2)
    f, t = (squares["0"] - squares["2"]) / 2.0 / grain, float(stdtrit(number - 2, 0.975))
    t_1, t_2 = (
        math.sqrt(max(one, 0.0) / grain) for one in (squares["0"] - squares[single], squares[single] - squares["2"])
    )
    name = "0" if float(fdtrc(2, number - 2, f)) > 0.05 else "2" if t_2 > t or t_1 <= t else single
    free = number - {"0": 0, "2": 2}.get(name, 1)
    rest = _scaled(x, y, u, v, *lines[name])
    p_rest = float(chdtrc(free, squares[name]))
    return BiasClass(
        name,
        *lines[name],
        squares,
        max(_p_spread(x, u), _p_spread(y, v)),
        p_rest,
        anderson_darling(rest).p_value >= 0.05,
        math.sqrt(max(squares[name] / free - 1.0, 0.0) * float(np.mean(v**2 + lines[name][1] ** 2 * u**2))),
    )


def _lines(x: Array, y: Array, u: Array, v: Array) -> dict[str, tuple[float, float]]:
    shift = float(np.average(y - x, weights=1.0 / (u**2 + v**2)))
    factor, both = (fit_functional(x, y, u, v, through_zero=one) for one in (True, False))
    return {"0": (0.0, 1.0), "1a": (shift, 1.0), "1b": factor, "2": both}


def _scaled(x: Array, y: Array, u: Array, v: Array, intercept: float, slope: float) -> Array:
    return np.asarray((y - intercept - slope * x) / np.sqrt(v**2 + slope**2 * u**2))


def _p_spread(values: Array, error: Array) -> float:
    from scipy.special import chdtrc

    weight = 1.0 / error**2
    return float(chdtrc(values.size - 1, np.sum(weight * (values - np.average(values, weights=weight)) ** 2)))
