"""All control charts of an instrument on one sheet, small and alike, lots on one axis of time; and all together."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import chain

import numpy as np

from labcalc.figures.control.grid import Trace, draw_grid
from labcalc.figures.control.traces import begin_of, chart_traces, instrument_actions, levels, points, upright_lines
from labcalc.figures.picture import Numbers, Picture
from labcalc.figures.theme import ACCENT, INK, MUTED, marker, stroke
from labcalc.judgement import Chart, Month, Panel, Period, Stream, earlier_words
from labcalc.wording import celsius, counted, signed

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


def draw_sheet(panels: Sequence[Panel], together: Sequence[Stream], charts: Sequence[Chart], month: Month) -> Picture:
    """Draw the charts of an instrument side by side: those with a result in the twelve months to the end of the month.

    ``together`` are its charts of each quantity taken together, a panel more each; ``charts`` all that it ever had:
    what lies before is told in a line. The table holds the month's results, [unit of its chart].
    """
    drawn, names = month.twelve_months, short_names([panel.first.oil for panel in panels])
    titles: dict[str, Iterable[Trace]] = {
        f"{names[one.first.oil]}, {celsius(one.first.temperature_C)}, {_unit(one.first)}": _panel(one, drawn)
        for one in panels
    }
    for one in together:  # before and after limits were signed
        title = f"All together, {_unit(one.charts[0])}"
        titles[title] = chain(titles.get(title, ()), _all_together(one, drawn))
    drawn_charts = [chart for panel in panels for chart in panel.charts]
    actions = [f"{when:%Y-%m-%d}" for when, _ in instrument_actions(drawn_charts, month)]
    figure = draw_grid(titles, begin_of(drawn_charts, month), 2, upright=upright_lines(drawn_charts, month))
    said = [
        _in_month(panels, month),
        _HOW,
        _TOGETHER * bool(together),
        f"Upright and dotted: corrective action, {', '.join(dict.fromkeys(actions))}." * bool(actions),
        earlier_words(charts, drawn.first),
    ]
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


def _panel(panel: Panel, drawn: Period) -> Iterator[Trace]:
    lots = [*dict.fromkeys(chart.lot for chart in panel.charts)]
    for chart in panel.charts:
        days, inside = chart.measured_at.strftime("%Y-%m-%d").to_numpy(), chart.between(drawn.first, drawn.last)
        yield from levels(chart, days[inside])
        yield from chart_traces(chart, days, inside, shape=_LOTS[lots.index(chart.lot) % len(_LOTS)], size=3)


def _all_together(stream: Stream, drawn: Period) -> Iterator[Trace]:
    first, last = (one.tz_convert(None).to_datetime64() for one in (drawn.first, drawn.last))
    inside = (stream.moments >= first) & (stream.moments < last)
    days = stream.moments.astype("datetime64[D]").astype(str).astype(object)
    yield from points(days, stream.away, inside, "mean of a day", marker("circle", MUTED, 3, filled=False))
    yield from points(days, stream.means, inside, "clearest mean", mode="lines", line=stroke(INK, width=1.1))
    yield from points(days, stream.means, inside & stream.stops, "has moved", marker("diamond", ACCENT, 7))


def _in_month(panels: Sequence[Panel], month: Month) -> str:
    inside = [one for panel in panels for one in panel.charts if one.between(month.first, month.last).any()]
    signals = sum(month.first <= one.measured_at < month.last for chart in inside for one in chart.signals)
    results = counted(sum(int(one.between(month.first, month.last).sum()) for one in inside), "result")
    return (
        f"{panels[0].first.instrument}, {month.twelve_months.name}: {results} on {counted(len(inside), 'chart')} in "
        f"the month, {counted(signals, 'signal')}."
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
