"""The tables of a monthly report: reference oils, limits, workload."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Any

from labcalc.figures.markup import Fragment, folded, hover_number, html_table, note
from labcalc.judgement import UNITS, MonthReport, OilSummary
from labcalc.lab import Decision
from labcalc.wording import at_celsius, celsius, counted, numeral, plain, signed

_STATES = {"signal": "not-met", "too few": "doubtful", "provisional": "doubtful", "in control": "met"}


def show_oils(report: MonthReport) -> Fragment:
    """Return what holds for all instruments: the signs of their tables, alarms by chance, what the charts can see."""
    if not report.oils:
        return note(f"The record holds no reference-oil result in {report.month.name}.")
    sights = [one.sentence for one in report.sights]
    shown = note(
        *sights, f"In this month's results chance alone begins about {numeral(report.expected_false_alarms, 1)} alarms."
    )
    return Fragment(shown.html + folded("What the columns mean", _oil_notes(report)), shown.text)


def oil_tables(oils: Sequence[OilSummary]) -> str:
    """Return a table of each quantity: number, bias, spread, site precision, index, status and signals."""
    return "".join(
        html_table(
            f"{quantity.capitalize()}, {unit}{', difference from the certified value' * certified}",
            ("Oil, lot, temperature", "n", "Bias ± U", "s", "R'", "Index R/R'", "Status"),
            [oil_cells(one) for one in group],
            numeric=(1, 2, 3, 4, 5),
        )
        for (quantity, unit, certified), group in _groups(oils).items()
    )


def show_certificates(report: MonthReport) -> Fragment:
    """Return what the certificates of the month's lots say: value, U, k, number, validity."""
    if not report.certificates:
        return note("No certificate in lab.toml fits a reference oil of the month.")
    rows = [_certificate_cells(one) for one in report.certificates]
    columns = ("Oil, lot", "Certificate", "Valid", "Value ± U (k)")
    caption = "Certificates of these lots: number, producer, accreditation, SHA-256 of the file"
    html = f'<section class="compact">{html_table(caption, columns, rows, numeric=(2, 3))}</section>'
    text = "\n".join(f"{one['oil']} lot {one['lot']}: {one['certificate']}" for one in report.certificates)
    return Fragment(html, text)


def _certificate_cells(stated: dict[str, Any]) -> tuple[str, ...]:
    values = (
        f"{at_celsius(one['quantity'], float(one['temperature_C']))}: {plain(float(one['value']), 10)} ± "
        f"{plain(float(one['expanded_uncertainty']))} {UNITS[one['quantity']]} (k {one['coverage_factor']})"
        for one in stated["certified"]
    )
    names = (stated[name] for name in ("certificate", "producer", "accreditation"))
    return (
        f"{escape(stated['oil'])}<br>{escape(stated['lot'])}",
        "<br>".join([*map(escape, names), f'<code class="digest">{escape(stated["file_sha256"])}</code>']),
        f"{stated['valid_from']}<br>{stated['valid_to']}",
        "<br>".join(map(escape, values)),
    )


def show_changes(report: MonthReport) -> Fragment:
    """Return the change of each chart against the month before, folded: means by t, spreads by F."""
    if not report.oils:
        return note(f"The record holds no reference-oil result in {report.month.name}.")
    rows = [_change_cells(one) for one in report.oils]
    columns = ("Chart", "Change of the mean, 95 %", "t (limit)", "F (limit)")
    html = html_table(f"{report.month.name} against {report.month.before.name}", columns, rows, numeric=(1, 2, 3))
    html += note("*: more than chance allows; t tells of the means, F of the spreads.").html
    changed = [
        f"{one.chart.instrument}, {one.chart.name}: mean {signed(one.change.difference, 3)} {one.chart.unit}"
        for one in report.oils
        if one.change is not None and one.change.mean_changed
    ]
    text = "\n".join(changed) or "no mean changed by more than chance allows"
    return Fragment(folded(f"Against {report.month.before.name}: {text.splitlines()[0]}", html), text)


def _change_cells(one: OilSummary) -> tuple[str, ...]:
    name = escape(f"{one.chart.instrument}, {one.chart.name}")
    change = one.change
    if change is None:
        return f"{name}<br><small>{escape('; '.join(one.notes))}</small>", "–", "–", "–"
    low, high = change.interval
    return (
        name,
        f"{hover_number(signed(change.difference, 3), change.difference)} "
        f"({signed(low, 3)} to {signed(high, 3)}) {one.chart.unit}",
        f"{numeral(change.t, 2)} ({numeral(change.critical_t, 2)}){' *' if change.mean_changed else ''}",
        f"{numeral(change.f, 2)} ({numeral(change.critical_f, 2)}){' *' if change.spread_changed else ''}",
    )


def _groups(oils: Sequence[OilSummary]) -> dict[tuple[str, str, bool], list[OilSummary]]:
    """Group by quantity, viscosity before density; results without a certified value apart."""
    groups: dict[tuple[str, str, bool], list[OilSummary]] = {}
    for one in sorted(oils, key=lambda one: one.chart.quantity == "density"):
        groups.setdefault((one.chart.quantity, one.chart.unit, one.chart.certified == one.chart.certified), []).append(
            one
        )
    return groups


def oil_cells(one: OilSummary) -> tuple[str, ...]:
    """Return a row: oil with lot and temperature, number, bias, spread, site precision, index, status."""
    lot = f"{one.chart.lot}, " if one.chart.lot else ""
    signals = f", {len(one.status.signals)}" if one.status.signals else ""
    excluded = f" ({one.excluded} excluded)" if one.excluded else ""
    return (
        f"{escape(one.chart.oil)} <small>{escape(lot)}{celsius(one.chart.temperature_C)}</small>",
        f"{one.number}{excluded}",
        _bias(one),
        hover_number(numeral(one.deviation), one.deviation),
        "–" if one.site is None else hover_number(numeral(one.site.limit), one.site.limit),
        "–" if one.index is None else _with_interval(one.index.index, one.index.interval),
        f'<span class="state {_STATES[one.status.status]}">{escape(one.status.status)}</span>{signals}',
    )


def _bias(one: OilSummary) -> str:
    if one.bias is None:
        return hover_number(signed(one.mean, 3), one.mean)
    mark = " *" if one.bias.significant else ""
    shown = f"{signed(one.bias.bias, 3)} ± {numeral(one.bias.expanded_uncertainty)}{mark}"
    return hover_number(shown, one.bias.bias)


def _with_interval(value: float, interval: tuple[float, float]) -> str:
    """Show a value with its 95 % interval."""
    return f"{hover_number(numeral(value), value)} <small>{' to '.join(map(numeral, interval))}</small>"


def _oil_notes(report: MonthReport) -> str:
    statements = sorted(
        {
            f"{one.precision.method}, edition {one.precision.edition} [{one.precision.mark}]"
            for one in report.oils
            if one.precision is not None
        }
    )
    lines = [
        "U: expanded uncertainty (95 %) of the bias, the certificate's own included; *: the bias is larger than it.",
        "R' = 2.77 s and index: from this month's results, with what so few can say (95 %, of normal results; what the "
        "limits rest on names baselines that aren't). "
        f"Thresholds: {report.laboratory.control.performance.source}. R: {'; '.join(statements) or 'none stated'}.",
    ]
    return note(*lines).html


def show_limits(report: MonthReport) -> Fragment:
    """Return what the limits of each chart rest on, folded."""
    if not report.oils:
        return note("No chart has a result this month.")
    baselines = sorted({one.chart.limits_rest_on for one in report.oils})
    rows = [_limit_cells(one, baselines) for one in report.oils]
    columns = ("Chart", "n", "Centre", "Limit ± 2 u", "Spread from", "What speaks against the baseline")
    caption = "What the limits rest on: " + "; ".join(
        f"({number}) {words}" if len(baselines) > 1 else words for number, words in enumerate(baselines, 1)
    )
    html = folded("What the limits rest on", html_table(caption, columns, rows, numeric=(1, 2, 3)))
    return Fragment(html + due_table(report), caption)


def due_table(report: MonthReport) -> str:
    """Return the limits that are due at the end of the period, folded; an empty text where none are."""
    rows = [
        (
            escape(f"{one.chart.instrument}, {one.chart.name}"),
            f"{one.number} ({one.in_force.number})",
            escape(one.compared),
            escape(one.change),
            escape(_signed(one.signed)),
        )
        for one in report.checks.due
    ]
    if not rows:
        return ""
    columns = ("Chart", "Results in control (in the limits)", "Since against before", "Limits", "Signed")
    return folded(f"Limits due: {counted(len(rows), 'chart')}", html_table("Limits due", columns, rows))


def _signed(by: Decision | None) -> str:
    return "not signed" if by is None else f"{by.who}, {by.when:%Y-%m-%d}, in force from {by.in_force}: {by.why}"


def _limit_cells(one: OilSummary, baselines: list[str]) -> tuple[str, ...]:
    limits = one.chart.limits
    name = escape(f"{one.chart.instrument}, {one.chart.name}")
    name += f" ({baselines.index(one.chart.limits_rest_on) + 1})" if len(baselines) > 1 else ""
    against = escape("; ".join(one.chart.screening) or "nothing")
    if limits is None:
        return f"{name}<br><small>{escape(one.chart.no_limits)}</small>", "–", "–", "–", "–", against
    return (
        name,
        str(limits.number),
        hover_number(signed(limits.centre, 3), limits.centre),
        hover_number(f"{numeral(limits.half_width, 3)} ± {numeral(2.0 * limits.limit_uncertainty)}", limits.sigma),
        escape(limits.sigma_from),
        against,
    )


def show_operators(report: MonthReport) -> Fragment:
    """Return the runs of each operator on each instrument."""
    if report.workload.empty:
        return note("No run, no operator.")
    table = report.workload.pivot_table(
        index=["operator", "instrument"], columns="role", values="runs", aggfunc="sum", fill_value=0
    ).reindex(columns=["sample", "reference"], fill_value=0)
    rows = [
        (escape(str(operator) or "no name"), escape(str(instrument) or "no name"), *map(str, counts), str(sum(counts)))
        for (operator, instrument), counts in zip(table.index.to_list(), table.to_numpy().tolist(), strict=True)
    ]
    columns = ("Operator", "Instrument", "Samples", "Reference oils", "Together")
    html = folded("Runs by operator", html_table("Runs by operator and instrument", columns, rows, numeric=(2, 3, 4)))
    return Fragment(html, "\n".join(f"{row[0]} on {row[1]}: {counted(int(row[-1]), 'run')}" for row in rows))
