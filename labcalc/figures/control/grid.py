"""What control charts are drawn of: traces told apart by shape, and small pictures of one look side by side."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from labcalc.figures.picture import ACCENT, INK, MUTED, Figure, blank_figure, marker, stroke
from labcalc.judgement import Chart, Month, Period
from labcalc.lab import Decision
from labcalc.statistics.series import Array

Trace: TypeAlias = dict[str, Any]  # in plotly's words, without axes
Lines: TypeAlias = Sequence[tuple[str, Mapping[str, Any]]]  # moments, and how a line is drawn at each
_PANELS = {1: 130, 2: 72, 3: 54}  # height of a panel by columns, [px]
_GAP, _FOOT, _HEAD = 26, 26, 20  # heights in pixels: of a panel's title, of the axis beneath the last, above the first
_BETWEEN = 0.09  # gap between columns, as a share of the width


def draw_grid(
    panels: Mapping[str, Iterable[Trace]], time: Period, columns: int, *, upright: Lines = (), legend: bool = False
) -> Figure:
    """Return a figure with a panel for each title, row by row, on one axis of time; ``upright`` lines go through."""
    number = len(panels)
    head = _HEAD + 40 * legend
    whole = _whole(number, columns)
    figure = blank_figure("", "", height=whole + head + _FOOT, **_axes(number, columns, time))
    titles, above = [_title(at, title, number, columns) for at, title in enumerate(panels)], {"y": 1.0 + 14 / whole}
    figure.layout |= {"shapes": list(_lines(upright, min(columns, number))), "annotations": titles}
    figure.layout |= {"margin": {"l": 42, "r": 8, "t": head, "b": _FOOT}, "showlegend": legend, "legend": above}
    figure.data = [trace | _on(at, columns) for at, traces in enumerate(panels.values()) for trace in traces]
    return figure


def _whole(number: int, columns: int) -> int:
    return -(-number // columns) * (_PANELS[columns] + _GAP) - _GAP


def _on(at: int, columns: int) -> dict[str, str]:
    x, y = at % columns + 1, at + 1
    return {"xaxis": "x" if x == 1 else f"x{x}", "yaxis": "y" if y == 1 else f"y{y}"}


def _across(column: int, columns: int) -> list[float]:
    width = (1.0 - _BETWEEN * (columns - 1)) / columns
    return [round(column * (width + _BETWEEN), 5), round(column * (width + _BETWEEN) + width, 5)]


def _up(at: int, number: int, columns: int) -> list[float]:
    whole, panel = _whole(number, columns), _PANELS[columns]
    top = 1.0 - at // columns * (panel + _GAP) / whole
    return [round(max(top - panel / whole, 0.0), 5), round(top, 5)]


def _axes(number: int, columns: int, time: Period) -> dict[str, dict[str, Any]]:
    small, ends = {"tickfont": {"size": 10}}, [f"{time.first:%Y-%m-%d}", f"{time.last:%Y-%m-%d}"]
    step = "M1" if (time.last - time.first).days < (125 if columns > 2 else 190) else "M3" if columns > 2 else "M2"
    dated = {"type": "date", "mirror": "all", "dtick": step, "tickformat": "%b", "tick0": ends[0], "range": ends}
    axes: dict[str, dict[str, Any]] = {}
    for at in range(number):
        on = _on(at, columns)
        upright = {**small, "domain": _up(at, number, columns), "anchor": on["xaxis"], "nticks": 4}
        lowest = {**dated, **small, "domain": _across(at % columns, columns), "anchor": on["yaxis"]}
        axes |= {on["yaxis"].replace("y", "yaxis"): upright, on["xaxis"].replace("x", "xaxis", 1): lowest}
    return axes


def _title(at: int, title: str, number: int, columns: int) -> dict[str, Any]:
    place = {"x": _across(at % columns, columns)[0], "y": _up(at, number, columns)[1], "xref": "paper", "yref": "paper"}
    return {**place, "font": {"size": 11}, "showarrow": False, "xanchor": "left", "yanchor": "bottom", "text": title}


def _lines(upright: Lines, columns: int) -> Iterator[dict[str, Any]]:
    for when, line in upright:
        for at in range(columns):
            across = {"type": "line", "xref": _on(at, columns)["xaxis"], "yref": "paper", "y0": 0, "y1": 1}
            yield {**across, "x0": when, "x1": when, "line": line}


def chart_traces(
    chart: Chart, at: NDArray[np.object_], shown: NDArray[np.bool_], *, shape: str = "circle", size: int = 6
) -> Iterator[Trace]:
    """Yield results, moving average and signals of a chart, at times as text, of a shape and size [px]."""
    color, average = INK if size > 4 else MUTED, chart.averages
    kinds = (
        ("baseline", chart.in_baseline, marker(shape, color, size, filled=False)),
        ("result", chart.used & ~chart.in_baseline, marker(shape, color, size)),
        ("excluded by a decision", ~chart.used, marker("x-thin", MUTED, size + 3)),
    )
    for name, kind, style in kinds:
        yield from points(at, chart.plotted, shown & kind, name, style)
    if chart.ewma is not None:
        yield from points(at, average, shown & chart.used, "EWMA", mode="lines", line=stroke(INK, width=1.2))
    for name, values, diamonds in (("result", chart.plotted, True), ("EWMA", average, False)):
        flags = np.zeros(shown.size, dtype=bool)
        flags[[one.position for one in chart.signals if (one.rules if diamonds else one.ewma)]] = True
        style = marker("diamond" if diamonds else "square", ACCENT, size + 5, filled=False)
        yield from points(at, values, shown & flags, f"signal of {'a' if diamonds else 'the'} {name}", style)


def points(
    at: NDArray[np.object_], values: Array, which: NDArray[np.bool_], name: str, style: Any = None, **more: Any
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
    lines = [([limits.centre], stroke(MUTED, width=0.7)), ([limits.lower, limits.upper], stroke(INK, width=1.1))]
    lines += [([ewma.lower, ewma.upper], stroke(INK, "dot", 0.9))] if ewma is not None else []
    for values, line in lines:
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
