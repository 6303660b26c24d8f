"""What a control chart is drawn of, large or small: results, moving average, signals; told apart by shape."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from labcalc.figures.grid import Trace
from labcalc.figures.theme import ACCENT, INK, MUTED, marker, stroke
from labcalc.judgement import Chart


def chart_traces(
    chart: Chart, at: NDArray[np.object_], shown: NDArray[np.bool_], *, shape: str = "circle", size: int = 6
) -> Iterator[Trace]:
    """Yield results, moving average and signals of a chart.

    Parameters
    ----------
    chart : Chart
        The chart.
    at : numpy.ndarray of object
        Times of its results as text.
    shown : numpy.ndarray of bool
        Those that are drawn.
    shape : str
        That of a result.
    size : int
        Of a result, [px].
    """
    color, average = INK if size > 4 else MUTED, chart.averages
    kinds = (
        ("baseline", chart.in_baseline, marker(shape, color, size, filled=False)),
        ("result", chart.used & ~chart.in_baseline, marker(shape, color, size)),
        ("excluded by a decision", ~chart.used, marker("x-thin", MUTED, size + 3)),
    )
    for name, kind, style in kinds:
        yield from points(at, chart.plotted, shown & kind, name, style)
    if chart.ewma is not None:
        line = shown & chart.used
        yield from points(at, average, line, "EWMA", mode="lines", line=stroke(INK, width=1.2))
    for name, values, diamonds in (("result", chart.plotted, True), ("EWMA", average, False)):
        flags = np.zeros(shown.size, dtype=bool)
        flags[[one.position for one in chart.signals if (one.rules if diamonds else one.ewma)]] = True
        style = marker("diamond" if diamonds else "square", ACCENT, size + 5, filled=False)
        yield from points(at, values, shown & flags, f"signal of {'a' if diamonds else 'the'} {name}", style)


def points(
    at: NDArray[np.object_],
    values: NDArray[np.float64],
    which: NDArray[np.bool_],
    name: str,
    style: dict[str, Any] | None = None,
    **more: Any,
) -> Iterator[Trace]:
    """Yield some points, where there are any, as marks or as ``more`` says."""
    if which.any():
        look = {"mode": "markers", "marker": style} if style else {}
        drawn = {"x": at[which].tolist(), "y": values[which].round(4).tolist(), "name": name}
        yield {"type": "scatter", **drawn, **look, **more}
