"""First-order propagation of uncertainty through any smooth function of uncorrelated inputs."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

__all__ = ["propagated_uncertainty"]

_STEP = 1e-6
"""Relative step of the central difference: its truncation error is of the order of 1e-12."""


def propagated_uncertainty(
    function: Callable[..., float], values: Sequence[float], uncertainties: Sequence[float]
) -> float:
    r"""Return the uncertainty of ``function(*values)``, inputs uncorrelated.

    .. math:: u^2(y) = \\sum_i (\\partial f / \\partial x_i)^2 \\, u^2(x_i)

    Standard uncertainties give a standard uncertainty; expanded ones of one coverage factor give an expanded one of
    the same factor.

    Parameters
    ----------
    function : callable
        Model of the measurement, [any unit].
    values : sequence of float
        Best estimates of the inputs, [unit of each input].
    uncertainties : sequence of float
        Uncertainty of each input, [unit of each input].

    Returns
    -------
    float
        Uncertainty of the output, [unit of the output]; NaN where an input's uncertainty is NaN.

    References
    ----------
    .. [1] JCGM 100:2008 (GUM), equation 10; derivatives by central differences, 5.1.3 note 2.

    Examples
    --------
    >>> round(propagated_uncertainty(lambda a, b: a * b, [3.0, 4.0], [0.1, 0.2]), 6)
    0.72111
    """
    point = np.asarray(values, dtype=float)
    steps = _STEP * np.maximum(np.abs(point), 1.0)
    gradient = np.array(
        [
            (float(function(*(point + shift))) - float(function(*(point - shift)))) / (2.0 * step)
            for shift, step in zip(np.diag(steps), steps, strict=True)
        ]
    )
    return float(np.sqrt(np.sum((gradient * np.asarray(uncertainties, dtype=float)) ** 2)))
