"""Control charts: results, moving average and certified band above, moving ranges beneath; told apart by shape."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from labcalc.figures.control.marks import about_instrument, chart_marks
from labcalc.figures.control.traces import chart_traces, points
from labcalc.figures.grid import Trace
from labcalc.figures.picture import Numbers, Picture
from labcalc.figures.theme import INK, MUTED, blank_figure, marker, stroke
from labcalc.judgement import Chart, Month, earlier_words
from labcalc.lab import Decision
from labcalc.wording import counted, numeral, signed


def draw_control_chart(chart: Chart, month: Month) -> Picture:
    """Draw the twelve months of a chart up to the end of a month.

    Parameters
    ----------
    chart : Chart
        The chart.
    month : Month
        The month that is reported on; a line marks its beginning.

    Returns
    -------
    Picture
        Results with their EWMA and limits, and beneath them the moving ranges, [unit of the chart]; its table holds
        the month, and what signals or was decided about before.
    """
    drawn = month.twelve_months
    shown = chart.between(drawn.first, drawn.last)
    figure = blank_figure(
        "",
        f"{'Result' if np.isnan(chart.certified) else 'Difference'}, {chart.unit}",
        height=340,
        xaxis={"anchor": "y2", "type": "date", "mirror": "all"},
        yaxis={"domain": [0.36, 1.0], "range": _reach(chart, shown)},
        yaxis2={"domain": [0.0, 0.26], "rangemode": "tozero", "title": {"text": f"Range, {chart.unit}", "standoff": 8}},
    )
    figure.layout.margin.r = 84
    at = chart.measured_at.strftime("%Y-%m-%d %H:%M").to_numpy()
    figure.add_traces([*chart_traces(chart, at, shown), *_ranges(chart, at, shown)])
    marks = chart_marks(chart, month, at, shown)
    # All at once: plotly checks every mark again with each one that is added.
    figure.layout.shapes, figure.layout.annotations = marks.shapes, marks.annotations
    return Picture(figure, _caption(chart, month), *_numbers(chart, at, shown, month))


def _reach(chart: Chart, shown: NDArray[np.bool_]) -> list[float]:
    """Return an axis that holds every point, the limits and the certified band."""
    values = [*chart.plotted[shown].tolist()]
    if chart.limits is not None:
        values += [chart.limits.lower, chart.limits.upper]
    if not np.isnan(chart.certified) and not np.isnan(chart.certified_uncertainty):
        values += [-chart.certified_uncertainty, chart.certified_uncertainty]
    margin = 0.08 * (max(values) - min(values)) or 1.0
    return [min(values) - margin, max(values) + margin]


def _ranges(chart: Chart, at: NDArray[np.object_], shown: NDArray[np.bool_]) -> Iterator[Trace]:
    ranges = chart.moving_ranges
    look = {"line": stroke(MUTED, width=0.7), "marker": marker("circle", INK, 5)}
    known = shown & np.isfinite(ranges)
    yield from points(at, ranges, known, "range", mode="lines+markers", showlegend=False, yaxis="y2", **look)


def _caption(chart: Chart, month: Month) -> str:
    inside = chart.between(month.first, month.last)
    head = f"{chart.instrument}, {chart.name}: {counted(int(inside.sum()), 'result')} in {month.name}"
    if chart.limits is None:
        return f"{head}; no limits: {chart.no_limits}."
    signals = [one for one in chart.signals if inside[one.position]]
    said = counted(len(signals), "signal") if signals else "no signal"
    ranges = chart.moving_ranges[inside]
    wide = int((ranges > chart.limits.moving_range_upper).sum())
    limits = chart.limits
    band = "" if np.isnan(chart.certified_uncertainty) else " Grey: expanded uncertainty of the certified value."
    provisional = ", provisional" if limits.provisional else ""
    centre, lower, upper = (signed(one, 3) for one in (limits.centre, limits.lower, limits.upper))
    return (
        f"{head}, {said}, {counted(wide, 'moving range')} beyond the limit. "
        f"Centre {centre} {chart.unit}, limits {lower} to {upper}, from "
        f"{counted(limits.number, 'result')} ({chart.baseline}){provisional}; "
        f"constants: {limits.constants.name}.{band} {earlier_words([chart], month.twelve_months.first)}".rstrip()
    )


def _numbers(chart: Chart, at: NDArray[np.object_], shown: NDArray[np.bool_], month: Month) -> Numbers:
    average, inside = chart.averages, chart.between(month.first, month.last)
    signals = {one.position: one.what for one in chart.signals}
    decided: dict[int, list[str]] = {}
    for number, (place, one) in enumerate(chart.decisions, 1):
        decided.setdefault(place, []).append(_decision(number, one))
    ranges = chart.moving_ranges
    rows = tuple(
        (
            str(at[place]),
            chart.runs[place],
            *(signed(one, 3) for one in (chart.plotted[place], average[place])),
            numeral(ranges[place], 3),
            _part(chart, place),
            signals.get(place, ""),
            "; ".join(decided.get(place, ())),
        )
        for place in np.flatnonzero(shown).tolist()
        if inside[place] or place in signals or place in decided
    )
    rows += tuple(
        (when, "", "–", "–", "–", "instrument", "", _decision(number, one))
        for number, when, one in about_instrument(chart, month)
    )
    unit = chart.unit
    columns = (f"Result, {unit}", f"EWMA, {unit}", f"Moving range, {unit}", "Part", "Signal", "Decision")
    return ("Measured at", "Run", *columns), rows


def _decision(number: int, one: Decision) -> str:
    return f"D{number} {one.what}, {one.who}, {one.when:%Y-%m-%d}: {one.why}"


def _part(chart: Chart, place: int) -> str:
    if not chart.used[place]:
        return "excluded"
    return "baseline" if chart.in_baseline[place] else "result"
