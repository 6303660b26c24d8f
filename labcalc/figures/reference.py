"""The reference oils of an instrument over time, and where in it a run lies."""

from __future__ import annotations

from functools import lru_cache

import pandas as pd
import plotly.graph_objects as go

from labcalc.figures.markup import signed_text
from labcalc.figures.picture import Picture
from labcalc.figures.theme import ACCENT, BAND, INK, MUTED, blank_figure, marker, stroke

__all__ = ["draw_reference_history"]

_SYMBOLS = ("circle", "square", "diamond", "triangle-up", "cross", "star")
_PANELS = (
    ("kinematic viscosity", "Viscosity, %", "y"),
    ("density", "Density, kg/m³", "y2"),
)


def draw_reference_history(comparisons: pd.DataFrame, instrument: str, run_at: pd.Timestamp) -> Picture | None:
    """Draw how far the reference oils were from their certified values, with a line at the run; None without any.

    Parameters
    ----------
    comparisons : pandas.DataFrame
        Reference-oil results beside their certified values (``COMPARISON_COLUMNS``), in the order of time.
    instrument : str
        Name of the instrument, for the caption.
    run_at : pandas.Timestamp
        When the run was measured.

    Returns
    -------
    Picture or None
        Two panels, one above the other: viscosity [%] and density [kg/m³].
    """
    known = comparisons.dropna(subset=["certified"])
    known = known[known["quantity"].isin([quantity for quantity, *_ in _PANELS])]
    if known.empty:
        return None
    at = known["measured_at"].dt.strftime("%Y-%m-%d %H:%M")
    known = known.assign(difference=_difference(known), allowed=_allowed(known), at=at)
    figure = blank_figure(
        "",
        _PANELS[0][1],
        height=480,
        xaxis={"anchor": "y2", "type": "date"},
        yaxis={"domain": [0.54, 1.0], "zeroline": True, "zerolinecolor": MUTED},
        yaxis2={
            "domain": [0.0, 0.46],
            "zeroline": True,
            "zerolinecolor": MUTED,
            "title": {"text": _PANELS[1][1], "standoff": 8},
        },
    )
    figure.layout.template = _look()
    series = list(dict.fromkeys(zip(known["sample"], known["temperature_C"], strict=True)))
    for quantity, _, axis in _PANELS:
        panel = known[known["quantity"] == quantity]
        for number, (sample, temperature) in enumerate(series):
            rows = panel[(panel["sample"] == sample) & (panel["temperature_C"] == temperature)]
            _add_series(figure, rows, f"{sample}, {temperature:g} °C", number, axis, shown=axis == "y")
        if not panel.empty:
            _add_limits(figure, float(panel["allowed"].max()), float(panel["difference"].abs().max()), axis)
    figure.add_shape(type="line", x0=run_at, x1=run_at, xref="x", y0=0, y1=1, yref="paper", line=stroke(ACCENT, "dash"))
    figure.add_annotation(
        x=run_at,
        xref="x",
        y=1.0,
        yref="paper",
        text="this run",
        showarrow=False,
        xanchor="right",
        font={"color": ACCENT},
    )
    return Picture(figure, _caption(known, instrument), *_numbers(known))


def _difference(known: pd.DataFrame) -> pd.Series:
    absolute = known["value"] - known["certified"]
    return absolute.where(known["quantity"] == "density", 100.0 * absolute / known["certified"])


def _allowed(known: pd.DataFrame) -> pd.Series:
    return known["limit"].where(known["quantity"] == "density", 100.0 * known["limit"] / known["certified"])


def _add_series(figure: go.Figure, rows: pd.DataFrame, name: str, number: int, axis: str, *, shown: bool) -> None:
    figure.add_scatter(
        x=rows["at"].tolist(),
        y=[round(one, 3) for one in rows["difference"]],
        marker={"symbol": _SYMBOLS[number // 2 % len(_SYMBOLS)] + ("-open" if number % 2 else "")},
        name=name,
        legendgroup=name,
        showlegend=shown,
        yaxis=axis,
    )


@lru_cache(maxsize=1)
def _look() -> go.layout.Template:
    """Return what all series share, so that it stands in the figure once."""
    series = go.Scatter(
        mode="lines+markers",
        line=stroke(MUTED, width=0.8),
        marker=marker("circle", INK, 7),
        hovertemplate="%{fullData.name}<br>%{x}: %{y:+.3f}<extra></extra>",
    )
    return go.layout.Template(data={"scatter": [series]})


def _add_limits(figure: go.Figure, limit: float, furthest: float, axis: str) -> None:
    reach = 1.3 * max(limit, furthest)
    figure.layout[axis.replace("y", "yaxis")].range = [-reach, reach]
    figure.add_shape(
        type="rect",
        x0=0,
        x1=1,
        xref="paper",
        y0=-limit,
        y1=limit,
        yref=axis,
        fillcolor=BAND,
        line={"width": 0},
        layer="below",
    )


def _caption(known: pd.DataFrame, instrument: str) -> str:
    share = (known["difference"].abs() / known["allowed"]).max()
    beyond = int((known["difference"].abs() > known["allowed"]).sum())
    outcome = "none beyond its limit" if not beyond else f"{beyond} beyond the limit"
    return (
        f"Reference oils on {instrument} in the 30 days before this run, measured minus certified: "
        f"{known['run'].nunique()} checks, {outcome}, the furthest at {share:.0%} of its limit. "
        "Grey: the widest limit."
    )


def _numbers(known: pd.DataFrame) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    units = {"kinematic viscosity": "ν, %", "density": "ρ, kg/m³"}
    labels = [f"{units[q]} at {c:g} °C" for q, c in zip(known["quantity"], known["temperature_C"], strict=True)]
    columns = tuple(dict.fromkeys(labels))
    cells: dict[tuple[str, str, str], dict[str, str]] = {}
    began: dict[str, str] = {}
    each = zip(known["run"], known["at"], known["sample"], known["lot"], labels, known["difference"], strict=True)
    for run, at, sample, lot, label, difference in each:
        checked = cells.setdefault((began.setdefault(run, at), str(sample), str(lot)), {})
        checked[label] = signed_text(difference)
    rows = tuple((*about, *(found.get(column, "–") for column in columns)) for about, found in cells.items())
    return ("Measured at", "Reference oil", "Lot", *columns), rows
