"""What a lesson shows, as numbers: series, levels and marks, with the sentence that says what they tell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Kind = Literal["line", "points", "bars", "flags"]


@dataclass(frozen=True, eq=False)
class Series:
    """Numbers of one kind; ``error`` is the standard error of each y."""

    name: str
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    kind: Kind = "line"
    error: NDArray[np.float64] | None = None


@dataclass(frozen=True)
class Mark:
    """A value on an axis that has a name."""

    value: float
    label: str


@dataclass(frozen=True, eq=False)
class Plot:
    """One picture of a lesson."""

    caption: str
    x_title: str
    y_title: str
    series: tuple[Series, ...]
    levels: tuple[Mark, ...] = ()
    """On the y axis."""
    marks: tuple[Mark, ...] = ()
    """On the x axis."""
    x_log: bool = False
    y_log: bool = False
    x_names: tuple[str, ...] = field(default=())
    """Names in place of the numbers 0, 1, … on the x axis."""


def histogram(values: ArrayLike, edges: Sequence[float] | NDArray[np.float64], name: str = "simulated") -> Series:
    """Return the share of values between edges as bars, [%]; values outside the edges count in the whole."""
    drawn, borders = np.asarray(values, dtype=float), np.asarray(edges, dtype=float)
    counts, _ = np.histogram(drawn, borders)
    return Series(name, (borders[1:] + borders[:-1]) / 2.0, 100.0 * counts / drawn.size, "bars")
