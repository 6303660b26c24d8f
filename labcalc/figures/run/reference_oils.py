"""The reference oils of an instrument over time, and where in it a run lies."""

from collections.abc import Iterator
from typing import Any

import pandas as pd

from labcalc.figures.picture import Numbers, Picture
from labcalc.figures.theme import ACCENT, BAND, EDGE, INK, MUTED, blank_figure, marker, stroke
from labcalc.wording import at_celsius, celsius, percent, signed

_SYMBOLS = ("circle", "square", "diamond", "triangle-up", "cross", "star")
_PANELS = (("kinematic viscosity", "Viscosity, %", "y"), ("density", "Density, kg/m³", "y2"))
_SIDES = {"zeroline": True, "zerolinecolor": MUTED, "hoverformat": "+.3f"}
_THIS_RUN = {"text": "this run", "showarrow": False, "xanchor": "right", "font": {"color": ACCENT}}
_LOOK = {
    "mode": "lines+markers",
    "line": stroke(MUTED, width=0.8),
    "marker": marker("circle", INK, 7),
    "hovertemplate": "%{fullData.name}<br>%{x}: %{y}<extra></extra>",
}
"""What all series share."""


def draw_reference_history(comparisons: pd.DataFrame, instrument: str, run_at: pd.Timestamp) -> Picture | None:
    """Draw how far the reference oils were from their certified values, with a line at the run; None without any.

    comparisons : Reference-oil results beside their certified values (``COMPARISON_COLUMNS``), in the order of time.
    instrument : Name of the instrument, for the caption.
    run_at : When the run was measured.
    Returns : Two panels, one above the other: viscosity [%] and density [kg/m³].
    """
    known = comparisons.dropna(subset=["certified"])
    known = known[known["quantity"].isin([quantity for quantity, *_ in _PANELS])]
    if known.empty:
        return None
    at = known["measured_at"].dt.strftime("%Y-%m-%d %H:%M")
    allowed = known["limit"].where(known["quantity"] == "density", 100.0 * known["limit"] / known["certified"])
    known = known.assign(difference=_difference(known), allowed=allowed, at=at)
    widest = known.assign(furthest=known["difference"].abs()).groupby("quantity")[["allowed", "furthest"]].max()
    ranges = {str(name): {"range": [-reach, reach]} for name, reach in (1.3 * widest.max(axis=1)).round(4).items()}
    at_the_run = {"x0": run_at, "x1": run_at, "xref": "x", "y0": 0, "y1": 1, "yref": "paper"}
    figure = blank_figure(
        "",
        _PANELS[0][1],
        height=315,
        shapes=(*_limits(widest["allowed"]), {"type": "line", "line": stroke(ACCENT, "dash"), **at_the_run}),
        annotations=({"x": run_at, "xref": "x", "y": 1.0, "yref": "paper", **_THIS_RUN},),
        xaxis={"anchor": "y2", "type": "date"},
        yaxis={"domain": [0.54, 1.0], **_SIDES, **ranges.get("kinematic viscosity", {})},
        yaxis2={
            "domain": [0.0, 0.46],
            "title": {"text": _PANELS[1][1], "font": {"size": 12}},
            **_SIDES,
            **ranges.get("density", {}),
        },
    )
    figure.layout["template"]["data"] = {"scatter": [_LOOK]}
    figure.data = list(_series(known))
    return Picture(figure, _caption(known, instrument), *_numbers(known))


def _difference(known: pd.DataFrame) -> pd.Series:
    absolute = known["value"] - known["certified"]
    return absolute.where(known["quantity"] == "density", 100.0 * absolute / known["certified"])


def _series(known: pd.DataFrame) -> Iterator[dict[str, Any]]:
    """Yield a series for each oil and temperature in each panel; the two of one oil share a name in the legend."""
    found: dict[tuple[str, str], dict[str, tuple[list[str], list[float]]]] = {}
    each = zip(
        known["sample"], known["temperature_C"], known["quantity"], known["at"], known["difference"], strict=True
    )
    for sample, temperature, quantity, at, difference in each:
        panels = found.setdefault((sample, celsius(temperature)), {})
        x, y = panels.setdefault(quantity, ([], []))
        x.append(at)
        y.append(round(difference, 3))
    for number, ((sample, temperature), panels) in enumerate(found.items()):
        symbol = _SYMBOLS[number // 2 % len(_SYMBOLS)] + ("-open" if number % 2 else "")
        name = f"{sample}, {temperature}"
        shared = {"type": "scatter", "marker": {"symbol": symbol}, "name": name, "legendgroup": name}
        for quantity, _, axis in _PANELS:
            x, y = panels.get(quantity, ([], []))
            yield {**shared, "x": x, "y": y, "yaxis": axis, "showlegend": axis == "y"}


def _limits(widest: pd.Series) -> Iterator[dict[str, Any]]:
    """Yield the band of the widest limit in each panel that holds a result."""
    for quantity, _, axis in _PANELS:
        if quantity in widest:
            limit = round(float(widest[quantity]), 4)
            ends = {"x0": 0, "x1": 1, "xref": "paper", "y0": -limit, "y1": limit, "yref": axis}
            yield {"type": "rect", "fillcolor": BAND, "line": EDGE, "layer": "below", **ends}


def _caption(known: pd.DataFrame, instrument: str) -> str:
    share = (known["difference"].abs() / known["allowed"]).max()
    beyond = int((known["difference"].abs() > known["allowed"]).sum())
    outcome = "none beyond its limit" if not beyond else f"{beyond} beyond the limit"
    return (
        f"Reference oils on {instrument} in the 30 days before this run, measured minus certified: "
        f"{known['run'].nunique()} checks, {outcome}, the furthest at {percent(share, 0)} of its limit. "
        "Grey: the widest limit."
    )


def _numbers(known: pd.DataFrame) -> Numbers:
    units = {"kinematic viscosity": "ν, %", "density": "ρ, kg/m³"}
    labels = [at_celsius(units[q], c) for q, c in zip(known["quantity"], known["temperature_C"], strict=True)]
    columns = tuple(dict.fromkeys(labels))
    cells: dict[tuple[str, str, str], dict[str, str]] = {}
    began: dict[str, str] = {}
    each = zip(known["run"], known["at"], known["sample"], known["lot"], labels, known["difference"], strict=True)
    for run, at, sample, lot, label, difference in each:
        checked = cells.setdefault((began.setdefault(run, at), str(sample), str(lot)), {})
        checked[label] = signed(difference, 3)
    rows = tuple((*about, *(found.get(column, "–") for column in columns)) for about, found in cells.items())
    return ("Measured at", "Reference oil", "Lot", *columns), rows
