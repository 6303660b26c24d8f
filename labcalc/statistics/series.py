"""What every function over a series of results starts with: finite numbers, and enough of them."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def finite_series(results: ArrayLike, least: int, purpose: str) -> Array:
    """Return results as one series; refuse one that is not finite, and fewer than the purpose needs."""
    series = np.asarray(results, dtype=float)
    if series.ndim != 1:
        raise ValueError(f"results of shape {series.shape}: one series was expected")
    if series.size < least:
        raise ValueError(f"{series.size} results: {purpose} needs {least} or more")
    missing = np.flatnonzero(~np.isfinite(series))
    if missing.size:
        raise ValueError(f"result {missing[0] + 1} of {series.size} is {series[missing[0]]}: a number was expected")
    return series


def paired_series(first: ArrayLike, second: ArrayLike, least: int, purpose: str) -> tuple[Array, Array]:
    """Return pairs of results as two finite series of one length."""
    one, other = (finite_series(results, least, purpose) for results in (first, second))
    if one.size != other.size:
        raise ValueError(f"{one.size} first and {other.size} second results: pairs were expected")
    return one, other


def above_zero(values: ArrayLike, what: str) -> Array:
    """Return spreads as an array; refuse 0 and less."""
    array = np.asarray(values, dtype=float)
    if np.any(array <= 0.0):
        raise ValueError(f"{what} {float(array[array <= 0.0].flat[0]):g}: more than 0 was expected")
    return array
