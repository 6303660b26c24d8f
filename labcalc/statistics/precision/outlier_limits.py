"""Critical values of outlier and consistency tests: quantiles of a beta quantity, and a table for a pair."""

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betainccinv

from labcalc.formulae._tables import published_table
from labcalc.statistics.series import Array


def cochran_limit(deviations: ArrayLike, results: ArrayLike, significance: ArrayLike = 0.05) -> Array:
    """Return the critical value of Cochran's test: the largest share that one variance may have of their sum.

    deviations : Number of standard deviations compared p, [-], 2 or more.
    results : Number of results behind each n, [-], 2 or more.
    significance : Chance that the largest of p equal variances is above the limit, [-]: 0.05 or 0.01.
    Returns : Critical value C, [-]; Bonferroni's bound, which is exact from 1/2 on.
    Raises ValueError : A number is below 2, or the significance isn't between 0 and 1.
    Source : ISO 5725-2:2019, Cochran's test (table of critical values, memory). One variance's share of the sum is a
        beta quantity; W. G. Cochran, Annals of Eugenics 11 (1941), 47.
    """
    number = _numbers(deviations, 2, "standard deviations")
    degrees = _numbers(results, 2, "results in a cell") - 1.0
    return _beta_limit(degrees / 2.0, (number - 1.0) * degrees / 2.0, _tail(significance) / number)


def grubbs_limit(values: ArrayLike, significance: ArrayLike = 0.05, *, two_sided: bool = True) -> Array:
    """Return the critical value, [-], of Grubbs' test for one odd value.

    values : Number of values p, [-], 3 or more.
    significance : Chance that normal values are called odd, [-].
    two_sided : Whether the value might have been odd at either end; interlaboratory standards print these limits.
    Raises ValueError : Fewer than 3 values, or a significance that isn't between 0 and 1.
    Source : F. E. Grubbs, Technometrics 11 (1969), 1; ISO 5725-2:2019, Grubbs' test (two-sided).
    """
    number = _numbers(values, 3, "values")
    share = (1.0 if two_sided else 2.0) * _tail(significance) / number
    return _deviate_limit(number, share)


def extreme_deviate_limit(values: int, steps: int, significance: ArrayLike = 0.05) -> Array:
    """Return the critical values, [-], of the generalised extreme studentised deviate, one for each step.

    values : Number of values n, [-].
    steps : Largest number of odd values looked for, [-], n − 2 at most.
    significance : Chance that normal values hold a value called odd, [-].
    Raises ValueError : More steps than leave three values for the last, or a significance that isn't between 0 and 1.
    Source : B. Rosner, Technometrics 25 (1983), 165; NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.3.
    """
    if not 1 <= steps <= values - 2:
        raise ValueError(f"{steps} steps with {values} values: 1 step or more and 3 values for the last were expected")
    return grubbs_limit(values - np.arange(steps), significance)


def mandel_h_limit(laboratories: ArrayLike, significance: ArrayLike = 0.05) -> Array:
    """Return the critical value, [-], of Mandel's h, a laboratory's mean against the mean of all.

    laboratories : Number of laboratories p, [-], 3 or more.
    significance : Chance that a given laboratory's h is beyond ± the limit, [-]; ASTM E691 takes 0.005.
    Raises ValueError : Fewer than 3 laboratories, or a significance that isn't between 0 and 1.
    Source : ASTM E691-23, h statistic; ISO 5725-2:2019, Mandel's h.
    """
    return _deviate_limit(_numbers(laboratories, 3, "laboratories"), _tail(significance))


def mandel_k_limit(
    degrees_of_freedom: ArrayLike, pooled_degrees_of_freedom: ArrayLike, significance: ArrayLike = 0.05
) -> Array:
    """Return the critical value, [-], of Mandel's k, a laboratory's standard deviation against the pooled one.

    degrees_of_freedom : Degrees of freedom of the laboratory's standard deviation n − 1, [-], 1 or more.
    pooled_degrees_of_freedom : Degrees of freedom of the pooled one, [-], above those of the laboratory; p (n − 1)
        where all have n results.
    significance : Chance that a given laboratory's k is above the limit, [-]; ASTM E691 takes 0.005.
    Raises ValueError : Degrees of freedom below 1 or no other laboratory's in the pool, or a significance not between 0
        and 1.
    Source : ASTM E691-23, k statistic; ISO 5725-2:2019, Mandel's k.
    """
    own, pooled = _numbers(degrees_of_freedom, 1, "degrees of freedom"), np.asarray(pooled_degrees_of_freedom, float)
    if np.any(pooled <= own):
        raise ValueError("the pooled degrees of freedom: more than those of one laboratory were expected")
    share = _beta_limit(own / 2.0, (pooled - own) / 2.0, _tail(significance))
    return np.asarray(np.sqrt(share * pooled / own))


def _deviate_limit(number: Array, tail: Array) -> Array:
    return np.asarray((number - 1.0) / np.sqrt(number) * np.sqrt(_beta_limit(0.5, (number - 2.0) / 2.0, tail)))


def _beta_limit(first: ArrayLike, second: Array, tail: Array) -> Array:
    return np.asarray(betainccinv(first, second, tail))


def _numbers(values: ArrayLike, least: int, what: str) -> Array:
    numbers = np.asarray(values, dtype=float)
    if not np.all(numbers >= least):
        raise ValueError(f"{np.min(numbers):g} {what}: {least} or more were expected")
    return numbers


def _tail(significance: ArrayLike) -> Array:
    tail = np.asarray(significance, dtype=float)
    if not np.all((tail > 0.0) & (tail < 1.0)):
        raise ValueError(f"significance {tail}: more than 0 and less than 1 was expected")
    return tail


def grubbs_pair_limit(values: int, significance: float = 0.05, *, two_sided: bool = True) -> float:
    """Return the critical value of Grubbs' test for the two largest or the two smallest values.

    The ratio is called odd where it lies *below* the limit.

    values : Number of values p, [-], 4 to 200.
    significance : Chance that normal values are called odd, [-]: 0.1, 0.05, 0.025, 0.01 or 0.005 at one end, twice as
        much where either end might have been odd.
    two_sided : Whether the pair might have been odd at either end; interlaboratory standards print these limits.
    Returns : Critical value of the ratio of sums of squares, without the two over with them, [-], right to 1e-5.
    Raises ValueError : Not 4 to 200 values, or another significance.
    Source : F. E. Grubbs and G. Beck, Technometrics 14 (1972), 847; ISO 5725-2:2019, Grubbs' test for two outlying
        observations; ``labcalc/data/grubbs_pair_limits.csv`` tells how they were computed.
    """
    table = published_table("grubbs_pair_limits.csv")
    share = f"{significance / (2.0 if two_sided else 1.0):g}"
    if share not in table:
        raise ValueError(
            f"significance {significance}: twice one of {', '.join([*table][1:])}, or at one end, expected"
        )
    number = np.flatnonzero(table["values"] == values)
    if not number.size:
        raise ValueError(f"{values} values: a test of a pair is given for 4 to 200")
    return float(table[share][number[0]])
