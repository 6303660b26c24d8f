"""The tables of a monthly report, and each instrument's part of it: oils in numbers, charts, limits."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from html import escape
from typing import Any

from labcalc.figures.control.sheets import draw_control_chart, draw_sheet
from labcalc.figures.markup import Fragment, bullets, folded, hover_number, html_table, note
from labcalc.figures.picture import Picture
from labcalc.judgement import UNITS, Month, MonthReport, OilSummary, Panel, groups_of, lots_compared, panels_of
from labcalc.judgement.month.oils import LimitsDue
from labcalc.lab.reading import NOT_GIVEN
from labcalc.wording import at_celsius, celsius, counted, numeral, plain, signed

OIL_COLUMNS = (  # heads of what ``oil_cells`` returns, but for the status
    *("Oil, lot, temperature", "Results", "Bias ± U", "Standard deviation\u00a0s", "Site precision R'"),
    "Test performance index (ASTM D6792)",
)
_STATES = {"signal": "not-met", "too few": "doubtful", "provisional": "doubtful", "in control": "met"}
_STATED = {"certificate": "number", "producer": "producer", "accreditation": "accreditation"}  # names when not given
_STATED |= {"valid_from": "first day", "valid_to": "last day", "file_sha256": "file"}
_LOOKS = {"valid_from": "from {}", "valid_to": "to {}", "file_sha256": '<code class="digest">{}</code>'}
_OPEN = 2  # large charts that stand open for an instrument at the most: the sheet shows them all


def show_oils(report: MonthReport) -> Fragment:
    """Return what holds for all instruments: the signs of their tables, alarms by chance, what the charts can see."""
    if not report.oils:
        return note(f"The record holds no reference-oil result in {report.month.name}.")
    begun = f"In this month's results chance alone begins about {numeral(report.expected_false_alarms, 1)} alarms."
    shown = note(*(one.sentence for one in report.sights), begun)
    used = (one.precision for one in report.oils if one.precision is not None)
    statements = sorted({f"{one.edition_title} [{one.mark}]" for one in used})
    words = note(
        "U: expanded uncertainty (95 %) of the bias, the certificate's own included; *: the bias is larger than it.",
        "R' = 2.77 s, and the index, published R over R': from this month's results, with what so few can say (95 %, "
        "of normal results; what the limits rest on names baselines that aren't). "
        f"Thresholds: {report.laboratory.control.performance.source}. R: {'; '.join(statements) or 'none stated'}.",
    )
    return Fragment(shown.html + folded("What the columns mean", words.html), shown.text)


def oil_tables(oils: Sequence[OilSummary]) -> str:
    """Return a table of each quantity, viscosity before density; results without a certified value stand apart."""
    groups: dict[str, list[tuple[str, ...]]] = {}
    for one in sorted(oils, key=lambda one: one.chart.quantity == "density"):
        difference = ", difference from the certified value" * (one.chart.certified == one.chart.certified)
        caption = f"{one.chart.quantity.capitalize()}, {one.chart.unit}{difference}"
        groups.setdefault(caption, []).append(oil_cells(one))
    look: dict[str, Any] = {"numeric": (1, 2, 3, 4, 5), "stacked": True}
    return "".join(html_table(caption, (*OIL_COLUMNS, "Status"), rows, **look) for caption, rows in groups.items())


def show_certificates(report: MonthReport) -> Fragment:
    """Return what the certificates of the month's lots say: value, U, k, number, validity."""
    if not report.certificates:
        return note("No certificate in lab.toml fits a reference oil of the month.")
    caption = "Certificates of these lots: number, producer, accreditation, validity, SHA-256 of the file"
    rows, columns = map(_certificate_cells, report.certificates), ("Oil, lot", "Certificate", "Value ± U (k)")
    html = f'<section class="compact">{html_table(caption, columns, rows, stacked=True)}</section>'
    text = "\n".join(f"{one['oil']} lot {one['lot']}: {one['certificate']}" for one in report.certificates)
    return Fragment(html, text)


def _certificate_cells(stated: dict[str, Any]) -> tuple[str, ...]:
    """Return a row; what isn't given is named in one line, k too where no value has one."""
    factors = [one["coverage_factor"] for one in stated["certified"]]
    missing = [name for key, name in _STATED.items() if stated[key] == NOT_GIVEN]
    missing += ["k"] * (set(factors) == {NOT_GIVEN})
    values = (
        f"{at_celsius(one['quantity'], float(one['temperature_C']))}: {plain(float(one['value']), 10)} ± "
        f"{plain(float(one['expanded_uncertainty']))} {UNITS[one['quantity']]}" + f" (k {k})" * ("k" not in missing)
        for one, k in zip(stated["certified"], factors, strict=True)
    )
    told = [_LOOKS.get(key, "{}").format(escape(stated[key])) for key in _STATED if stated[key] != NOT_GIVEN]
    return (
        f"{escape(stated['oil'])}<br>{escape(stated['lot'])}",
        "<br>".join([*told, *[f"{NOT_GIVEN}: {', '.join(missing)}"] * bool(missing)]),
        "<br>".join(map(escape, values)),
    )


def oil_cells(one: OilSummary) -> tuple[str, ...]:
    """Return a row: oil with lot and temperature, number, bias, spread, site precision, index, status."""
    lot = f"{one.chart.lot}, " if one.chart.lot else ""
    signals = f", {len(one.status.signals)}" if one.status.signals else ""
    excluded = f" ({one.excluded} excluded)" if one.excluded else ""
    interval = f" <small>{' to '.join(map(numeral, one.index.interval))}</small>" if one.index else ""
    return (
        f"{escape(one.chart.oil)} <small>{escape(lot)}{celsius(one.chart.temperature_C)}</small>",
        f"{one.number}{excluded}",
        _bias(one),
        hover_number(numeral(one.deviation), one.deviation),
        "–" if one.site is None else hover_number(numeral(one.site.limit), one.site.limit),
        f"{hover_number(numeral(one.published_over_site), one.published_over_site)}{interval}",
        f'<span class="state {_STATES[one.status.status]}">{escape(one.status.status)}</span>{signals}',
    )


def _bias(one: OilSummary) -> str:
    if one.bias is None:
        return hover_number(signed(one.mean, 3), one.mean)
    mark = " *" if one.bias.significant else ""
    return hover_number(f"{signed(one.bias.bias, 3)} ± {numeral(one.bias.expanded_uncertainty)}{mark}", one.bias.bias)


def show_limits(report: MonthReport) -> Fragment:
    """Return what the limits of each chart rest on, folded."""
    if not report.oils:
        return note("No chart has a result this month.")
    baselines = sorted({one.chart.limits_rest_on for one in report.oils})
    rows = [_limit_cells(one, baselines) for one in report.oils]
    columns = ("Chart", "Results", "Centre", "Limit ± 2 u", "Spread from", "What speaks against the baseline")
    numbered = [f"({number}) {words}" for number, words in enumerate(baselines, 1)]
    caption = f"What the limits rest on: {'; '.join(numbered if len(baselines) > 1 else baselines)}"
    html = folded("What the limits rest on", html_table(caption, columns, rows, numeric=(1, 2, 3), stacked=True))
    return Fragment(html + due_list(report), caption)


def due_list(report: MonthReport) -> str:
    """Return the limits that are due at the end of the period as a table, folded; an empty text where none are."""
    due = report.checks.due
    columns = ("Chart", "In control (set limits)", "Spread F", "Mean, Welch t", "Difference", "New limits")
    html = html_table("Limits due", columns, map(_due_cells, due), numeric=(1, 2, 3), stacked=True)
    return folded(f"Limits due: {counted(len(due), 'chart')}", html) if due else ""


def _due_cells(one: LimitsDue) -> tuple[str, ...]:
    test = one.comparison
    pairs = ((test.f, test.f_p_value), (test.t, test.t_p_value)) if test else ()
    tests = [f"{numeral(value, 2)}<br><small>p {numeral(p)}</small>" for value, p in pairs] or ["–", "–"]
    name, number = escape(f"{one.chart.instrument}, {one.chart.name}"), f"{one.number} ({one.in_force.number})"
    change = escape(one.change).replace(" ", "\u00a0").replace(",\u00a0", "<br>")
    by = one.chart.next_signed
    signed_by = f"{by.who}, {by.when:%Y-%m-%d}, in force from {by.in_force}: {by.why}" if by else "not signed"
    change += f"<br><small>{escape(signed_by)}</small>"
    return name, number, *tests, escape(one.compared.replace("no difference", "none")), change


def _limit_cells(one: OilSummary, baselines: list[str]) -> tuple[str, ...]:
    limits = one.chart.limits
    name = escape(f"{one.chart.instrument}, {one.chart.name}")
    name += f" ({baselines.index(one.chart.limits_rest_on) + 1})" if len(baselines) > 1 else ""
    against = escape("; ".join(one.chart.screening) or "nothing")
    if limits is None:
        return f"{name}<br><small>{escape(one.chart.no_limits)}</small>", "–", "–", "–", "–", against
    centre = hover_number(signed(limits.centre, 3), limits.centre)
    reach = f"{numeral(limits.half_width, 3)} ± {numeral(2.0 * limits.limit_uncertainty)}"
    return name, str(limits.number), centre, hover_number(reach, limits.sigma), escape(limits.sigma_from), against


def show_operators(report: MonthReport) -> Fragment:
    """Return the runs of each operator on each instrument, folded."""
    counts = report.workload.assign(together=report.workload.sum(axis=1)).itertuples(name=None)
    rows = [(*(escape(str(one)) or "no name" for one in names), *map(str, runs)) for names, *runs in counts]
    columns = ("Operator", "Instrument", "Samples", "Reference oils", "Together")
    caption = "Runs by operator and instrument"
    html = folded(caption, html_table(caption, columns, rows, numeric=(2, 3, 4), stacked=True))
    text = "\n".join(f"{row[0]} on {row[1]}: {counted(int(row[-1]), 'run')}" for row in rows)
    return Fragment(html, text) if rows else note("No run, no operator.")


def instrument_pages(report: MonthReport) -> Iterator[Fragment | Picture]:
    """Yield the part of each instrument with a reference-oil result in the month."""
    for instrument in dict.fromkeys(one.chart.instrument for one in report.oils):
        mine = [one for one in report.oils if one.chart.instrument == instrument]
        charts = [one for one in report.checks.charts if one.instrument == instrument]
        panels = panels_of(charts, report.month.twelve_months)
        html = f'<section class="new-page"><h2>{escape(instrument)}</h2>{oil_tables(mine)}</section>'
        yield Fragment(html, f"{instrument}: {counted(len(mine), 'chart')}")
        yield draw_sheet(panels, groups_of(report.checks.streams.get(instrument, ())), charts, report.month)
        yield from _lots(panels, report.month)
        yield from _signals(mine)
        yield from _large(report, mine)


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
    told = [one for one in oils if one.status.status == "signal" or any(each.decision for each in one.status.signals)]
    if told:
        yield bullets([f"{one.chart.name}: {'; '.join(one.status.reasons)}." for one in told])


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
