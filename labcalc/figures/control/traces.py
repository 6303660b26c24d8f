"""What a control chart is drawn of, large or small: results, moving average, signals; told apart by shape."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from labcalc.figures.control.grid import Trace
from labcalc.figures.theme import ACCENT, INK, MUTED, marker, stroke
from labcalc.judgement import Chart, Month, Period
from labcalc.lab import Decision


def chart_traces(
    chart: Chart, at: NDArray[np.object_], shown: NDArray[np.bool_], *, shape: str = "circle", size: int = 6
) -> Iterator[Trace]:
    """Yield results, moving average and signals of a chart.

    chart : Chart The chart.
    at : numpy.ndarray of object Times of its results as text.
    shown : numpy.ndarray of bool Those that are drawn.
    shape : str That of a result.
    size : int Of a result, [px].
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
    style: Any = None,
    **more: Any,
) -> Iterator[Trace]:
    """Yield some points, where there are any, as marks or as ``more`` says."""
    if which.any():
        look = {"mode": "markers", "marker": style} if style else {}
        drawn = {"x": at[which].tolist(), "y": values[which].round(4).tolist(), "name": name}
        yield {"type": "scatter", **drawn, **look, **more}


def levels(chart: Chart, days: NDArray[np.object_]) -> Iterator[Trace]:
    """Yield centre, limits and those of the moving average, from the first result drawn of a lot to its last."""
    limits, ewma = chart.limits, chart.ewma
    if limits is None:
        return
    levels = [([limits.centre], stroke(MUTED, width=0.7)), ([limits.lower, limits.upper], stroke(INK, width=1.1))]
    if ewma is not None:
        levels.append(([ewma.lower, ewma.upper], stroke(INK, "dot", 0.9)))
    for values, line in levels:
        heights = [height for value in values for height in (round(value, 4), round(value, 4), None)]
        across = {"x": [days[0], days[-1], None] * len(values), "y": heights}
        yield {"type": "scatter", **across, "mode": "lines", "line": line, "hoverinfo": "skip", "showlegend": False}


def begin_of(charts: Sequence[Chart], month: Month) -> Period:
    """Return what an axis of time reaches over: twelve months, or from the month of the first result."""
    drawn = month.twelve_months
    first = min(one.measured_at[one.between(drawn.first, drawn.last)][0] for one in charts)
    return Period("", first.replace(day=1), drawn.last)


def instrument_actions(charts: Sequence[Chart], month: Month) -> list[tuple[datetime, Decision]]:
    """Return the decisions about the instrument as a whole, in the laboratory's time, as far as charts reach."""
    since = max(min(one.measured_at[0] for one in charts), month.twelve_months.first)
    decided = {id(one): one for chart in charts for one in chart.instrument_decisions if since <= one.when < month.last}
    return sorted(((one.when.astimezone(month.first.tz), one) for one in decided.values()), key=lambda pair: pair[0])


def upright_lines(charts: Sequence[Chart], month: Month) -> list[tuple[str, dict[str, Any]]]:
    """Return the month's beginning, and decisions about the instrument."""
    lines = [(when, stroke(ACCENT, "dot", 1.0)) for when, _ in instrument_actions(charts, month)]
    return [(f"{when:%Y-%m-%d %H:%M}", line) for when, line in ((month.first, stroke(MUTED, "dash", 0.8)), *lines)]
