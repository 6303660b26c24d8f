"""First-order propagation through any smooth model, inputs correlated or not: another way to the same uncertainties."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.statistics import InputQuantity, UncertaintyBudget, uncertainty_budget

Array = NDArray[np.float64]

_STEP = 1e-6  # relative step of the central difference: its truncation error is of the order of 1e-12
_PRINTED = 1e-3  # a printed matrix may miss being positive by the rounding of its last digit


def propagated_covariance(
    function: Callable[..., float] | Callable[..., ArrayLike],
    values: Sequence[float],
    uncertainties: Sequence[float],
    correlation: ArrayLike | None = None,
) -> Array:
    """Return the covariance matrix of outputs that share their inputs: JCGM 100:2008, H.2.3, equation H.9."""
    spread = np.asarray(uncertainties, dtype=float)
    covariance = np.outer(spread, spread) * checked_correlation(correlation, spread.size)
    jacobian = np.atleast_2d(sensitivities(function, values, uncertainties))
    return np.asarray(jacobian @ covariance @ jacobian.T)


def sensitivities(
    function: Callable[..., float] | Callable[..., ArrayLike], values: Sequence[float], uncertainties: Sequence[float]
) -> Array:
    """Return the derivatives of a model at its estimates: JCGM 100:2008, 5.1.3 and its note 2."""
    point = np.asarray(values, dtype=float)
    scale = np.maximum(np.abs(point), np.asarray(uncertainties, dtype=float))
    steps = _STEP * np.where(scale > 0.0, scale, 1.0)
    columns = [
        (np.asarray(function(*(point + shift)), dtype=float) - np.asarray(function(*(point - shift)), dtype=float))
        / (2.0 * step)
        for shift, step in zip(np.diag(steps), steps, strict=True)
    ]
    return np.stack(columns, axis=-1)


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


def budget_of_model(
    function: Callable[..., float], inputs: Sequence[InputQuantity], *, confidence: float = 0.95
) -> UncertaintyBudget:
    """Return the budget of a model's output by its derivatives."""
    spread = [one.standard_uncertainty for one in inputs]
    slopes = sensitivities(function, [one.value for one in inputs], spread)
    return uncertainty_budget(slopes * spread, [one.degrees_of_freedom for one in inputs], confidence=confidence)
