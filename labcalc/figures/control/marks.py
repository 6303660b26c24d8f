"""Lines, bands and labels of a control chart: limits, certified band, the month's beginning, decisions."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from labcalc.figures.theme import ACCENT, BAND, INK, MUTED, stroke
from labcalc.judgement import Chart, Month
from labcalc.lab import Decision

_BETWEEN_PANELS = 0.31
"""Height of the gap between results and moving ranges, as a share of the figure's."""


@dataclass
class Marks:
    """Shapes and annotations, in plotly's words."""

    shapes: list[dict[str, Any]] = field(default_factory=list)
    annotations: list[dict[str, Any]] = field(default_factory=list)

    def level(self, value: float, name: str, line: dict[str, Any], axis: str = "y") -> None:
        """Add a level line across the figure, named at its right end."""
        across = {"type": "line", "x0": 0, "x1": 1, "xref": "paper"}
        self.shapes.append({**across, "y0": value, "y1": value, "yref": axis, "line": line})
        if name:
            place = {"x": 1.0, "xref": "paper", "y": value, "yref": axis, "xanchor": "left", "yanchor": "middle"}
            self._label(place, name, MUTED, 11)

    def moment(self, when: str, name: str, line: dict[str, Any], color: str) -> None:
        """Add an upright line through both panels, named between them."""
        self.shapes.append(
            {"type": "line", "x0": when, "x1": when, "xref": "x", "y0": 0, "y1": 1, "yref": "paper", "line": line}
        )
        self._label({"x": when, "xref": "x", "y": _BETWEEN_PANELS, "yref": "paper", "xanchor": "left"}, name, color, 11)

    def band(self, reach: float) -> None:
        """Add a grey band around zero."""
        across = {"type": "rect", "x0": 0, "x1": 1, "xref": "paper", "y0": -reach, "y1": reach, "yref": "y"}
        self.shapes.append({**across, "fillcolor": BAND, "line": {"width": 0}, "layer": "below"})

    def point(self, when: str, value: float, name: str) -> None:
        """Name a point from above."""
        arrow = {"ax": 0, "ay": -26, "arrowwidth": 1, "arrowhead": 0, "arrowcolor": MUTED}
        self.annotations.append({"x": when, "y": value, "xref": "x", "yref": "y", "text": name, **arrow})

    def _label(self, place: dict[str, Any], text: str, color: str, size: int) -> None:
        self.annotations.append({**place, "text": text, "showarrow": False, "font": {"size": size, "color": color}})


def chart_marks(chart: Chart, month: Month, at: NDArray[np.object_], shown: NDArray[np.bool_]) -> Marks:
    """Return the marks of a chart up to the end of a month; ``at`` are the times of its results as text."""
    marks = Marks()
    _add_levels(marks, chart)
    if month.first > chart.measured_at[0]:
        marks.moment(month.first.strftime("%Y-%m-%d"), month.name, stroke(MUTED, "dash", 1.0), MUTED)
    for number, (place, _) in enumerate(chart.decisions, 1):
        if shown[place]:
            marks.point(str(at[place]), float(chart.plotted[place]), f"D{number}")
    for number, when, _ in about_instrument(chart, month):
        marks.moment(when, f"D{number}", stroke(ACCENT, "dot", 1.2), ACCENT)
    return marks


def _add_levels(marks: Marks, chart: Chart) -> None:
    if not np.isnan(chart.certified_uncertainty) and not np.isnan(chart.certified):
        marks.band(chart.certified_uncertainty)
    if chart.limits is None:
        return
    marks.level(chart.limits.centre, "centre", stroke(INK, width=0.8))
    marks.level(chart.limits.upper, "upper limit", stroke(INK))
    marks.level(chart.limits.lower, "lower limit", stroke(INK))
    if chart.ewma is not None:
        marks.level(chart.ewma.upper, "EWMA limit", stroke(INK, "dot", 1.1))
        marks.level(chart.ewma.lower, "", stroke(INK, "dot", 1.1))
    marks.level(chart.limits.moving_range_upper, "limit", stroke(INK), "y2")


def about_instrument(chart: Chart, month: Month) -> list[tuple[int, str, Decision]]:
    """Return number, time and decision of those about the instrument, as far as the chart reaches."""
    since = max(chart.measured_at[0], month.twelve_months.first)
    reached = [one for one in chart.instrument_decisions if since <= one.when < month.last]
    return [
        (number, one.when.astimezone(month.first.tz).strftime("%Y-%m-%d %H:%M"), one)
        for number, one in enumerate(reached, len(chart.decisions) + 1)
    ]
