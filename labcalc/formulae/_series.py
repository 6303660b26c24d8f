"""Series and masked arrays at the edge: a series in gives a series out, masked is NaN; pandas itself isn't needed."""

from collections.abc import Callable
from dataclasses import fields, is_dataclass, replace
from functools import wraps
from typing import Any, ParamSpec, TypeVar

import numpy as np

P = ParamSpec("P")
R = TypeVar("R")


def keeps_index(formula: Callable[P, R]) -> Callable[P, R]:
    """Return a formula that gives results of a series' length as series with its index, and takes masked values as NaN.

    Results with fields carry the series in the fields. Series of different indices are refused.
    """

    @wraps(formula)
    def with_index(*args: P.args, **kwargs: P.kwargs) -> R:
        given = [one for one in (*args, *kwargs.values()) if isinstance(one, np.ma.MaskedArray) or _is_series(one)]
        if not given:
            return formula(*args, **kwargs)
        series = _one_index([value for value in given if _is_series(value)])
        plain = formula(*map(_plain, args), **{name: _plain(value) for name, value in kwargs.items()})
        return plain if series is None else _indexed(plain, series)

    return with_index


def _is_series(value: object) -> bool:
    return hasattr(value, "to_numpy") and hasattr(value, "index") and getattr(value, "ndim", 0) == 1


def _plain(value: Any) -> Any:
    if isinstance(value, np.ma.MaskedArray):
        return np.ma.filled(value.astype(float), np.nan)
    return value.to_numpy(dtype=float, na_value=np.nan) if _is_series(value) else value


def _one_index(series: list[Any]) -> Any:
    """Return a series that stands for all; refuse different indices."""
    for other in series[1:]:
        if not series[0].index.equals(other.index):
            told = f"two series of different indices, {_words(series[0].index)} and {_words(other.index)}"
            raise ValueError(f"{told}: align them first, or give the values alone (.to_numpy())")
    return series[0] if series else None


def _words(index: Any) -> str:
    shown = ", ".join(map(str, index[:3]))
    return f"[{shown}{', …' if len(index) > 3 else ''}] of length {len(index)}"


def _indexed(result: Any, series: Any) -> Any:
    if isinstance(result, tuple):
        return tuple(_indexed(one, series) for one in result)
    if isinstance(result, np.ndarray) and result.shape == (len(series),):
        return type(series)(result, index=series.index)
    if is_dataclass(result) and not isinstance(result, type):
        carried = {one.name: _indexed(getattr(result, one.name), series) for one in fields(result)}
        return replace(result, **{name: value for name, value in carried.items() if _is_series(value)})
    return result
