"""Pictures of repeats: in time as a share of their limit, and first minus second against the level."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from labcalc.figures.picture import Picture
from labcalc.figures.theme import ACCENT, BAND, INK, MUTED, blank_figure, marker, stroke
from labcalc.judgement import DuplicateReport, LevelStudy, figures_of

_REACH = 2.5
"""Where the axis of shares ends, in limits: what lies beyond stands at the edge with its number."""

_CONDITIONS = {
    "determinability": ("within a fill", marker("diamond", MUTED, 7, filled=False)),
    "repeatability": ("repeatability", marker("circle", INK, 7)),
    "intermediate precision": ("intermediate precision", marker("square", MUTED, 7, filled=False)),
}

_Rows = tuple[tuple[str, ...], ...]


def duplicate_pictures(report: DuplicateReport) -> tuple[Picture, ...]:
    """Return the repeats in time, a picture a quantity; none where nothing has a limit."""
    drawn = (draw_in_time(report, quantity) for quantity in report.sets["quantity"].unique())
    return tuple(one for one in drawn if one is not None)


def level_pictures(report: DuplicateReport) -> tuple[Picture, ...]:
    """Return first minus second against the level, a picture a quantity with pairs enough."""
    return tuple(draw_against_level(report, study) for study in report.levels)


def draw_in_time(report: DuplicateReport, quantity: str) -> Picture | None:
    """Draw how far repeats lie apart, as a share of their limit, in time.

    Parameters
    ----------
    report : DuplicateReport
        The period.
    quantity : str
        ``kinematic viscosity`` or ``density``.

    Returns
    -------
    Picture or None
        Signed shares, [-], first minus second; None where no set has a limit.
    """
    of_quantity = report.sets[report.sets["quantity"] == quantity].sort_values("ended", kind="stable")
    sets = of_quantity[of_quantity["limit"].notna()]
    if sets.empty:
        return None
    figure = blank_figure(
        "", "Apart, as a share of the limit", height=380, xaxis={"type": "date"}, yaxis={"range": [-_REACH, _REACH]}
    )
    for condition, (name, style) in _CONDITIONS.items():
        _add_shares(figure, sets[(sets["condition"] == condition) & ~sets["beyond"]], name, style)
    _add_shares(figure, sets[sets["beyond"]], "beyond its limit", marker("triangle-up", ACCENT, 11, filled=False))
    figure.layout.shapes = [_level(1.0, stroke(INK)), _level(-1.0, stroke(INK)), _level(0.0, stroke(MUTED, width=0.8))]
    figure.layout.annotations = _edge_labels(sets[sets["share"].abs() > _REACH])
    return Picture(figure, _caption_in_time(report, quantity, of_quantity, sets), *_numbers(of_quantity))


def _add_shares(figure: go.Figure, sets: pd.DataFrame, name: str, style: dict[str, Any]) -> None:
    if len(sets):
        figure.add_scatter(
            x=sets["ended"].dt.strftime("%Y-%m-%d %H:%M").tolist(),
            y=sets["share"].clip(-_REACH * 0.96, _REACH * 0.96).round(4).tolist(),
            text=[f"{row['sample']}, {row['temperature_C']:g} °C: {row['share']:+.2f}" for _, row in sets.iterrows()],
            hoverinfo="text+x",
            mode="markers",
            marker=style,
            name=name,
        )


def _level(value: float, line: dict[str, Any]) -> dict[str, Any]:
    across = {"type": "line", "x0": 0, "x1": 1, "xref": "paper", "yref": "y"}
    return {**across, "y0": value, "y1": value, "line": line, "layer": "below"}


def _edge_labels(far: pd.DataFrame) -> list[dict[str, Any]]:
    """Name what lies beyond the axis with its shares, those of a sample together."""
    return [
        {
            "x": f"{rows['ended'].iloc[0]:%Y-%m-%d %H:%M}",
            "y": _REACH * 0.96 if above else -_REACH * 0.96,
            "text": ", ".join(f"{share:+.0f}".replace("-", "−") for share in rows["share"]),
            "showarrow": False,
            "yshift": -16 if above else 16,
            "font": {"size": 11, "color": ACCENT},
        }
        for (_, above), rows in far.groupby([far["sample"], far["share"] > 0.0], sort=False)
    ]


def _caption_in_time(report: DuplicateReport, quantity: str, of_quantity: pd.DataFrame, sets: pd.DataFrame) -> str:
    beyond = sets[sets["beyond"]]
    worst = sets.iloc[int(sets["share"].abs().to_numpy().argmax())]
    missing = len(of_quantity) - len(sets)
    return (
        f"{quantity.capitalize()}, {report.about}: {len(beyond)} of {len(sets)} sets of repeats lie beyond their limit "
        f"(lines at 1 and −1: r, or R where conditions changed); the farthest, {worst['sample']} at "
        f"{worst['temperature_C']:g} °C on {worst['ended']:%Y-%m-%d}, {figures_of(abs(worst['share']))} times "
        "its limit. Above 0 the first result is the higher one."
        + (f" {missing} without a limit are in the table only." if missing else "")
    )


def _numbers(sets: pd.DataFrame) -> tuple[tuple[str, ...], _Rows]:
    rows = tuple(
        (
            f"{row['ended']:%Y-%m-%d %H:%M}",
            str(row["sample"]),
            f"{row['temperature_C']:g}",
            str(row["precision_class"]),
            f"{row['condition']}{': ' if row['changed'] else ''}{row['changed']}",
            str(row["number"]),
            figures_of(row["mean"], 5),
            figures_of(row["difference"], 3, signed=True),
            "–" if np.isnan(row["share"]) else f"{row['share']:+.2f}",
        )
        for _, row in sets.iterrows()
    )
    unit = "%" if (sets["quantity"] == "kinematic viscosity").all() else "kg/m³"
    columns = ("Last measured at", "Sample", "°C", "Class", "Conditions", "n", "Mean", f"First − second, {unit}")
    return (*columns, "Share of the limit"), rows


def draw_against_level(report: DuplicateReport, study: LevelStudy) -> Picture:
    """Draw first minus second against the mean, with the limits of agreement and what so few pairs know of them.

    Parameters
    ----------
    report : DuplicateReport
        The period.
    study : LevelStudy
        One of its quantities.

    Returns
    -------
    Picture
        Differences, [shown unit of the quantity]; grey: 95 % intervals of the limits and of the mean.
    """
    sets = report.sets[(report.sets["quantity"] == study.quantity) & (report.sets["condition"] == "repeatability")]
    wide = study.highest > 3.0 * study.lowest
    figure = blank_figure(
        f"{study.quantity.capitalize()}, {study.unit}",
        f"First − second, {study.shown_unit}",
        height=400,
        xaxis={"type": "log", "dtick": "D2"} if wide else {},
    )
    figure.layout.margin.r = 84
    for name, rows, style in (
        ("within r, or no r stated", sets[~sets["beyond"]], marker("circle", INK, 6)),
        ("beyond r", sets[sets["beyond"]], marker("triangle-up", ACCENT, 10, filled=False)),
    ):
        if len(rows):
            figure.add_scatter(
                x=rows["mean"].round(5).tolist(),
                y=rows["difference"].round(5).tolist(),
                text=rows["sample"].tolist(),
                mode="markers",
                marker=style,
                name=name,
            )
    _add_agreement(figure, study)
    return Picture(figure, _caption_of_level(report, study), *_numbers(sets))


def _add_agreement(figure: go.Figure, study: LevelStudy) -> None:
    found = study.agreement
    levels = (
        ("upper limit", found.upper, found.upper_interval, stroke(INK)),
        ("mean", found.mean, found.mean_interval, stroke(INK, "dash", 1.0)),
        ("lower limit", found.lower, found.lower_interval, stroke(INK)),
    )
    across = {"type": "rect", "x0": 0, "x1": 1, "xref": "paper", "yref": "y"}
    bands = [
        {**across, "y0": low, "y1": high, "fillcolor": BAND, "line": {"width": 0}, "layer": "below"}
        for _, _, (low, high), _ in levels
    ]
    figure.layout.shapes = [*bands, *(_level(value, line) for _, value, _, line in levels)]
    place = {"x": 1.0, "xref": "paper", "yref": "y", "xanchor": "left", "showarrow": False}
    figure.layout.annotations = [
        {**place, "y": value, "text": name, "font": {"size": 11, "color": MUTED}} for name, value, _, _ in levels
    ]


def _caption_of_level(report: DuplicateReport, study: LevelStudy) -> str:
    found, unit = study.agreement, study.shown_unit
    lower, mean, upper = (_signed(value) for value in (found.lower, found.mean, found.upper))
    low, order, high = (
        _signed(value) for value in (study.order.interval[0], study.order.mean, study.order.interval[1])
    )
    return (
        f"{study.quantity.capitalize()}, {report.about}: {found.number} pairs from {figures_of(study.lowest, 4)} to "
        f"{figures_of(study.highest, 4)} {study.unit}; mean difference {mean} {unit}, limits {lower} and {upper} "
        f"{unit}, standard error {figures_of(found.limit_error)} each. Over {study.order.number} pairs of fills first "
        f"minus second is {order} {unit} ({low} to {high}). {study.sentence[0].upper()}{study.sentence[1:]}."
    )


def _signed(value: float) -> str:
    return figures_of(value, signed=True)
