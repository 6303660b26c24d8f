"""The pictures of a sample whose numbers look wrong: measured, usual, and what would be seen if."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from labcalc.exports import QUANTITY_COLUMNS
from labcalc.figures.causes import deviations
from labcalc.figures.markup import Fragment, html_table
from labcalc.figures.picture import INK, MUTED, Figure, Picture, blank_figure, marker, stroke
from labcalc.figures.run.curves import density_picture, viscosity_picture
from labcalc.judgement import UNITS, Judgement, reported_value
from labcalc.wording import celsius, plain

if TYPE_CHECKING:
    from labcalc.judgement.causes import Evidence, WhatIf

_SHORT = dict(zip(QUANTITY_COLUMNS, ("ν", "η", "ρ"), strict=True))
_USUAL = "usual"
_LIVE_HEIGHT, _ALONE_HEIGHT = 640, 350
_SELF_EVIDENT = ("line", "extrapolated", "two standard deviations")  # no room in the legend of a row of panels


def show_run_and_day(rows: pd.DataFrame, day: pd.DataFrame, run: str) -> Fragment:
    """Return every determination of a run, and its instrument's day (``days_runs``) with the run itself marked."""
    names = {"temperature_C": "°C", "replicate": "Fill"}
    names |= {column: f"{_SHORT[q]}, {UNITS[q]}" for q, column in QUANTITY_COLUMNS.items()} | {"remark": "Remark"}
    own = rows[[*names]].replace("", None).dropna(axis=1, how="all").rename(columns=names)
    levels: Any = day.columns[4:]
    sample = day["sample"].where(day["run"] != run, "▸ " + day["sample"].astype(str))
    its = pd.DataFrame({"Sample": sample, "Time": day["time"], "Product": day["product"]})
    for quantity, T in levels:
        its[f"{_SHORT[quantity]} at {celsius(T)}"] = day[quantity, T].map(partial(reported_value, quantity))
    html = _table("This run, row by row", own, tuple(range(1, len(own.columns) - ("Remark" in own))))
    html += _table("The instrument's day", its, tuple(range(3, len(its.columns))))
    return Fragment(html, f"{own.to_string()}\n{its.to_string()}")


def _table(caption: str, frame: pd.DataFrame, numeric: tuple[int, ...]) -> str:
    rows = [[*map(_cell, row)] for row in frame.to_numpy(object)]
    return html_table(caption, [*frame.columns], rows, numeric=numeric)


def _cell(value: Any) -> str:
    return "–" if pd.isna(value) else escape(value) if isinstance(value, str) else plain(value)


def problem_pictures(
    judgement: Judgement, evidence: Evidence | None, earlier: pd.DataFrame, what: WhatIf | None
) -> tuple[Picture | Fragment, ...]:
    """Return the pictures of a run that is looked into.

    earlier : Earlier means of the same product: ``quantity``, ``temperature_C`` [°C], ``value`` [mm²/s or kg/m³].
    Returns : Where there is evidence, the deviations from the usual with the spread of the product; viscosity against
        temperature, density against temperature (a sentence in the place of a chart that the run has no values for).
    """
    charts = {"kinematic viscosity": viscosity_picture(judgement), "density": density_picture(judgement)}
    if evidence is None or what is None:
        return tuple(charts.values())
    with_usual = (_with_usual(one, evidence, what, quantity) for quantity, one in charts.items())
    return deviations.draw_deviations(evidence, earlier, what), *with_usual


def one_above_others(pictures: Sequence[Picture]) -> Figure:
    """Return one figure: the first picture large, the others side by side beneath it; each name once in the legend."""
    figure, named = blank_figure("", "", height=_LIVE_HEIGHT if len(pictures) > 1 else _ALONE_HEIGHT), set[str]()
    layout: dict[str, Any] = {"margin": {"l": 74, "r": 12, "t": 40, "b": 72}}
    layout["legend"] = {"yref": "container", "y": 1.0, "yanchor": "top"}  # above a live figure it sinks into the panels
    layout["legend2"] = {"yref": "container", "y": 0.0, "yanchor": "bottom", "orientation": "h"}
    for number, (picture, (across, up)) in enumerate(zip(pictures, _domains(len(pictures)), strict=True), start=1):
        suffix = "" if number == 1 else str(number)
        for trace in picture.figure.data:
            name = str(trace.get("name", ""))
            shown = trace.get("showlegend", True) and name not in named and name not in _SELF_EVIDENT
            named |= {name} if shown else set()
            places = {"xaxis": f"x{suffix}", "yaxis": f"y{suffix}", "legendgroup": name, "showlegend": shown}
            figure.data.append({**trace, **places, "legend": "legend2" if number > 1 else "legend"})
        layout[f"xaxis{suffix}"] = {**picture.figure.layout["xaxis"], "domain": across, "anchor": f"y{suffix}"}
        layout[f"yaxis{suffix}"] = {**picture.figure.layout["yaxis"], "domain": up, "anchor": f"x{suffix}"}
    figure.layout |= layout
    return figure


def _domains(number: int) -> list[tuple[list[float], list[float]]]:
    if number == 1:
        return [([0.0, 1.0], [0.0, 1.0])]
    beneath, gap = number - 1, 0.13
    wide = (1.0 - gap * (beneath - 1)) / beneath
    lefts = [place * (wide + gap) for place in range(beneath)]
    return [([0.0, 1.0], [0.5, 1.0]), *(([left, min(left + wide, 1.0)], [0.0, 0.36]) for left in lefts)]


def _with_usual(picture: Picture | Fragment, evidence: Evidence, what: WhatIf, quantity: str) -> Picture | Fragment:
    """Add to a chart of the run what is usual, what a person added, and what would be seen if."""
    levels = deviations.levels_of_sample(evidence, quantity)
    if isinstance(picture, Fragment) or not levels:
        return picture
    usual = {level.temperature_C: deviations.mean_over(evidence, level, evidence.expected) for level in levels}
    look = marker("x-thin", MUTED, 9)
    look["line"]["width"] = 2
    lines = {"mode": "lines+markers", "line": stroke(MUTED, "dashdot"), "marker": look, "name": _USUAL}
    told = [f"usual at {celsius(t)}: {plain(v, 5)}" for t, v in usual.items()]
    at = deviations.placed(quantity, np.array([*usual]), [*usual.values()])
    picture.figure.add_scatter(**at, **lines, text=told, hoverinfo="text")
    added = [i for i, kind in enumerate(evidence.kind) if kind != "run" and deviations.level_of(evidence, i) in levels]
    if added:
        at = deviations.placed(quantity, evidence.temperature_C[added], evidence.measured[added])
        picture.figure.add_scatter(**at, mode="markers", marker=marker("star", INK, 11), name=deviations.ADDED)
    at = deviations.what_if_places(evidence, what)[quantity]
    picture.figure.add_scatter(**at, **deviations.what_if_look(quantity))
    words = "; ".join(f"{reported_value(quantity, v)} {UNITS[quantity]} at {celsius(t)}" for t, v in usual.items())
    rows = tuple((plain(t), plain(v), *[""] * (len(picture.columns) - 3), _USUAL) for t, v in usual.items())
    return Picture(picture.figure, f"{picture.caption} Usual: {words}.", picture.columns, (*rows, *picture.rows))
