"""The reference oils of an instrument over time, and where in it a run lies."""

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple

import pandas as pd

from labcalc.figures.markup import Fragment, note
from labcalc.figures.picture import ACCENT, BAND, EDGE, INK, MUTED, Numbers, Picture, blank_figure, marker, stroke
from labcalc.judgement import Judgement
from labcalc.wording import at_celsius, celsius, percent, signed

_SYMBOLS = ("circle", "square", "diamond", "triangle-up", "cross", "star")
_PANELS = (("kinematic viscosity", "Viscosity, %", "y"), ("density", "Density, kg/m³", "y2"))
_SIDES = {"zeroline": True, "zerolinecolor": MUTED, "hoverformat": "+.3f"}
_THIS_RUN = {"text": "this run", "showarrow": False, "xanchor": "right", "font": {"color": ACCENT}}
_LOOK = {"mode": "lines+markers", "line": stroke(MUTED, width=0.8), "marker": marker("circle", INK, 7)}
_LOOK |= {"hovertemplate": "%{fullData.name}<br>%{x}: %{y}<extra></extra>"}  # what all series share
_OF_PANELS = {"kinematic viscosity": "ν, %", "density": "ρ, kg/m³"}


class _Check(NamedTuple):
    """A reference-oil result: measured minus certified and the largest difference allowed, [%] or [kg/m³]."""

    run: str
    sample: str
    lot: str
    quantity: str
    temperature_C: float
    at: str
    difference: float
    allowed: float


def reference_picture(judgement: Judgement) -> Picture | Fragment:
    """Return how far the reference oils of the run's instrument were from their certified values, a line at the run.

    Two panels, one above the other: viscosity [%] and density [kg/m³].
    """
    dossier = judgement.dossier
    checks, run_at = list(_checks(dossier.references)), dossier.rows["measured_at"].max()
    if not checks:
        return note(f"{dossier.why_no_references[0].upper()}{dossier.why_no_references[1:]}.")
    widest, ranges = {}, {}
    for quantity, *_ in _PANELS:
        own = [(abs(one.difference), one.allowed) for one in checks if one.quantity == quantity]
        widest[quantity] = max((allowed for _, allowed in own), default=0.0)
        reach = round(1.3 * max(map(max, own), default=0.0), 4)
        ranges[quantity] = {"range": [-reach, reach]} if reach else {}
    at_the_run = {"x0": run_at, "x1": run_at, "xref": "x", "y0": 0, "y1": 1, "yref": "paper"}
    upper, lower = ({**_SIDES, **ranges[quantity]} for quantity, *_ in _PANELS)
    named = {"domain": [0.0, 0.46], "title": {"text": _PANELS[1][1], "font": {"size": 12}}}
    axes: dict[str, dict[str, Any]] = {"xaxis": {"anchor": "y2", "type": "date"}, "yaxis2": {**named, **lower}}
    figure = blank_figure("", _PANELS[0][1], height=315, yaxis={"domain": [0.54, 1.0], **upper}, **axes)
    figure.layout |= {
        "shapes": [*_limits(widest), {"type": "line", "line": stroke(ACCENT, "dash"), **at_the_run}],
        "annotations": [{"x": run_at, "xref": "x", "y": 1.0, "yref": "paper", **_THIS_RUN}],
    }
    figure.layout["template"]["data"] = {"scatter": [_LOOK]}
    figure.data = list(_series(checks))
    return Picture(figure, _caption(checks, dossier.instrument), *_numbers(checks))


def _checks(comparisons: pd.DataFrame) -> Iterator[_Check]:
    names = ("run", "sample", "lot", "quantity", "temperature_C", "measured_at", "value", "certified", "limit")
    columns = (comparisons[name].tolist() for name in names)
    for run, sample, lot, quantity, temperature, measured_at, value, certified, limit in zip(*columns, strict=True):
        if quantity in _OF_PANELS and not math.isnan(certified):
            off, allowed = value - certified, limit
            if quantity != "density":
                off, allowed = 100.0 * off / certified, 100.0 * limit / certified
            yield _Check(run, sample, lot, quantity, temperature, f"{measured_at:%Y-%m-%d %H:%M}", off, allowed)


def _series(checks: Sequence[_Check]) -> Iterator[dict[str, Any]]:
    """Yield a series for each oil and temperature in each panel; the two of one oil share a name in the legend."""
    found: dict[tuple[str, str], dict[str, tuple[list[str], list[float]]]] = {}
    for one in checks:
        panels = found.setdefault((one.sample, celsius(one.temperature_C)), {})
        x, y = panels.setdefault(one.quantity, ([], []))
        x.append(one.at)
        y.append(round(one.difference, 3))
    for number, ((sample, temperature), panels) in enumerate(found.items()):
        symbol = _SYMBOLS[number // 2 % len(_SYMBOLS)] + ("-open" if number % 2 else "")
        name = f"{sample}, {temperature}"
        shared = {"type": "scatter", "marker": {"symbol": symbol}, "name": name, "legendgroup": name}
        for quantity, _, axis in _PANELS:
            x, y = panels.get(quantity, ([], []))
            yield {**shared, "x": x, "y": y, "yaxis": axis, "showlegend": axis == "y"}


def _limits(widest: Mapping[str, float]) -> Iterator[dict[str, Any]]:
    for quantity, _, axis in _PANELS:
        if limit := round(widest[quantity], 4):
            ends = {"x0": 0, "x1": 1, "xref": "paper", "y0": -limit, "y1": limit, "yref": axis}
            yield {"type": "rect", "fillcolor": BAND, "line": EDGE, "layer": "below", **ends}


def _caption(checks: Sequence[_Check], instrument: str) -> str:
    shares = [abs(one.difference) / one.allowed for one in checks]
    beyond = sum(one > 1.0 for one in shares)
    outcome = "none beyond its limit" if not beyond else f"{beyond} beyond the limit"
    return (
        f"Reference oils on {instrument} in the 30 days before this run, measured minus certified: "
        f"{len({one.run for one in checks})} checks, {outcome}, the furthest at {percent(max(shares), 0)} of its "
        "limit. Grey: the widest limit."
    )


def _numbers(checks: Sequence[_Check]) -> Numbers:
    labels = [at_celsius(_OF_PANELS[one.quantity], one.temperature_C) for one in checks]
    columns = tuple(dict.fromkeys(labels))
    cells: dict[tuple[str, str, str], dict[str, str]] = {}
    began: dict[str, str] = {}
    for one, label in zip(checks, labels, strict=True):
        checked = cells.setdefault((began.setdefault(one.run, one.at), str(one.sample), str(one.lot)), {})
        checked[label] = signed(one.difference, 3)
    rows = tuple((*about, *(found.get(column, "–") for column in columns)) for about, found in cells.items())
    return ("Measured at", "Reference oil", "Lot", *columns), rows
