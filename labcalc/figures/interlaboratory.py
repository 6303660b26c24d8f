"""Consistency of an interlaboratory study: Mandel's h and k as bars, laboratories in their order, level by level."""

from dataclasses import dataclass
from html import escape
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from labcalc.figures.picture import ACCENT, INK, MUTED, Figure, Picture, blank_figure, stroke
from labcalc.statistics import MandelStatistics
from labcalc.statistics.series import Array
from labcalc.wording import counted, numeral, plain

_MOST_NAMES = 60  # beyond this many bars their laboratories are named on hover and in the table only
_GAP = 1  # empty places between two levels
_WORDS = {"h": ("Mandel's h, of means", "means"), "k": ("Mandel's k, of spreads", "standard deviations")}
_HATCHED = {"shape": "/", "fgcolor": ACCENT}
_LOOKS: dict[str, dict[str, Any]] = {
    "within": {"color": MUTED, "line": {"color": INK, "width": 1}},
    "beyond": {"color": "#ffffff", "line": {"color": ACCENT, "width": 1.4}, "pattern": _HATCHED},
}


@dataclass(frozen=True)
class _Bars:
    """h or k of every cell, laboratories × levels, with the limit of each and its place on the axis."""

    which: str
    of: MandelStatistics
    values: Array
    limits: Array
    beyond: NDArray[np.bool_]
    places: Array

    def named(self, lab: int, level: int) -> str:
        return f"laboratory {self.of.laboratories[lab]} at level {self.of.levels[level]}"


def draw_consistency(statistics: MandelStatistics, which: Literal["h", "k"]) -> Picture:
    """Draw Mandel's h or k of every cell, [-], with its critical value; bars beyond it are hatched and named.

    statistics : The statistics of a study.
    which : Which of the two.
    """
    values, beyond = (statistics.h, statistics.beyond_h) if which == "h" else (statistics.k, statistics.beyond_k)
    limits = np.broadcast_to(statistics.h_limits, values.shape) if which == "h" else statistics.k_limits
    laboratories, levels = values.shape
    places = np.arange(laboratories)[:, None] + (laboratories + _GAP) * np.arange(levels, dtype=float)
    bars = _Bars(which, statistics, values, limits, beyond, places)
    figure = blank_figure("Laboratory", _WORDS[which][0], height=380)
    _add_bars(figure, bars)
    _add_limits(figure, bars)
    _dress(figure, bars)
    rows = tuple(
        (level_name, name, numeral(values[lab, level], 2), numeral(limits[lab, level], 2))
        for level, level_name in enumerate(statistics.levels)
        for lab, name in enumerate(statistics.laboratories)
    )
    return Picture(figure, _caption(bars), ("Level", "Laboratory", which, "Limit"), rows)


def _add_bars(figure: Figure, bars: _Bars) -> None:
    for name, shown in (("within", np.isfinite(bars.values) & ~bars.beyond), ("beyond", bars.beyond)):
        if shown.any():
            places = {"x": bars.places[shown], "y": bars.values[shown].round(4), "width": 0.8}
            look = {"marker": _LOOKS[name], "name": f"{name} the limit"}
            names = [escape(bars.named(*cell)) for cell in np.argwhere(shown).tolist()]
            figure.add_bar(**places, **look, hovertext=names, hovertemplate="%{hovertext}: %{y}<extra></extra>")


def _add_limits(figure: Figure, bars: _Bars) -> None:
    """Draw the limit over every bar, below too for h; a level's bars make one line, broken between levels."""
    x, y = np.stack([bars.places - 0.5, bars.places + 0.5]), np.stack([bars.limits, bars.limits])
    broken = [
        np.pad(one.transpose(2, 1, 0).reshape(one.shape[2], -1), ((0, 0), (0, 1)), constant_values=np.nan).ravel()
        for one in (x, y)
    ]
    look = {"mode": "lines", "line": stroke(INK, width=1.4), "hovertemplate": "limit %{y}<extra></extra>"}
    for sign in (1, -1) if bars.which == "h" else (1,):
        figure.add_scatter(x=broken[0], y=sign * broken[1], name="limit", showlegend=sign == 1, **look)


def _dress(figure: Figure, bars: _Bars) -> None:
    """Name levels above the bars, laboratories beneath, and each bar beyond its limit at its end."""
    places, is_named = bars.places, bars.places.size <= _MOST_NAMES
    ticks = np.tile([escape(name) for name in bars.of.laboratories], places.shape[1])
    named: dict[str, Any] = {"tickvals": places.T.ravel() if is_named else [], "ticktext": ticks if is_named else []}
    ends = [-1.0, float(places[-1, -1]) + 1.0]
    figure.layout["xaxis"] |= {**named, "range": ends, "showgrid": False, "automargin": True}
    highest = float(np.nanmax(np.abs([bars.values, bars.limits]), initial=1.0))
    reach = [-1.25 * highest, 1.25 * highest] if bars.which == "h" else [0.0, 1.15 * highest]
    zero = {"zeroline": True, "zerolinecolor": INK, "zerolinewidth": 1}
    figure.layout["yaxis"] |= {**zero, "range": reach, "hoverformat": ".2f"}
    figure.layout |= {"margin": {"t": 56}, "legend": {"y": 1.09}}
    heads = [
        {"x": float(x), "y": 1.0, "yref": "paper", "yanchor": "bottom", "text": f"level {escape(name)}"}
        for x, name in zip(places.mean(axis=0), bars.of.levels, strict=True)
    ]
    marks = []
    for cell in zip(*np.nonzero(bars.beyond), strict=True):
        place = {"x": float(places[cell]), "y": float(bars.values[cell])}
        look = {"yanchor": "bottom" if bars.values[cell] > 0.0 else "top", "font": {"color": ACCENT, "size": 13}}
        marks.append({**place, **look, "text": escape(bars.of.laboratories[cell[0]])})
    figure.layout["annotations"] = [{"showarrow": False, **one} for one in heads + marks]
    figure.layout["shapes"] = [
        {"type": "line", "x0": x, "x1": x, "y0": 0, "y1": 1, "yref": "paper", "line": stroke(MUTED, "dot", 0.8)}
        for x in (places[-1, :-1] + 0.5 + _GAP / 2.0).tolist()
    ]


def _caption(bars: _Bars) -> str:
    laboratories = counted(len(bars.of.laboratories), "laboratory", "laboratories")
    head = f"Mandel's {bars.which} of {laboratories} at {counted(len(bars.of.levels), 'level')}"
    number, share = int(np.isfinite(bars.values).sum()), f"{plain(100.0 * bars.of.significance)} %"
    what = f"{number} {_WORDS[bars.which][1]}"
    if number == 0:
        return f"{head}: nothing to compare, no level has {'means' if bars.which == 'h' else 'repeats'} that differ."
    if not bars.beyond.any():
        lab, level = np.unravel_index(np.nanargmax(np.abs(bars.values)), bars.values.shape)
        largest = f"{bars.named(int(lab), int(level))} ({numeral(bars.values[lab, level], 2)})"
        return f"{head}: none of {what} is beyond the {share} limit; the largest is that of {largest}."
    beyond = [(lab, level) for level, lab in np.argwhere(bars.beyond.T).tolist()]
    told = ", ".join(f"{bars.named(*cell)} ({numeral(bars.values[cell], 2)})" for cell in beyond)
    chance = numeral(number * bars.of.significance, 1)
    return f"{head}: {len(beyond)} of {what} beyond the {share} limit, where chance gives {chance}: {told}."
