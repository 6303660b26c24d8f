"""A year's page: bias, spread, index and alarms month by month, what drifts, and checks."""

from collections.abc import Iterator, Mapping, Sequence
from html import escape

from labcalc.figures.control.grid import Trace, draw_grid
from labcalc.figures.control.sheets import LETTERS, short_names
from labcalc.figures.markup import Fragment, folded, html_table, note
from labcalc.figures.month.oils import OIL_COLUMNS, due_list, oil_cells
from labcalc.figures.picture import INK, MUTED, Picture, marker, stroke
from labcalc.judgement import Alarms, OilSummary, OilTrend, Period, YearReport
from labcalc.wording import celsius, counted, numeral, signed

_SHAPES = ("circle", "triangle-up", "square", "diamond", "cross", "x", "star", "hexagon")  # of oils and temperatures
_MEASURES = {"bias": "offset", "s": "deviation", "index": "published_over_site"}  # what is drawn, of a summary


def trend_pictures(report: YearReport) -> Iterator[Picture]:
    """Yield a picture of each quantity: a row an instrument, beside each other bias, spread and index of each month."""
    for quantity, unit in dict.fromkeys((one.panel.first.quantity, one.panel.first.unit) for one in report.trends):
        trends = [one for one in report.trends if (one.panel.first.quantity, one.panel.first.unit) == (quantity, unit)]
        yield _trends(report, trends)


def _trends(report: YearReport, trends: Sequence[OilTrend]) -> Picture:
    first, names = trends[0].panel.first, short_names([one.panel.first.oil for one in trends])
    said = [f"{names[one.panel.first.oil]}, {celsius(one.panel.first.temperature_C)}" for one in trends]
    shape = dict(zip(dict.fromkeys(said), _SHAPES * len(said), strict=False))
    panels: dict[str, list[Trace]] = {}
    for trend, name in zip(trends, said, strict=True):
        for measure, field in _MEASURES.items():
            title = f"{trend.panel.first.instrument}, {measure}"
            is_named = any(one["name"] == name for traces in panels.values() for one in traces)
            panels.setdefault(title, []).append(_line(trend, field, name, shape[name]) | {"showlegend": not is_named})
    caption = (
        f"{first.quantity.capitalize()} in {report.month.name}, each month of each oil and temperature: bias, the mean "
        f"less the certified value (without one, less the chart's centre); standard deviation s, both in {first.unit}; "
        "index, the test performance index (ASTM D6792), published R over R' = 2.77 s."
    )
    rows = tuple(_numbers(one) for trend in trends for one in trend.months)
    columns = ("Month", "Chart", "Results", "Bias", "s", "R'", "Performance index", "Alarms begun")
    return Picture(draw_grid(panels, _with_results(report), len(_MEASURES), legend=True), caption, columns, rows)


def _with_results(report: YearReport) -> Period:
    """Return what an axis of time reaches over: from the first month with a result to the last."""
    there = {f"{one.since:%Y-%m}" for trend in report.trends for one in trend.months}
    months = [one for one in report.month.parts if one.name in there] or report.month.parts
    return Period("", months[0].first, months[-1].last)


def _line(trend: OilTrend, field: str, name: str, shape: str) -> Trace:
    """Return the months of all lots, a gap between them."""
    lots = [[one for one in trend.months if one.chart is chart] for chart in trend.panel.charts]
    months = [at for lot in lots for at in (*(f"{one.since:%Y-%m}-15" for one in lot), None)]
    values = [value for lot in lots for value in (*(float(f"{getattr(one, field):.4g}") for one in lot), None)]
    known = [None if value != value else value for value in values]
    look = {"mode": "lines+markers", "line": stroke(MUTED, width=0.8), "marker": marker(shape, INK, 5, filled=False)}
    return {"type": "scatter", "x": months, "y": known, "name": name, "legendgroup": name, **look}


def _numbers(one: OilSummary) -> tuple[str, ...]:
    site = "–" if one.site is None else numeral(one.site.limit)
    values = (signed(one.offset, 3), numeral(one.deviation), site, numeral(one.published_over_site))
    chart = f"{one.chart.instrument}, {one.chart.name}, {one.chart.unit}"
    return (f"{one.since:%Y-%m}", chart, str(one.number), *values, str(one.alarms) if one.chart.limits else "–")


def alarm_picture(report: YearReport) -> Picture | Fragment:
    """Return the alarms that began in each month on each instrument, against what chance alone begins."""
    if not report.alarms:
        return note(f"No chart with limits in {report.month.name}: no alarm, and none to expect.")
    panels: dict[str, list[Alarms]] = {}
    for one in report.alarms:
        panels.setdefault(one.instrument, []).append(one)
    begun, expected = (sum(getattr(one, name) for one in report.alarms) for name in ("begun", "expected"))
    caption = (
        f"{counted(begun, 'alarm')} began in {report.month.name}; of charts like these chance alone begins "
        f"{numeral(expected, 1)} (the line: of each month)."
    )
    rows = tuple((one.month, one.instrument, str(one.begun), numeral(one.expected, 2)) for one in report.alarms)
    drawn = draw_grid({instrument: _bars(of) for instrument, of in sorted(panels.items())}, _with_results(report), 3)
    return Picture(drawn, caption, ("Month", "Instrument", "Begun", "By chance"), rows)


def _bars(alarms: Sequence[Alarms]) -> list[Trace]:
    months, begun, expected = ([getattr(one, name) for one in alarms] for name in ("month", "begun", "expected"))
    x = [f"{month}-15" for month in months]
    line = {"mode": "lines+markers", "line": stroke(INK, width=1.2), "marker": marker("line-ew", INK, 8)}
    return [
        {"type": "bar", "x": x, "y": begun, "name": "begun", "marker": {"color": MUTED}},
        {"type": "scatter", "x": x, "y": [round(one, 3) for one in expected], "name": "by chance", **line},
    ]


def show_trends(report: YearReport) -> Fragment:
    """Return each oil of each instrument over the year: number, bias, spread, index, drift; lots before folded."""
    if not report.trends:
        return note(f"The record holds no reference-oil result in {report.month.name}.")
    last = {id(one.panel.charts[-1]): one for one in report.trends}
    now = sorted((one for one in report.oils if id(one.chart) in last), key=lambda one: one.chart.quantity == "density")
    names = short_names([one.chart.oil for one in report.oils])
    columns = (*OIL_COLUMNS, "Drift a year (95 %)")
    html, before, numeric = "", "", (1, 2, 3, 4, 5)
    for instrument in dict.fromkeys(one.chart.instrument for one in now):
        mine = [one for one in now if one.chart.instrument == instrument]
        rows = [(*_cells(one, names), escape(last[id(one.chart)].words)) for one in mine]
        html += html_table(f"{instrument}", columns, rows, numeric=numeric, stacked=True)
    earlier = [one for one in report.oils if id(one.chart) not in last]
    rows = [(f"{escape(one.chart.instrument)}, {_cells(one, names)[0]}", *_cells(one, names)[1:]) for one in earlier]
    if rows:
        what = "chart" if any(one.chart.next_signed for one in earlier) else "lot"
        table = html_table("Before", columns[:-1], rows, numeric=numeric, stacked=True)
        before = folded(f"{counted(len(rows), what)} before", table)
    rule = (
        "Drift: least squares through the means of the months, each lot with its own level, 95 % by Student's t from "
        "their scatter about the line; *: more than chance explains among all of them (Holm). Bias *: above its U."
    )
    text = "\n".join(f"{one.panel.first.instrument}, {one.panel.name}: {one.words}" for one in report.trends)
    return Fragment(f'<section class="compact">{html}{before}{note(rule).html}</section>', text)


def _cells(one: OilSummary, names: Mapping[str, str]) -> tuple[str, ...]:
    chart = one.chart
    letter = LETTERS.get(chart.quantity, chart.quantity)
    what = f"{chart.lot} {celsius(chart.temperature_C)}, {letter} {chart.unit}".strip()
    return (f"{escape(names[chart.oil])} <small>{escape(what)}</small>", *oil_cells(one)[1:-1])


def show_year_checks(report: YearReport) -> Fragment:
    """Return how often each instrument was checked, its longest gap, and what moved and is over."""
    gaps = []
    for one in report.checks.gaps:
        longest = f"{one.samples} in {one.hours:.0f} h"
        gaps.append((escape(one.instrument), numeral(one.checks_a_day, 1), longest, f"{one.first:%Y-%m-%d}"))
    columns = ("Instrument", "Checks a day of work", "Samples in its longest gap between good checks", "From")
    html = html_table("Checks with reference oils", columns, gaps, numeric=(1, 2, 3), stacked=True)
    html = html if gaps else note(f"No instrument measured a sample in {report.month.name}.").html
    caption = "What moved and was back before the year's end"
    rows = [(escape(one.about), escape(one.finding.split("; ")[0])) for one in report.ended]
    ended = html_table(caption, ("About", "What was found"), rows, stacked=True)
    html += ended if rows else note(f"{caption}: none.").html
    told = "\n".join(f"{one.about}: {one.finding}" for one in report.ended) or "nothing moved and came back"
    return Fragment(html + (due_list(report) or note("Limits due: none.").html), told)
