"""Where to spend the next measurement: by known components, the variance of a mean."""

from collections.abc import Mapping

import numpy as np


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
