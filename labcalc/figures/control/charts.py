"""A control chart: results, moving average and certified band above, moving ranges beneath; told apart by shape."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from labcalc.figures.control.grid import Trace, draw_grid
from labcalc.figures.control.traces import begin_of, chart_traces, instrument_actions, levels, points, upright_lines
from labcalc.figures.picture import Numbers, Picture
from labcalc.figures.theme import BAND, INK, MUTED, marker, stroke
from labcalc.judgement import Chart, Month, earlier_words
from labcalc.lab import Decision
from labcalc.wording import counted, numeral, signed


def draw_control_chart(chart: Chart, month: Month) -> Picture:
    """Draw the twelve months of a chart up to the end of a month, [unit of the chart].

    The table holds the month, and what signals or was decided about before.
    """
    shown = chart.between(month.twelve_months.first, month.last)
    at = chart.measured_at.strftime("%Y-%m-%d %H:%M").to_numpy()
    panels = {
        f"{'Result' if np.isnan(chart.certified) else 'Difference from the certified value'}, {chart.unit}": [
            *_band(chart, at[shown]),
            *levels(chart, at[shown]),
            *chart_traces(chart, at, shown),
            *_decisions(chart, at, shown),
        ],
        f"Moving range, {chart.unit}": _ranges(chart, at, shown),
    }
    upright = upright_lines([chart], month)
    figure = draw_grid(panels, begin_of([chart], month), 1, upright=upright, legend=True)
    return Picture(figure, _caption(chart, month), *_numbers(chart, at, shown, month))


def _band(chart: Chart, at: NDArray[np.object_]) -> Iterator[Trace]:
    reach = chart.certified_uncertainty
    if not np.isnan(chart.certified) and not np.isnan(reach):
        corners = {"x": [at[0], at[-1], at[-1], at[0]], "y": [-reach, -reach, reach, reach]}
        look = {"fill": "toself", "fillcolor": BAND, "line": {"width": 0}, "mode": "lines"}
        yield {"type": "scatter", **corners, **look, "hoverinfo": "skip", "showlegend": False}


def _decisions(chart: Chart, at: NDArray[np.object_], shown: NDArray[np.bool_]) -> Iterator[Trace]:
    for number, (place, _) in enumerate(chart.decisions, 1):
        flags = shown & (np.arange(shown.size) == place)
        text = {"text": [f"D{number}"], "textposition": "top center", "showlegend": False}
        yield from points(at, chart.plotted, flags, "decision", mode="text", **text)


def _ranges(chart: Chart, at: NDArray[np.object_], shown: NDArray[np.bool_]) -> Iterator[Trace]:
    ranges = chart.moving_ranges
    look = {"line": stroke(MUTED, width=0.7), "marker": marker("circle", INK, 5), "showlegend": False}
    known = shown & np.isfinite(ranges)
    yield from points(at, ranges, known, "range", mode="lines+markers", **look)
    if chart.limits is not None:
        limit = np.full(shown.size, chart.limits.moving_range_upper)
        yield from points(at, limit, known, "limit", mode="lines", line=stroke(INK), showlegend=False)


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
        f"{counted(limits.number, 'result')} ({chart.limits_rest_on}){provisional}; "
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
        (f"{when:%Y-%m-%d %H:%M}", "", "–", "–", "–", "instrument", "", _decision(number, one))
        for number, (when, one) in enumerate(instrument_actions([chart], month), len(chart.decisions) + 1)
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
