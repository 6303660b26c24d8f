"""Bias of a measurement against a certified value, the certificate's uncertainty included."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from labcalc.statistics.coverage import coverage_factor, effective_degrees_of_freedom, whole_degrees_of_freedom
from labcalc.statistics.series import finite_series


@dataclass(frozen=True)
class BiasTest:
    """Mean against certified value: ``bias`` ± ``expanded_uncertainty``, and the t-test that goes with it."""

    number: int
    mean: float
    certified: float
    bias: float
    standard_uncertainty: float
    degrees_of_freedom: float
    t: float
    critical_t: float
    p_value: float
    expanded_uncertainty: float

    @property
    def significant(self) -> bool:
        """The bias is larger than its uncertainty allows."""
        return abs(self.t) > self.critical_t


def bias_test(results: ArrayLike, certified: float, certified_uncertainty: float = 0.0) -> BiasTest:
    r"""Test the mean of results against a certified value.

    .. math:: t = (\bar x - x_c) / \sqrt{s^2 / n + u_c^2}

    results : Results of the reference material, [any unit], 2 or more.
    certified : Certified value, [unit of the results].
    certified_uncertainty : Standard uncertainty of the certified value (expanded uncertainty / k), [unit of the
        results].
    Returns : Bias with uncertainty, [unit of the results], t, its limit (two-sided, 95 %) and p-value, [-]. An interval
        of 95 % holds 94.5 % or more from six results on; with three or four and a certified value's uncertainty of
        their mean's size, 93 %.
    Raises ValueError : Fewer than two results, one that is not finite, or an uncertainty below 0 or unknown.
    Source : ASTM D6299, t-test of the chart's mean against the accepted reference value (memory); degrees of freedom by
        JCGM 100:2008, equation G.2b, cut to a whole number.

    >>> found = bias_test([10.1, 10.2, 10.0, 10.1], 10.0, 0.02)
    >>> round(found.bias, 3), found.significant
    (0.1, False)
    """
    from scipy.special import stdtr

    series = finite_series(results, 2, "a test of bias")
    if not certified_uncertainty >= 0.0:
        raise ValueError(f"uncertainty of the certified value is {certified_uncertainty:g}: 0 or more was expected")
    of_mean = float(np.std(series, ddof=1)) / math.sqrt(series.size)
    combined = math.hypot(of_mean, certified_uncertainty)
    bias = float(np.mean(series)) - certified
    freedom = effective_degrees_of_freedom([of_mean, certified_uncertainty], [series.size - 1.0, math.inf])
    degrees = whole_degrees_of_freedom(freedom)
    t = bias / combined if combined > 0.0 else math.copysign(math.inf, bias) if bias else 0.0
    critical = coverage_factor(0.95, degrees)
    test = combined, degrees, t, critical, 2.0 * float(stdtr(degrees, -abs(t))), critical * combined
    return BiasTest(series.size, float(np.mean(series)), certified, bias, *test)
