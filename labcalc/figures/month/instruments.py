"""An instrument's part of a month's page: its oils in numbers, all charts on a sheet, large ones where it matters."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from html import escape

from labcalc.figures.control.charts import draw_control_chart
from labcalc.figures.control.sheets import draw_sheet
from labcalc.figures.markup import Fragment, bullets, folded
from labcalc.figures.month.oils import oil_tables
from labcalc.figures.picture import Picture
from labcalc.judgement import Month, MonthReport, OilSummary, Panel, groups_of, lots_compared, panels_of
from labcalc.wording import counted

_OPEN = 2  # large charts that stand open for an instrument at the most: the sheet shows them all


def instrument_pages(report: MonthReport) -> Iterator[Fragment | Picture]:
    """Yield the part of each instrument with a reference-oil result in the month."""
    for instrument in dict.fromkeys(one.chart.instrument for one in report.oils):
        mine = [one for one in report.oils if one.chart.instrument == instrument]
        charts = [one for one in report.checks.charts if one.instrument == instrument]
        panels = panels_of(charts, report.month.twelve_months)
        yield _tables(instrument, mine)
        yield draw_sheet(panels, groups_of(report.checks.streams.get(instrument, ())), charts, report.month)
        yield from _lots(panels, report.month)
        yield from _signals(mine)
        yield from _large(report, mine)


def _tables(instrument: str, oils: list[OilSummary]) -> Fragment:
    """Return its oils in numbers, beginning a page."""
    html = f'<section class="new-page"><h2>{escape(instrument)}</h2>{oil_tables(oils)}</section>'
    return Fragment(html, f"{instrument}: {counted(len(oils), 'chart')}")


def _lots(panels: Sequence[Panel], month: Month) -> Iterator[Fragment]:
    """Yield each new lot against the one before: open in the month in which both ran last, folded a year after."""
    found = lots_compared(panels)
    for is_open in (True, False):
        some = (one for one in found if (month.first <= one.last < month.last) == is_open)
        told = bullets([*dict.fromkeys(f"{one.words}." for one in some)])
        if told.text:
            yield told if is_open else Fragment(folded("New lots against those before", told.html), told.text)


def _signals(oils: list[OilSummary]) -> Iterator[Fragment]:
    """Yield why charts signal, and which signals were accepted; what is only provisional stands with the limits."""
    reasons = [
        f"{one.chart.name}: {'; '.join(one.status.reasons)}."
        for one in oils
        if one.status.status == "signal" or any(signal.decision for signal in one.status.signals)
    ]
    if reasons:
        yield bullets(reasons)


def _large(report: MonthReport, oils: list[OilSummary]) -> Iterator[Picture]:
    """Yield a large chart where a signal is open or something that moved touches it; open what asks for something."""
    touched, stands_open = report.checks.explained, 0
    signalling = [one for one in oils if id(one.chart) in touched or one.status.status == "signal"]
    for one in sorted(signalling, key=lambda one: (id(one.chart) not in touched, -len(one.status.signals))):
        picture = draw_control_chart(one.chart, report.month)
        pressing = id(one.chart) in touched or one.last_signals
        stands_open += pressing
        fold = not pressing or stands_open > _OPEN
        yield replace(picture, folded=f"Large: {one.chart.name}, {one.status.status}") if fold else picture
