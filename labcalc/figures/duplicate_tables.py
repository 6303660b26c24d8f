"""The tables of repeats: precision found and in force, what lies beyond it and what to do, the rule of pairing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape

from labcalc.figures.markup import Fragment, Summary, hover_number, html_table, note, uncertainty_text
from labcalc.judgement import DuplicateReport, DuplicateSummary, SetBeyond

__all__ = [
    "show_duplicate_biases",
    "show_duplicate_header",
    "show_duplicate_summaries",
    "show_duplicate_verdict",
    "show_duplicates_beyond",
    "show_pairing_rule",
    "summarise_duplicates",
]

_CSS = ("releasable", "second-look", "not-releasable")
"""Looks of the three verdicts, shared with the other reports."""

_CAPTIONS = {
    "determinability": "Within a fill: determinations of one result, held against d",
    "repeatability": "Repeatability: same instrument, operator and reference oils, a short time apart",
    "intermediate precision": "Intermediate precision: something changed in between; the widest limit that holds is R",
}


def summarise_duplicates(report: DuplicateReport) -> Summary:
    """Return what the index page shows of the report."""
    return Summary({"verdict_rank": report.rank, "line": report.reason, **report.for_programs})


def show_duplicate_header(report: DuplicateReport) -> Fragment:
    """Return which laboratory, period, product and person it is about, and how much was measured again."""
    counts = report.sets["condition"].value_counts()
    facts = {
        "Laboratory": report.laboratory.name,
        "Period": report.period.name,
        "Product or class": report.product or "all",
        "Operator": report.operator or "all",
        "Sets of repeats": ", ".join(f"{counts[one]} {one}" for one in _CAPTIONS if one in counts) or "none",
    }
    rows = "".join(f"<div><dt>{escape(name)}</dt><dd>{escape(value)}</dd></div>" for name, value in facts.items())
    return Fragment(f'<dl class="facts">{rows}</dl>', "; ".join(f"{name}: {value}" for name, value in facts.items()))


def show_duplicate_verdict(report: DuplicateReport) -> Fragment:
    """Return the verdict with what it rests on."""
    word, css = escape(report.verdict.capitalize()), _CSS[report.rank]
    html = f'<div class="verdict {css}"><p class="word">{word}</p><p>{escape(report.reason)}</p></div>'
    return Fragment(html, f"{report.verdict}: {report.reason}")


def show_duplicate_summaries(report: DuplicateReport) -> Fragment:
    """Return the precision by class, quantity and temperature: found, in force, verdict."""
    if not report.summaries:
        return note(f"No sample of {report.about} was measured twice at the same temperature.")
    html = "".join(
        _summary_table(caption, [one for one in report.summaries if one.condition == condition])
        for condition, caption in _CAPTIONS.items()
    )
    text = "\n".join(f"{_conditions(one)}{one.name}: {one.sentence}" for one in report.summaries)
    return Fragment(html + _summary_notes(report), text)


def _summary_table(caption: str, summaries: Sequence[DuplicateSummary]) -> str:
    if not summaries:
        return ""
    columns = ("Class, quantity", "n", "s", "2.77 s", "Limit", "Beyond it (expected)", "First − second", "Verdict")
    if any(one.changed for one in summaries):
        columns = ("Changed; class, quantity", *columns[1:6], "Between instruments", "Verdict")
    return html_table(caption, columns, [_summary_cells(one) for one in summaries], numeric=(1, 2, 3, 4, 5, 6))


def _conditions(one: DuplicateSummary) -> str:
    return f"{', '.join(one.changed)}; " if one.changed else ""


def _summary_cells(one: DuplicateSummary) -> tuple[str, ...]:
    low, high = one.precision.limit_interval
    reach = f"<br><small>{_figures(low)} to {_figures(high)}</small>"
    limit = "–" if math.isnan(one.limit_in_force) else f"{one.letter} {_figures(one.limit_in_force)}"
    return (
        escape(f"{_conditions(one)}{one.name}"),
        str(one.precision.number),
        hover_number(_figures(one.precision.deviation), one.precision.deviation),
        f"{hover_number(_figures(one.precision.limit), one.precision.limit)} {escape(one.unit)}{reach}",
        hover_number(limit, one.limit_in_force),
        "–" if math.isnan(one.expected_beyond) else f"{len(one.beyond)} ({one.expected_beyond:.1f})",
        _contrast(one),
        _verdict(one),
    )


def _verdict(one: DuplicateSummary) -> str:
    looks = "not-met" if one.is_worse else "doubtful" if one.beyond or one.is_biased else "met"
    if one.comparison is None:
        return f"{escape(one.verdict)}<br><small>{escape(one.why_not)}</small>"
    shown = f'<span class="state {looks}">{escape(one.verdict)}</span>'
    if one.without_beyond is None:
        return shown
    without = f"without {', '.join(one.beyond)}: {_figures(one.without_beyond.limit)}"
    return f"{shown}<br><small>{escape(without)}</small>"


def _contrast(one: DuplicateSummary) -> str:
    if one.order is None:
        return "–"
    mark = " *" if one.order.significant else ""
    named = f"<br><small>{escape(one.contrast)}</small>" if one.changed else ""
    reach = one.order.interval[1] - one.order.mean
    shown = f"{_signed(one.order.mean)} ± {_figures(reach)}{mark}"
    return f"{hover_number(shown, one.order.mean)}{named}"


def _summary_notes(report: DuplicateReport) -> str:
    statements = sorted({one.statement.title for one in report.summaries if one.statement is not None})
    pairs = ", ".join(f"{number} within {100 * width:.0f} %" for width, number in report.pairs_needed)
    lines = [
        "Viscosity in % (by logarithms), density in kg/m³. 2.77 s with its 95 % interval: what the repeats themselves "
        "say of the limit; those beyond it are counted in.",
        "*: more than chance allows; where first and second differ so, s is that of the differences about their mean, "
        "with one degree of freedom fewer.",
        f"Limits: {'; '.join(statements) or 'none stated'}.",
        f"How many pairs bring the upper end of the interval near s: {pairs}.",
    ]
    return "".join(f'<p class="note">{escape(line)}</p>' for line in lines)


def show_duplicates_beyond(report: DuplicateReport) -> Fragment:
    """Return the repeats that lie further apart than their limit, each with what to do next."""
    if not report.beyond:
        return note("No repeats lie further apart than their limit.")
    rows = [_beyond_cells(one) for one in report.beyond]
    columns = ("Sample, quantity", "When, where, who", "Results", "Apart", "Limit", "What to do next")
    html = html_table("Further apart than their limit", columns, rows, numeric=(2, 3, 4))
    text = "\n".join(
        f"{one.name}: {one.spread:.3g} {one.unit} apart, limit {one.limit:.3g}. {one.what_to_do}"
        for one in report.beyond
    )
    return Fragment(html, text)


def _beyond_cells(one: SetBeyond) -> tuple[str, ...]:
    conditions = f"{one.condition}{': ' if one.changed else ''}{one.changed}"
    who = ", ".join(filter(None, (one.instruments, one.operators)))
    return (
        f"{escape(one.sample)}<br>{escape(f'{one.quantity} at {one.temperature_C:g} °C')}",
        f"{one.measured_at:%Y-%m-%d %H:%M}<br>{escape(who)}<br><small>{escape(conditions)}; {escape(one.runs)}</small>",
        "<br>".join(f"{value:.5g}" for value in one.values),
        hover_number(f"{one.spread:.3g} {one.unit}", one.spread),
        hover_number(f"{one.limit:.3g} {one.unit}", one.limit),
        escape(one.what_to_do),
    )


def show_duplicate_biases(report: DuplicateReport) -> Fragment:
    """Return what differs on the whole between first and second results, or between instruments."""
    if not report.biased:
        return note("First and second results, and the instruments, differ on the whole no more than chance allows.")
    items = [f"{one.about}: {one.finding}. {one.what_to_do}" for one in report.biased]
    return Fragment(f"<ul>{''.join(f'<li>{escape(item)}</li>' for item in items)}</ul>", "\n".join(items))


def show_pairing_rule(report: DuplicateReport) -> Fragment:
    """Return by which rule results count as repeats of each other."""
    choices = report.laboratory.duplicates
    endings = ", ".join(f"'{one}'" for one in choices.second_fill_endings)
    lines = [
        f"Repeats that count: {', '.join(choices.count)}. A sample is told by its name"
        + (f", without an ending {endings}." if endings else "."),
        f"Repeatability: same instrument, operator and lots of reference oils, begun within "
        f"{choices.repeatability_window_h:g} h. Intermediate precision: any of these or the time changed, within "
        f"{choices.intermediate_window_d:g} d; the first result of each set of repeats stands for it.",
        "Replicates of a run count as "
        + ("fills of their own." if report.laboratory.report.replicates == "fills" else "determinations of one fill."),
        "Of several tests read together only what chance gives in no more than one report of twenty counts (Holm).",
    ]
    return Fragment("".join(f'<p class="note">{escape(line)}</p>' for line in lines), "\n".join(lines))


def _figures(value: float) -> str:
    return "0" if value == 0.0 else "∞" if math.isinf(value) else "–" if math.isnan(value) else uncertainty_text(value)


def _signed(value: float) -> str:
    return f"{'−' if value < 0 else '+'}{_figures(abs(value))}"
