"""Consistency of an interlaboratory study: Mandel's h and k as bars, laboratories in their order, level by level."""

from __future__ import annotations

from collections.abc import Iterator
from html import escape
from typing import Any, Literal

import numpy as np
import plotly.graph_objects as go
from numpy.typing import NDArray

from labcalc.figures.picture import Numbers, Picture
from labcalc.figures.theme import ACCENT, INK, MUTED, blank_figure, stroke
from labcalc.statistics import MandelStatistics
from labcalc.statistics.series import Array
from labcalc.wording import counted, numeral, plain

_MOST_NAMES = 60  # beyond this many bars their laboratories are named on hover and in the table only
_NEEDED = {"h": "means that differ", "k": "repeats that differ"}
_GAP = 1  # empty places between two levels
_AXES = {"h": "Mandel's h, of means", "k": "Mandel's k, of spreads"}


def draw_consistency(statistics: MandelStatistics, which: Literal["h", "k"]) -> Picture:
    """Draw Mandel's h or k of every cell, [-], with its critical value; bars beyond it are hatched and named.

    statistics : The statistics of a study.
    which : Which of the two.
    """
    values = statistics.h if which == "h" else statistics.k
    limits = np.broadcast_to(statistics.h_limits, values.shape) if which == "h" else statistics.k_limits
    beyond = statistics.beyond_h if which == "h" else statistics.beyond_k
    places = _places(values)
    figure = blank_figure("Laboratory", _AXES[which], height=380)
    _add_bars(figure, places, values, beyond, statistics)
    for sign in (1, -1) if which == "h" else (1,):
        figure.add_scatter(**_limit_line(places, sign * limits), showlegend=sign == 1)
    _dress(figure, places, values, beyond, _reach(which, values, limits), statistics)
    return Picture(figure, _caption(which, statistics, values, beyond), *_numbers(which, statistics, values, limits))


def _places(values: Array) -> Array:
    """Return the place of each bar: laboratories beside each other, levels apart."""
    laboratories, levels = values.shape
    first = (laboratories + _GAP) * np.arange(levels, dtype=float)
    return np.asarray(np.arange(laboratories)[:, None] + first)


def _reach(which: str, values: Array, limits: Array) -> list[float]:
    """Return an axis that holds every bar with its name, and the limits."""
    highest = float(np.nanmax(np.abs([values, limits]), initial=1.0))
    return [-1.25 * highest, 1.25 * highest] if which == "h" else [0.0, 1.15 * highest]


def _add_bars(
    figure: go.Figure,
    places: Array,
    values: Array,
    beyond: NDArray[np.bool_],
    statistics: MandelStatistics,
) -> None:
    names = np.array(
        [
            [f"laboratory {escape(lab)}, level {escape(level)}" for level in statistics.levels]
            for lab in statistics.laboratories
        ]
    )
    known = np.isfinite(values)
    look: dict[str, dict[str, Any]] = {
        "within": {"color": MUTED, "line": {"color": INK, "width": 1}},
        "beyond": {
            "color": "#ffffff",
            "line": {"color": ACCENT, "width": 1.4},
            "pattern": {"shape": "/", "fgcolor": ACCENT},
        },
    }
    for name, shown in (("within", known & ~beyond), ("beyond", beyond)):
        if shown.any():
            figure.add_bar(
                x=places[shown],
                y=values[shown].round(4),
                width=0.8,
                marker=look[name],
                name=f"{name} the limit",
                hovertext=names[shown],
                hovertemplate="%{hovertext}: %{y}<extra></extra>",
            )


def _limit_line(places: Array, limits: Array) -> dict[str, Any]:
    """Return the limit over every bar; a level's bars make one line, broken between levels."""
    x = np.stack([places - 0.5, places + 0.5]).transpose(2, 1, 0)
    y = np.stack([limits, limits]).transpose(2, 1, 0)
    broken = [np.pad(one.reshape(one.shape[0], -1), ((0, 0), (0, 1)), constant_values=np.nan).ravel() for one in (x, y)]
    lines = [[None if np.isnan(value) else round(value, 4) for value in one.tolist()] for one in broken]
    return {
        "x": lines[0],
        "y": lines[1],
        "mode": "lines",
        "line": stroke(INK, width=1.4),
        "name": "limit",
        "hovertemplate": "limit %{y}<extra></extra>",
    }


def _dress(
    figure: go.Figure,
    places: Array,
    values: Array,
    beyond: NDArray[np.bool_],
    reach: list[float],
    statistics: MandelStatistics,
) -> None:
    """Name levels above the bars, laboratories beneath, and each bar beyond its limit at its end."""
    named = places.size <= _MOST_NAMES
    ticks = np.tile([escape(name) for name in statistics.laboratories], places.shape[1])
    figure.layout.xaxis.update(
        tickvals=places.T.ravel() if named else [],
        ticktext=ticks if named else [],
        range=[-1.0, float(places[-1, -1]) + 1.0],
        showgrid=False,
        automargin=True,
    )
    figure.layout.yaxis.update(zeroline=True, zerolinecolor=INK, zerolinewidth=1, range=reach, hoverformat=".2f")
    figure.layout.margin.t = 56
    figure.layout.legend.y = 1.09
    heads = [
        {"x": float(x), "y": 1.0, "yref": "paper", "yanchor": "bottom", "text": f"level {escape(name)}"}
        for x, name in zip(places.mean(axis=0), statistics.levels, strict=True)
    ]
    marks = [
        {
            "x": float(places[lab, level]),
            "y": float(values[lab, level]),
            "yanchor": "bottom" if values[lab, level] > 0.0 else "top",
            "text": escape(statistics.laboratories[lab]),
            "font": {"color": ACCENT, "size": 13},
        }
        for lab, level in np.argwhere(beyond).tolist()
    ]
    figure.layout.annotations = [{"showarrow": False, **one} for one in heads + marks]
    figure.layout.shapes = [
        {"type": "line", "x0": x, "x1": x, "y0": 0, "y1": 1, "yref": "paper", "line": stroke(MUTED, "dot", 0.8)}
        for x in (places[-1, :-1] + 0.5 + _GAP / 2.0).tolist()
    ]


def _caption(which: str, statistics: MandelStatistics, values: Array, beyond: NDArray[np.bool_]) -> str:
    head = (
        f"Mandel's {which} of {counted(len(statistics.laboratories), 'laboratory', 'laboratories')} at "
        f"{counted(len(statistics.levels), 'level')}"
    )
    cells, share = int(np.isfinite(values).sum()), f"{plain(100.0 * statistics.significance)} %"
    what = f"{cells} {'means' if which == 'h' else 'standard deviations'}"
    if cells == 0:
        return f"{head}: nothing to compare, no level has {_NEEDED[which]}."
    named = [
        f"laboratory {statistics.laboratories[lab]} at level {statistics.levels[level]} "
        f"({numeral(values[lab, level], 2)})"
        for level, lab in _to_name(values, beyond)
    ]
    if not beyond.any():
        return f"{head}: none of {what} is beyond the {share} limit; the largest is that of {named[0]}."
    chance = numeral(cells * statistics.significance, 1)
    return f"{head}: {len(named)} of {what} beyond the {share} limit, where chance gives {chance}: {', '.join(named)}."


def _to_name(values: Array, beyond: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return level and laboratory of the bars beyond their limits, or of the largest where there is none."""
    if beyond.any():
        return [(level, lab) for level, lab in np.argwhere(beyond.T).tolist()]
    lab, level = np.unravel_index(np.nanargmax(np.abs(values)), values.shape)
    return [(int(level), int(lab))]


def _numbers(which: str, statistics: MandelStatistics, values: Array, limits: Array) -> Numbers:
    def rows() -> Iterator[tuple[str, ...]]:
        for level, level_name in enumerate(statistics.levels):
            for lab, lab_name in enumerate(statistics.laboratories):
                yield level_name, lab_name, numeral(values[lab, level], 2), numeral(limits[lab, level], 2)

    return ("Level", "Laboratory", which, "Limit"), tuple(rows())
