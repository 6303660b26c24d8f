"""First-order propagation of uncertainty through any smooth function, inputs correlated or not."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import ArrayLike

from labcalc.statistics.series import Array

_STEP = 1e-6  # relative step of the central difference: its truncation error is of the order of 1e-12
_PRINTED = 1e-3  # A printed matrix may miss being positive by the rounding of its last digit


def propagated_uncertainty(
    function: Callable[..., float],
    values: Sequence[float],
    uncertainties: Sequence[float],
    correlation: ArrayLike | None = None,
) -> float:
    r"""Return the uncertainty of ``function(*values)``.

    .. math:: u^2(y) = \sum_{i,j} c_i c_j \, u(x_i) \, u(x_j) \, r(x_i, x_j), \quad c_i = \partial f / \partial x_i

    Standard uncertainties give a standard uncertainty; expanded ones of one coverage factor give an expanded one of
    the same factor.

    function : Model of the measurement, [any unit].
    values : Best estimates of the inputs, [unit of each input].
    uncertainties : Uncertainty of each input, [unit of each input].
    correlation : Correlation coefficients of the inputs, [-], n × n, symmetric; none: uncorrelated.
    Returns : Uncertainty of the output, [unit of the output]; NaN where an input's uncertainty is NaN.
    Raises ValueError : The numbers of values and uncertainties differ, an uncertainty is negative, or the matrix is not
        one of correlations.
    Source : JCGM 100:2008 (GUM), equations 10 and 16; derivatives by central differences, 5.1.3 note 2.

    >>> round(propagated_uncertainty(lambda a, b: a * b, [3.0, 4.0], [0.1, 0.2]), 6)
    0.72111
    >>> round(propagated_uncertainty(lambda a, b: a - b, [3.0, 4.0], [0.1, 0.1], [[1.0, 1.0], [1.0, 1.0]]), 6)
    0.0
    """
    return float(np.sqrt(propagated_covariance(function, values, uncertainties, correlation)[0, 0]))


def propagated_covariance(
    function: Callable[..., float] | Callable[..., ArrayLike],
    values: Sequence[float],
    uncertainties: Sequence[float],
    correlation: ArrayLike | None = None,
) -> Array:
    """Return the covariance matrix, [product of the outputs' units], of outputs that share their inputs, m × m.

    function : Model of the measurement, a number or a sequence of numbers, [any units].
    values : Best estimates of the inputs, [unit of each input].
    uncertainties : Uncertainty of each input, [unit of each input].
    correlation : Correlation coefficients of the inputs, [-], n × n, symmetric; none: uncorrelated.
    Raises ValueError : As for :func:`propagated_uncertainty`.
    Source : JCGM 100:2008, H.2.3, equation H.9 (one output: equation 16); JCGM 102:2011, 6.2.1.2.
    """
    spread = _uncertainties(values, uncertainties)
    covariance = np.outer(spread, spread) * checked_correlation(correlation, spread.size)
    jacobian = np.atleast_2d(sensitivities(function, values, uncertainties))
    outputs = np.asarray(jacobian @ covariance @ jacobian.T)
    # A variance that cancels to nothing may end some 1e-17 below it.
    np.fill_diagonal(outputs, np.maximum(np.diag(outputs), 0.0))
    return outputs


def sensitivities(
    function: Callable[..., float] | Callable[..., ArrayLike],
    values: Sequence[float],
    uncertainties: Sequence[float] | None = None,
) -> Array:
    """Return the derivatives, [unit of the output / unit of the input], of a model at its estimates, n or m × n.

    function : Model of the measurement, a number or a sequence of numbers, [any units].
    values : Best estimates of the inputs, [unit of each input].
    uncertainties : Uncertainty of each input, [unit of each input]; it gives the scale of an input that is 0.
    Source : JCGM 100:2008, 5.1.3 and its note 2.
    """
    point = np.asarray(values, dtype=float)
    spread = np.nan_to_num(np.zeros_like(point) if uncertainties is None else np.asarray(uncertainties, dtype=float))
    scale = np.maximum(np.abs(point), spread)
    steps = _STEP * np.where(scale > 0.0, scale, 1.0)
    columns = [
        (np.asarray(function(*(point + shift)), dtype=float) - np.asarray(function(*(point - shift)), dtype=float))
        / (2.0 * step)
        for shift, step in zip(np.diag(steps), steps, strict=True)
    ]
    return np.stack(columns, axis=-1)


def _uncertainties(values: Sequence[float], uncertainties: Sequence[float]) -> Array:
    spread = np.asarray(uncertainties, dtype=float)
    if spread.shape != np.shape(values):
        raise ValueError(f"{np.size(values)} values, but {spread.size} uncertainties: one for each value was expected")
    if np.any(spread < 0.0):
        raise ValueError(f"uncertainty {np.nanmin(spread):g} is negative: 0 or more was expected")
    return spread


def checked_correlation(correlation: ArrayLike | None, inputs: int) -> Array:
    """Check a matrix of correlations; none stands for the identity."""
    if correlation is None:
        return np.eye(inputs)
    matrix = np.asarray(correlation, dtype=float)
    if matrix.shape != (inputs, inputs):
        raise ValueError(f"correlation matrix of shape {matrix.shape}: {inputs} × {inputs} was expected")
    if not np.allclose(matrix, matrix.T, rtol=0.0, atol=1e-9) or not np.allclose(np.diag(matrix), 1.0):
        raise ValueError("correlation matrix: symmetric with 1 on its diagonal was expected")
    lowest = float(np.linalg.eigvalsh(matrix)[0])
    if lowest < -_PRINTED:
        raise ValueError(f"correlation matrix: no inputs can be correlated so (an eigenvalue is {lowest:.3g})")
    return matrix
