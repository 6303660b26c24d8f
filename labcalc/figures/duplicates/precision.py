"""The tables of repeats: precision found and in force, what lies beyond it and what to do, the rule of pairing."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from labcalc.figures.markup import Fragment, Summary, bullets, fact_list, hover_number, html_table, note, verdict_box
from labcalc.figures.provenance import settings_and_version, sources_table, with_mark
from labcalc.judgement import STATEMENT_DEGREES, DuplicateReport, DuplicateSummary, SetBeyond
from labcalc.wording import at_celsius, celsius, numeral, percent, signed

_CSS = ("releasable", "second-look", "not-releasable")
"""Looks of the three verdicts, shared with the other reports."""

_CAPTIONS = {
    "determinability": "Within a fill",
    "repeatability": "Repeatability",
    "intermediate precision": "Intermediate precision",
}
"""Headings of the kinds of conditions, in their order."""


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
    return fact_list(facts)


def show_duplicate_verdict(report: DuplicateReport) -> Fragment:
    """Return the verdict with what it rests on."""
    box = verdict_box(report.verdict, _CSS[report.rank], _sentence(report.reason))
    return Fragment(box.html, f"{report.verdict}: {report.reason}")


def show_duplicate_summaries(report: DuplicateReport) -> Fragment:
    """Return the precision by class, quantity and temperature: found, in force, verdict."""
    if not report.summaries:
        return note(f"No sample of {report.about} was measured twice at the same temperature.")
    groups: dict[tuple[str, tuple[str, ...], str], list[DuplicateSummary]] = {}
    for one in report.summaries:
        groups.setdefault((one.condition, one.changed, one.quantity), []).append(one)
    html = "".join(_summary_table(group) for group in groups.values())
    text = "\n".join(f"{_conditions(one)}: {one.name}: {one.sentence}" for one in report.summaries)
    return Fragment(html + _summary_notes(report), text)


def _conditions(one: DuplicateSummary) -> str:
    return _CAPTIONS[one.condition] + (f", {_listed(one.changed)} changed" if one.changed else "")


def _listed(words: Sequence[str]) -> str:
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1])))


def _summary_table(group: Sequence[DuplicateSummary]) -> str:
    first = group[0]
    contrasts = {one.contrast for one in group if one.contrast}
    difference = " or ".join(sorted(contrasts)).replace(" minus ", " − ").replace("first − second", "1st − 2nd")
    columns = ["Class, temperature", "n", "s", "2.77 s", first.letter, "Verdict"]
    cells = [[*_summary_cells(one), _verdict(one)] for one in group]
    if any(one.order for one in group):
        columns.insert(5, difference)
        cells = [[*row[:5], _contrast(one), row[5]] for row, one in zip(cells, group, strict=True)]
    caption = f"{_conditions(first)}: {first.quantity}, {first.unit}"
    return html_table(caption, columns, cells, numeric=tuple(range(1, len(columns) - 1)))


def _summary_cells(one: DuplicateSummary) -> tuple[str, ...]:
    low, high = one.precision.limit_interval
    reach = f"<br><small>{numeral(low)} to {numeral(high)}</small>"
    return (
        escape(f"{one.precision_class}, {celsius(one.temperature_C)}"),
        str(one.precision.number),
        hover_number(numeral(one.precision.deviation), one.precision.deviation),
        hover_number(numeral(one.precision.limit), one.precision.limit) + reach,
        hover_number(numeral(one.limit_in_force), one.limit_in_force),
    )


def _verdict(one: DuplicateSummary) -> str:
    if one.comparison is None:
        new = f"{one.why_not}; by these alone a new pair may lie {numeral(one.precision.limit_for_a_new_pair)} apart"
        return f"{escape(one.verdict)}<br><small>{escape(new)}</small>"
    looks = "not-met" if one.is_worse else "doubtful" if one.beyond or one.is_biased else "met"
    shown = f'<span class="state {looks}">{escape(one.verdict)}</span>'
    if not one.beyond:
        return shown
    without = "" if one.without_beyond is None else f"; 2.77 s = {numeral(one.without_beyond.limit)} without"
    expected = f"{len(one.beyond)} beyond, {numeral(one.expected_beyond, 1)} expected"
    beyond = f"{expected}: {', '.join(one.beyond)}{without}"
    return f"{shown}<br><small>{escape(beyond)}</small>"


def _contrast(one: DuplicateSummary) -> str:
    if one.order is None:
        return "–"
    reach = one.order.interval[1] - one.order.mean
    mark = " *" if one.order.significant else ""
    shown = f"{signed(one.order.mean)}{mark}"
    return f"{hover_number(shown, one.order.mean)}<br><small>± {numeral(reach)}</small>"


def _summary_notes(report: DuplicateReport) -> str:
    statements = dict.fromkeys(with_mark(one.statement) for one in report.summaries if one.statement is not None)
    pairs = ", ".join(f"{number} within {percent(width, 0)}" for width, number in report.pairs_needed)
    enough = sum(one.is_enough_for_a_statement for one in report.summaries)
    lines = [
        "2.77 s with its 95 % interval: the limit that the repeats themselves show, those beyond the limit in force "
        "counted in. Where a limit is just met, one set in twenty is beyond it by chance. Viscosity: by logarithms.",
        "*: more than chance allows, in a test of its own. Where first and second result differ so, s is that of the "
        "differences about their mean, with one degree of freedom fewer; where instruments differ, that is part of s.",
        "r holds under repeatability conditions. Where conditions changed the statements have no limit of their own: "
        f"the scatter lies between r and R, and R is what it is held against. From: {'; '.join(statements) or 'none'}.",
        f"{enough} of {len(report.summaries)} rest on the {STATEMENT_DEGREES} degrees of freedom that a statement of "
        "precision is to have (ISO 4259-1 [memory]). "
        f"How many pairs bring the upper end of the interval how near to s: {pairs}.",
    ]
    return note(*lines).html


def show_duplicates_beyond(report: DuplicateReport) -> Fragment:
    """Return the repeats that lie further apart than their limit, each with what to do next."""
    if not report.beyond:
        return note("No repeats lie further apart than their limit.")
    rows = [_beyond_cells(one) for one in report.beyond]
    columns = ("Sample, quantity", "When, where, who", "Results", "Apart, limit", "What to do next")
    html = html_table("Further apart than their limit", columns, rows, numeric=(2, 3))
    text = "\n".join(f"{one.name}: {one.apart}. {one.what_to_do}" for one in report.beyond)
    return Fragment(html, text)


def _beyond_cells(one: SetBeyond) -> tuple[str, ...]:
    conditions = f"{one.condition}{': ' if one.changed else ''}{one.changed}"
    when = f'<span title="{escape(one.runs)}">{one.measured_at:%Y-%m-%d %H:%M}</span>'
    where = (escape(text) for text in (one.instruments, one.operators) if text)
    what = f"{at_celsius(one.quantity, one.temperature_C)}, {one.unit}"
    return (
        f"{escape(one.sample)}<br><small>{escape(what)}</small>",
        "<br>".join((when, *where, f"<small>{escape(conditions)}</small>")),
        "<br>".join(hover_number(_result(one, value), value) for value in one.values),
        f"{hover_number(numeral(one.spread, figures=3), one.spread)}<br><small>{numeral(one.limit, figures=3)}</small>",
        f"<small>{escape(one.what_to_do)}</small>",
    )


def _result(one: SetBeyond, value: float) -> str:
    """Return a result with a figure more than is reported, so that the difference can be seen."""
    return numeral(value, 2) if one.quantity == "density" else numeral(value, figures=5)


def show_duplicate_biases(report: DuplicateReport) -> Fragment:
    """Return what differs on the whole between first and second results, or between instruments."""
    if not report.biased:
        return note("First and second results, and the instruments, differ on the whole no more than chance allows.")
    items = [f"{one.about}: {one.finding}. {one.what_to_do}" for one in report.biased]
    return bullets(items)


def show_pairing_rule(report: DuplicateReport) -> Fragment:
    """Return by which rule results count as repeats of each other."""
    choices = report.laboratory.duplicates
    endings = ", ".join(f"'{one}'" for one in choices.second_fill_endings)
    lines = [
        f"Repeats that count: {', '.join(choices.count)}. A sample is told by its name"
        + (f", without an ending {endings}." if endings else "."),
        "Repeatability: same instrument, operator and lots of reference oils, begun within "
        f"{choices.repeatability_window_h:g} h. Intermediate precision: any of these or the time changed, within "
        f"{choices.intermediate_window_d:g} d; the first result of each set of repeats stands for it.",
        "Replicates of a run count as "
        + ("fills of their own." if report.laboratory.report.replicates == "fills" else "determinations of one fill."),
        "Of several tests read together only what chance gives in no more than one report of twenty counts (Holm).",
    ]
    return note(*lines)


def show_duplicate_provenance(report: DuplicateReport) -> Fragment:
    """Return the exports that hold what was compared, with digest and rows; lab.toml; version."""
    html = sources_table("Exports that hold the results, and those that they may repeat", report.sources)
    html += html_table("Settings and version", ("What", "Which"), settings_and_version(report.laboratory))
    return Fragment(html, "; ".join(f"{one.name} {one.sha256}" for one in report.sources) or "no export")


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}."
