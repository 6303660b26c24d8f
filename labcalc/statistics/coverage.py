"""From standard to expanded uncertainty: effective degrees of freedom and coverage factor (GUM, annex G)."""

import math

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import stdtrit


def effective_degrees_of_freedom(contributions: ArrayLike, degrees_of_freedom: ArrayLike) -> float:
    r"""Return the degrees of freedom of a combined standard uncertainty.

    .. math:: \nu_{\mathrm{eff}} = u_c^4 \Big/ \sum_i u_i^4(y) / \nu_i

    contributions : Independent contributions to the output's standard uncertainty, [unit of the output].
    degrees_of_freedom : Degrees of freedom of each, [-], infinite where the uncertainty is taken as known.
    Returns : Effective degrees of freedom, [-]; infinite where no contribution has finite ones, NaN where one is NaN.
    Source : JCGM 100:2008, equation G.2b (Welch-Satterthwaite).
    """
    variances = np.asarray(contributions, dtype=float) ** 2
    denominator = float(np.sum(variances**2 / np.asarray(degrees_of_freedom, dtype=float)))
    return float(np.sum(variances)) ** 2 / denominator if denominator != 0.0 else math.inf


def coverage_factor(confidence: float, degrees_of_freedom: float = math.inf) -> float:
    """Return the factor k, [-], from a standard to an expanded uncertainty; NaN where the degrees of freedom are.

    confidence : Coverage probability, [-], above 0 and below 1.
    degrees_of_freedom : Effective degrees of freedom, [-], 1 or more; a fraction is cut to the next lower whole number.
    Source : JCGM 100:2008, equation G.1d and G.4.1 note 1 (cut to a whole number); table G.2.

    >>> round(coverage_factor(0.95), 2), round(coverage_factor(0.99, 16.7), 2)
    (1.96, 2.92)
    """
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence {confidence:g}: more than 0 and less than 1 was expected")
    return float(stdtrit(whole_degrees_of_freedom(degrees_of_freedom), 0.5 + confidence / 2.0))


def whole_degrees_of_freedom(degrees_of_freedom: float) -> float:
    """Return effective degrees of freedom cut to a whole number, 1 at least (JCGM 100:2008, G.4.1 note 1)."""
    # Rounding of the sum may leave 18 degrees at 17.999999.
    return float(np.maximum(np.floor(degrees_of_freedom + 1e-9), 1.0))
