"""Small pictures of one look side by side, over one time."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, TypeAlias

import plotly.graph_objects as go

from labcalc.figures.theme import blank_figure
from labcalc.judgement import Period

Trace: TypeAlias = dict[str, Any]  # in plotly's words, without axes
_PANELS = {1: 130, 2: 72, 3: 54}  # height of a panel by columns, [px]
_GAP, _FOOT, _HEAD = 26, 26, 20  # heights in pixels: of a panel's title, of the axis beneath the last, above the first
_BETWEEN = 0.09  # gap between columns, as a share of the width


def draw_grid(
    panels: Mapping[str, Iterable[Trace]],
    time: Period,
    columns: int,
    *,
    upright: Sequence[tuple[str, Mapping[str, Any]]] = (),
    legend: bool = False,
) -> go.Figure:
    """Return a figure with a panel for each title, row by row; ``upright`` lines go through all of them at a moment.

    Panels of a column share one axis of time; a legend names each kind of trace that asks for it.
    """
    number = len(panels)
    head = _HEAD + 40 * legend
    figure = blank_figure(
        x_title="",
        y_title="",
        height=_whole(number, columns) + head + _FOOT,
        shapes=tuple(_lines(upright, min(columns, number))),
        annotations=tuple(_title(at, title, number, columns) for at, title in enumerate(panels)),
        **_axes(number, columns, time),
    )
    figure.layout.margin = {"l": 42, "r": 8, "t": head, "b": _FOOT}
    figure.layout.showlegend = legend
    figure.layout.legend.y = 1.0 + 14 / (figure.layout.height - head - _FOOT)
    figure.add_traces([trace | _on(at, columns) for at, traces in enumerate(panels.values()) for trace in traces])
    return figure


def _whole(number: int, columns: int) -> int:
    return -(-number // columns) * (_PANELS[columns] + _GAP) - _GAP


def _on(at: int, columns: int) -> dict[str, str]:
    """Return the axes of a panel."""
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
    step = "M3" if columns > 2 else "M2" if (time.last - time.first).days > 190 else "M1"
    dated = {"type": "date", "mirror": "all", "dtick": step, "tickformat": "%b", "tick0": ends[0], "range": ends}
    axes: dict[str, dict[str, Any]] = {}
    for at in range(number):
        on = _on(at, columns)
        axes[on["yaxis"].replace("y", "yaxis")] = {
            **small,
            "domain": _up(at, number, columns),
            "anchor": on["xaxis"],
            "nticks": 4,
        }
        lowest = {**dated, **small, "domain": _across(at % columns, columns), "anchor": on["yaxis"]}
        axes[on["xaxis"].replace("x", "xaxis", 1)] = lowest
    return axes


def _title(at: int, title: str, number: int, columns: int) -> dict[str, Any]:
    place = {"x": _across(at % columns, columns)[0], "y": _up(at, number, columns)[1], "xref": "paper", "yref": "paper"}
    look = {"font": {"size": 11}, "showarrow": False, "xanchor": "left", "yanchor": "bottom"}
    return {**place, **look, "text": title}


def _lines(upright: Sequence[tuple[str, Mapping[str, Any]]], columns: int) -> Iterator[dict[str, Any]]:
    for when, line in upright:
        for at in range(columns):
            across = {"type": "line", "xref": _on(at, columns)["xaxis"], "yref": "paper", "y0": 0, "y1": 1}
            yield {**across, "x0": when, "x1": when, "line": line}
