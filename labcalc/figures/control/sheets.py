"""Control charts, large, and all of an instrument's small on one sheet with lots on one axis of time."""

from collections.abc import Iterable, Iterator, Sequence
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from labcalc.figures.control import grid
from labcalc.figures.picture import ACCENT, BAND, EDGE, INK, MUTED, Numbers, Picture, marker, stroke
from labcalc.judgement import Chart, Month, Panel, Period, Stream, earlier_words
from labcalc.lab import Decision
from labcalc.wording import celsius, counted, numeral, signed

LETTERS = {"kinematic viscosity": "ν", "density": "ρ"}
_LONGEST = 18  # letters of an oil's name in a title, [-]
_LOTS = ("circle", "triangle-up", "square")  # shapes that tell lots apart, in turn
_HOW = (
    "Full marks are results, hollow ones set the limits, another shape is another lot; the line is the moving average, "
    "dotted are its limits. Diamonds and squares are signals of a result and of the average."
)
_TOGETHER = (
    "Together: rings are means of a day, the line the mean over as many days as tell most, a full diamond where that "
    "stops the instrument."
)


def draw_control_chart(chart: Chart, month: Month) -> Picture:
    """Draw the twelve months of a chart up to the end of a month, [unit of the chart].

    The table holds the month, and what signals or was decided about before.
    """
    shown = chart.between(month.twelve_months.first, month.last)
    at = chart.measured_at.strftime("%Y-%m-%d %H:%M").to_numpy()
    what = "Result" if np.isnan(chart.certified) else "Difference from the certified value"
    beneath = chain(_band(chart, at[shown]), grid.levels(chart, at[shown]))
    results = chain(beneath, grid.chart_traces(chart, at, shown), _decisions(chart, at, shown))
    panels = {f"{what}, {chart.unit}": results, f"Moving range, {chart.unit}": _ranges(chart, at, shown)}
    upright = grid.upright_lines([chart], month)
    figure = grid.draw_grid(panels, grid.begin_of([chart], month), 1, upright=upright, legend=True)
    return Picture(figure, _caption(chart, month), *_chart_numbers(chart, at, shown, month))


def _band(chart: Chart, at: NDArray[np.object_]) -> Iterator[grid.Trace]:
    reach = chart.certified_uncertainty
    if not np.isnan(chart.certified) and not np.isnan(reach):
        corners = {"x": [at[0], at[-1], at[-1], at[0]], "y": [-reach, -reach, reach, reach]}
        look = {"fill": "toself", "fillcolor": BAND, "line": EDGE, "mode": "lines", "hoverinfo": "skip"}
        yield {"type": "scatter", **corners, **look, "showlegend": False}


def _decisions(chart: Chart, at: NDArray[np.object_], shown: NDArray[np.bool_]) -> Iterator[grid.Trace]:
    for number, (place, _) in enumerate(chart.decisions, 1):
        flags = shown & (np.arange(shown.size) == place)
        text = {"text": [f"D{number}"], "textposition": "top center", "showlegend": False}
        yield from grid.points(at, chart.plotted, flags, "decision", mode="text", **text)


def _ranges(chart: Chart, at: NDArray[np.object_], shown: NDArray[np.bool_]) -> Iterator[grid.Trace]:
    ranges = chart.moving_ranges
    look = {"line": stroke(MUTED, width=0.7), "marker": marker("circle", INK, 5), "showlegend": False}
    known = shown & np.isfinite(ranges)
    yield from grid.points(at, ranges, known, "range", mode="lines+markers", **look)
    if chart.limits is not None:
        limit = np.full(shown.size, chart.limits.moving_range_upper)
        yield from grid.points(at, limit, known, "limit", mode="lines", line=stroke(INK), showlegend=False)


def _caption(chart: Chart, month: Month) -> str:
    inside = chart.between(month.first, month.last)
    head = f"{chart.instrument}, {chart.name}: {counted(int(inside.sum()), 'result')} in {month.name}"
    if chart.limits is None:
        return f"{head}; no limits: {chart.no_limits}."
    signals = [one for one in chart.signals if inside[one.position]]
    said = counted(len(signals), "signal") if signals else "no signal"
    limits = chart.limits
    wide = int((chart.moving_ranges[inside] > limits.moving_range_upper).sum())
    band = "" if np.isnan(chart.certified_uncertainty) else " Grey: expanded uncertainty of the certified value."
    provisional = ", provisional" if limits.provisional else ""
    centre, lower, upper = (signed(one, 3) for one in (limits.centre, limits.lower, limits.upper))
    return (
        f"{head}, {said}, {counted(wide, 'moving range')} beyond the limit. "
        f"Centre {centre} {chart.unit}, limits {lower} to {upper}, from "
        f"{counted(limits.number, 'result')} ({chart.limits_rest_on}){provisional}."
        f"{band} {earlier_words([chart], month.twelve_months.first)}".rstrip()
    )


def _chart_numbers(chart: Chart, at: NDArray[np.object_], shown: NDArray[np.bool_], month: Month) -> Numbers:
    average, inside = chart.averages, chart.between(month.first, month.last)
    signals = {one.position: one.what for one in chart.signals}
    decided: dict[int, list[str]] = {}
    for number, (place, one) in enumerate(chart.decisions, 1):
        decided.setdefault(place, []).append(_decision(number, one))
    ranges = chart.moving_ranges
    rows = list[tuple[str, ...]]()
    for place in np.flatnonzero(shown).tolist():
        if inside[place] or place in signals or place in decided:
            values = (*(signed(one, 3) for one in (chart.plotted[place], average[place])), numeral(ranges[place], 3))
            part = "excluded" if not chart.used[place] else "baseline" if chart.in_baseline[place] else "result"
            told = part, signals.get(place, ""), "; ".join(decided.get(place, ()))
            rows.append((str(at[place]), chart.runs[place], *values, *told))
    rows += (
        (f"{when:%Y-%m-%d %H:%M}", "", "–", "–", "–", "instrument", "", _decision(number, one))
        for number, (when, one) in enumerate(grid.instrument_actions([chart], month), len(chart.decisions) + 1)
    )
    measured = (f"{name}, {chart.unit}" for name in ("Result", "EWMA", "Moving range"))
    return ("Measured at", "Run", *measured, "Part", "Signal", "Decision"), tuple(rows)


def _decision(number: int, one: Decision) -> str:
    return f"D{number} {one.what}, {one.who}, {one.when:%Y-%m-%d}: {one.why}"


def draw_sheet(panels: Sequence[Panel], together: Sequence[Stream], charts: Sequence[Chart], month: Month) -> Picture:
    """Draw the charts of an instrument side by side: those with a result in the twelve months to the end of the month.

    ``together`` are its charts of each quantity taken together, a panel more each; ``charts`` all that it ever had:
    what lies before is told in a line. The table holds the month's results, [unit of its chart].
    """
    drawn, names = month.twelve_months, short_names([panel.first.oil for panel in panels])
    titles: dict[str, Iterable[grid.Trace]] = {
        f"{names[one.first.oil]}, {celsius(one.first.temperature_C)}, {_unit(one.first)}": _panel(one, drawn)
        for one in panels
    }
    for one in together:  # before and after limits were signed
        title = f"All together, {_unit(one.charts[0])}"
        titles[title] = chain(titles.get(title, ()), _all_together(one, drawn))
    drawn_charts = [chart for panel in panels for chart in panel.charts]
    actions = [f"{when:%Y-%m-%d}" for when, _ in grid.instrument_actions(drawn_charts, month)]
    upright = grid.upright_lines(drawn_charts, month)
    figure = grid.draw_grid(titles, grid.begin_of(drawn_charts, month), 2, upright=upright)
    inside = [one for one in drawn_charts if one.between(month.first, month.last).any()]
    signals = sum(month.first <= one.measured_at < month.last for chart in inside for one in chart.signals)
    results = counted(sum(int(one.between(month.first, month.last).sum()) for one in inside), "result")
    where, found = f"{panels[0].first.instrument}, {drawn.name}", counted(signals, "signal")
    said = [f"{where}: {results} on {counted(len(inside), 'chart')} in the month, {found}.", _HOW]
    said += [_TOGETHER] * bool(together)
    said += [f"Upright and dotted: corrective action, {', '.join(dict.fromkeys(actions))}."] * bool(actions)
    said.append(earlier_words(charts, drawn.first))
    return Picture(figure, " ".join(filter(None, said)), *_numbers(panels, month))


def short_names(oils: Sequence[str]) -> dict[str, str]:
    """Return oils without the first words that all of them share, and cut."""
    words = {one: one.split() for one in oils}
    same = [len(set(some)) == 1 for some in zip(*words.values(), strict=False)]
    shared = [*same, False].index(False) if len(words) > 1 else 0
    short = {one: " ".join(some[shared:]) or one for one, some in words.items()}
    return {one: name if len(name) <= _LONGEST else f"{name[: _LONGEST - 1]}…" for one, name in short.items()}


def _unit(chart: Chart) -> str:
    return f"{LETTERS.get(chart.quantity, chart.quantity)} {chart.unit}"


def _panel(panel: Panel, drawn: Period) -> Iterator[grid.Trace]:
    lots = [*dict.fromkeys(chart.lot for chart in panel.charts)]
    for chart in panel.charts:
        days, inside = chart.measured_at.strftime("%Y-%m-%d").to_numpy(), chart.between(drawn.first, drawn.last)
        yield from grid.levels(chart, days[inside])
        yield from grid.chart_traces(chart, days, inside, shape=_LOTS[lots.index(chart.lot) % len(_LOTS)], size=3)


def _all_together(stream: Stream, drawn: Period) -> Iterator[grid.Trace]:
    first, last = (one.tz_convert(None).to_datetime64() for one in (drawn.first, drawn.last))
    inside = (stream.moments >= first) & (stream.moments < last)
    days = stream.moments.astype("datetime64[D]").astype(str).astype(object)
    yield from grid.points(days, stream.away, inside, "mean of a day", marker("circle", MUTED, 3, filled=False))
    yield from grid.points(days, stream.means, inside, "clearest mean", mode="lines", line=stroke(INK, width=1.1))
    yield from grid.points(days, stream.means, inside & stream.stops, "has moved", marker("diamond", ACCENT, 7))


def _numbers(panels: Sequence[Panel], month: Month) -> Numbers:
    rows: list[tuple[str, ...]] = []
    for chart in (one for panel in panels for one in panel.charts):
        signals, average = {one.position: one.what for one in chart.signals}, chart.averages
        for place in np.flatnonzero(chart.between(month.first, month.last)).tolist():
            values = (signed(one, 3) for one in (chart.plotted[place], average[place]))
            when = f"{chart.measured_at[place]:%Y-%m-%d %H:%M}"
            rows.append((when, chart.runs[place], chart.name, *values, chart.unit, signals.get(place, "")))
    return ("Measured at", "Run", "Chart", "Result", "EWMA", "Unit", "Signal"), tuple(rows)
