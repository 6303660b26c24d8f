"""What every function over a series of results starts with: finite numbers, and enough of them."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["finite_series"]


def finite_series(results: ArrayLike, least: int, purpose: str) -> NDArray[np.float64]:
    """Return the results as a one-dimensional array.

    Parameters
    ----------
    results : array_like of float
        Results in the order of measurement, [any unit].
    least : int
        Smallest number of results that the purpose allows, [-].
    purpose : str
        What the results are for, as a refusal names it.

    Returns
    -------
    numpy.ndarray of float
        The results, [unit of the results], one-dimensional.

    Raises
    ------
    ValueError
        A result is not finite, there are too few, or they are not one series.
    """
    series = np.asarray(results, dtype=float)
    if series.ndim != 1:
        raise ValueError(f"results of shape {series.shape}: one series was expected")
    if series.size < least:
        raise ValueError(f"{series.size} results: {purpose} needs {least} or more")
    missing = np.flatnonzero(~np.isfinite(series))
    if missing.size:
        raise ValueError(f"result {missing[0] + 1} of {series.size} is {series[missing[0]]}: a number was expected")
    return series
