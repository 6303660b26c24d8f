"""All control charts of an instrument on one sheet, small and alike, lots on one axis of time; and all together."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.figures.picture import Numbers, Picture
from labcalc.figures.theme import ACCENT, INK, MUTED, blank_figure, marker, stroke
from labcalc.judgement import Chart, Month, Panel, Period, Stream, earlier_words
from labcalc.wording import counted, signed

_COLUMNS = 2
_PANEL, _GAP, _FOOT, _HEAD = 72, 26, 26, 20
"""Heights in pixels: of a panel, of its title, of the axis beneath the last, above the first."""
_LEFT, _RIGHT = (0.0, 0.455), (0.545, 1.0)
_LETTERS = {"kinematic viscosity": "ν", "density": "ρ"}
_LONGEST = 18
"""Letters of an oil's name in a title, [-]."""
_LOTS = ("circle", "triangle-up", "square")
"""Shapes that tell lots apart, in turn."""

_HOW = (
    "Full marks are results, hollow ones set the limits, another shape is another lot; the line is the moving average, "
    "dotted are its limits. Diamonds and squares are signals of a result and of the average."
)


def draw_sheet(panels: Sequence[Panel], together: Sequence[Stream], charts: Sequence[Chart], month: Month) -> Picture:
    """Draw the charts of an instrument side by side.

    Parameters
    ----------
    panels : sequence of Panel
        Those with a result in the period.
    together : sequence of Stream
        Its charts of each quantity together, a panel more each.
    charts : sequence of Chart
        All that the instrument ever had: what lies before the period is told in a line.
    month : Month
        The month that is reported on, a line marks its beginning; the twelve months to its end are drawn.

    Returns
    -------
    Picture
        A panel an oil, quantity and temperature, [unit of its charts]; the table holds the month's results.
    """
    drawn = month.twelve_months
    shared = _shared_words([panel.first.oil for panel in panels])
    titles = [*(_title(panel, shared) for panel in panels), *map(_title_together, together)]
    traces = [one for at, panel in enumerate(panels) for one in _panel_traces(panel, drawn, *_axes(at))]
    for at, stream in enumerate(together, len(panels)):
        traces += _together_traces(stream, drawn, *_axes(at))
    figure = blank_figure(
        x_title="",
        y_title="",
        height=_height(len(titles)),
        shapes=tuple(_marks(panels, month, drawn)),
        annotations=tuple(_titles(titles)),
        **_layout_axes(len(titles), _begin(panels, drawn), drawn.last),
    )
    figure.layout.margin = {"l": 42, "r": 8, "t": _HEAD, "b": _FOOT}
    figure.layout.showlegend = False
    caption = _caption(panels, charts, month, bool(together))
    figure.add_traces(traces)
    return Picture(figure, caption, *_numbers(panels, month))


def _shared_words(oils: Sequence[str]) -> int:
    """Return how many first words all oils share: a title leaves them out."""
    words = [one.split() for one in dict.fromkeys(oils)]
    same = [len(set(some)) == 1 for some in zip(*words, strict=False)]
    return [*same, False].index(False) if len(words) > 1 else 0


def _title(panel: Panel, shared: int) -> str:
    first, oil = panel.first, " ".join(panel.first.oil.split()[shared:]) or panel.first.oil
    oil = oil if len(oil) <= _LONGEST else f"{oil[: _LONGEST - 1]}…"
    return f"{oil}, {first.temperature_C:g} °C, {_LETTERS.get(first.quantity, first.quantity)} {first.unit}"


def _title_together(stream: Stream) -> str:
    return f"All together, {_LETTERS.get(stream.quantity, stream.quantity)} {stream.charts[0].unit}"


def _axes(at: int) -> tuple[str, str]:
    """Return the axes of a panel: those of a column share one of time."""
    return ("x" if at % _COLUMNS == 0 else "x2"), ("y" if at == 0 else f"y{at + 1}")


def _rows(panels: int) -> int:
    return -(-panels // _COLUMNS)


def _height(panels: int) -> int:
    return _rows(panels) * (_PANEL + _GAP) - _GAP + _HEAD + _FOOT


def _domain(at: int, panels: int) -> list[float]:
    whole = _height(panels) - _HEAD - _FOOT
    top = 1.0 - at // _COLUMNS * (_PANEL + _GAP) / whole
    return [round(max(top - _PANEL / whole, 0.0), 5), round(top, 5)]


def _begin(panels: Sequence[Panel], drawn: Period) -> pd.Timestamp:
    """Return the first day of the month of the first result drawn."""
    first = min(one.measured_at[one.between(drawn.first, drawn.last)][0] for panel in panels for one in panel.charts)
    return pd.Timestamp(first).replace(day=1)


def _layout_axes(panels: int, first: pd.Timestamp, last_day: pd.Timestamp) -> dict[str, dict[str, Any]]:
    small, ends = {"tickfont": {"size": 10}}, [f"{first:%Y-%m-%d}", f"{last_day:%Y-%m-%d}"]
    step = "M2" if (last_day - first).days > 190 else "M1"
    time = {"type": "date", "mirror": "all", "dtick": step, "tickformat": "%b", "tick0": ends[0], "range": ends}
    last = (panels - 1) // _COLUMNS * _COLUMNS
    axes: dict[str, dict[str, Any]] = {"xaxis": {**time, **small, "domain": _LEFT, "anchor": _axes(last)[1]}}
    if panels > 1:
        below = last + 1 if last + 1 < panels else last - 1
        axes["xaxis2"] = {**time, **small, "domain": _RIGHT, "anchor": _axes(below)[1]}
    for at in range(panels):
        x, y = _axes(at)
        axes[f"yaxis{y[1:]}"] = {**small, "domain": _domain(at, panels), "anchor": x, "nticks": 4}
    return axes


def _titles(titles: Sequence[str]) -> Iterator[dict[str, Any]]:
    for at, title in enumerate(titles):
        place = {
            "x": (_LEFT, _RIGHT)[at % _COLUMNS][0],
            "y": _domain(at, len(titles))[1],
            "xref": "paper",
            "yref": "paper",
        }
        yield {**place, "text": title, "font": {"size": 11}, "showarrow": False, "xanchor": "left", "yanchor": "bottom"}


def _marks(panels: Sequence[Panel], month: Month, drawn: Period) -> Iterator[dict[str, Any]]:
    """Yield upright lines: the month's beginning, and corrective actions on the instrument."""
    lines = [
        (month.first, stroke(MUTED, "dash", 0.8)),
        *((at, stroke(ACCENT, "dot", 1.0)) for at in _actions(panels, drawn)),
    ]
    for moment, line in lines:
        for x in ("x", "x2")[: len(panels)]:
            across = {"type": "line", "xref": x, "yref": "paper", "y0": 0, "y1": 1, "line": line}
            yield {**across, "x0": f"{moment:%Y-%m-%d %H:%M}", "x1": f"{moment:%Y-%m-%d %H:%M}"}


def _actions(panels: Sequence[Panel], drawn: Period) -> list[Any]:
    decided = {one.when for panel in panels for chart in panel.charts for one in chart.instrument_decisions}
    return sorted(when.astimezone(drawn.first.tz) for when in decided if drawn.first <= when < drawn.last)


def _panel_traces(panel: Panel, drawn: Period, x: str, y: str) -> Iterator[dict[str, Any]]:
    on = {"type": "scatter", "xaxis": x, "yaxis": y, "hoverinfo": "x+y+name"}
    for number, chart in enumerate(panel.charts):
        inside = chart.between(drawn.first, drawn.last)
        days = chart.measured_at.strftime("%Y-%m-%d").to_numpy()
        yield from _limit_traces(chart, days[inside], on)
        shape, name = _LOTS[number % len(_LOTS)], chart.lot or "result"
        kinds = (
            (name, chart.used & ~chart.in_baseline, marker(shape, MUTED, 3)),
            (f"{name}, sets the limits", chart.in_baseline, marker(shape, MUTED, 4, filled=False)),
            ("excluded by a decision", ~chart.used, marker("x-thin", MUTED, 6)),
        )
        for said, which, style in kinds:
            yield from _points(days, chart.plotted, inside & which, said, style, on)
        yield from _average_and_signals(chart, inside, days, on)


def _limit_traces(chart: Chart, days: NDArray[np.object_], on: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Yield centre, limits and those of the moving average, from the first result drawn of a lot to its last."""
    limits, ewma = chart.limits, chart.ewma
    if limits is None:
        return
    ends = [days[0], days[-1], None]
    levels = [([limits.centre], stroke(MUTED, width=0.7)), ([limits.lower, limits.upper], stroke(INK, width=1.1))]
    if ewma is not None:
        levels.append(([ewma.lower, ewma.upper], stroke(INK, "dot", 0.9)))
    for values, line in levels:
        heights = [height for value in values for height in (round(value, 4), round(value, 4), None)]
        yield {**on, "x": ends * len(values), "y": heights, "mode": "lines", "line": line, "hoverinfo": "skip"}


def _average_and_signals(
    chart: Chart, inside: NDArray[np.bool_], days: NDArray[np.object_], on: dict[str, Any]
) -> Iterator[dict[str, Any]]:
    average = chart.averages
    line = inside & chart.used
    if chart.ewma is not None:
        curve = {"x": days[line].tolist(), "y": average[line].round(4).tolist()}
        yield {**on, **curve, "mode": "lines", "line": stroke(INK, width=1.2), "name": "EWMA"}
    for values, of_ewma, shape in ((chart.plotted, False, "diamond"), (average, True, "square")):
        flags = np.zeros(inside.size, bool)
        flags[[one.position for one in chart.signals if (one.ewma if of_ewma else one.rules)]] = True
        yield from _points(days, values, inside & flags, "signal", marker(shape, ACCENT, 8, filled=False), on)


def _points(
    days: NDArray[np.object_],
    values: NDArray[np.float64],
    which: NDArray[np.bool_],
    name: str,
    style: dict[str, Any],
    on: dict[str, Any],
) -> Iterator[dict[str, Any]]:
    if which.any():
        at = {"x": days[which].tolist(), "y": values[which].round(4).tolist()}
        yield {**on, **at, "mode": "markers", "marker": style, "name": name}


def _together_traces(stream: Stream, drawn: Period, x: str, y: str) -> Iterator[dict[str, Any]]:
    on = {"type": "scatter", "xaxis": x, "yaxis": y, "hoverinfo": "x+y+name"}
    first, last = (one.tz_convert(None).to_datetime64() for one in (drawn.first, drawn.last))
    inside = (stream.moments >= first) & (stream.moments < last)
    days = stream.moments.astype("datetime64[D]").astype(str).astype(object)
    yield from _points(days, stream.away, inside, "mean of a day", marker("circle", MUTED, 3, filled=False), on)
    mean = {"x": days[inside].tolist(), "y": stream.means[inside].round(4).tolist()}
    yield {**on, **mean, "mode": "lines", "line": stroke(INK, width=1.1), "name": "clearest mean"}
    stops = marker("diamond", ACCENT, 7)
    yield from _points(days, stream.means, inside & stream.stops, "has moved", stops, on)


def _caption(panels: Sequence[Panel], charts: Sequence[Chart], month: Month, grouped: bool) -> str:
    drawn = month.twelve_months
    inside = [one for panel in panels for one in panel.charts if one.between(month.first, month.last).any()]
    signals = sum(month.first <= one.measured_at < month.last for chart in inside for one in chart.signals)
    results = sum(int(one.between(month.first, month.last).sum()) for one in inside)
    actions = [f"{when:%Y-%m-%d}" for when in _actions(panels, drawn)]
    return " ".join(
        filter(
            None,
            (
                f"{panels[0].first.instrument}, the twelve months to {month.name}: {counted(results, 'result')} on "
                f"{counted(len(inside), 'chart')} in the month, {counted(signals, 'signal')}.",
                _HOW,
                "Together: rings are means of a day, the line the mean over as many days as tell most, a full diamond "
                "where that stops the instrument."
                if grouped
                else "",
                f"Upright and dotted: corrective action, {', '.join(actions)}." if actions else "",
                earlier_words(charts, drawn.first),
            ),
        )
    )


def _numbers(panels: Sequence[Panel], month: Month) -> Numbers:
    rows = tuple(row for panel in panels for chart in panel.charts for row in _chart_rows(chart, month))
    return ("Measured at", "Run", "Chart", "Result", "EWMA", "Unit", "Signal"), rows


def _chart_rows(chart: Chart, month: Month) -> Iterator[tuple[str, ...]]:
    signals, average = {one.position: one.what for one in chart.signals}, chart.averages
    for place in np.flatnonzero(chart.between(month.first, month.last)).tolist():
        values = (signed(one, 3) for one in (chart.plotted[place], average[place]))
        when = f"{chart.measured_at[place]:%Y-%m-%d %H:%M}"
        yield (when, chart.runs[place], chart.name, *values, chart.unit, signals.get(place, ""))
