"""Tables and the verdict as HTML: every text escaped, numbers to the right, full precision on hover."""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape
from typing import Any

import pandas as pd

from labcalc.errors import ExportError
from labcalc.exports import without_marks
from labcalc.figures.markup import Fragment, Summary, bullets, fact_list, hover_number, html_table, note, verdict_box
from labcalc.figures.provenance import from_memory, settings_and_version, without_mark
from labcalc.judgement import Check, Consequence, Judgement, Result
from labcalc.lab import method_of
from labcalc.lab.practice import HOT, LOCAL_RULES, PRESSED_AIR, SOLVENTS
from labcalc.wording import numeral

_STATE_SIGNS = {"met": "✓", "doubtful": "?", "not met": "✗", "not checked": "–"}


def summarise(judgement: Judgement) -> Summary:
    """Return what the index page shows of a run."""
    dossier = judgement.dossier
    return Summary(
        {
            "verdict": judgement.verdict,
            "verdict_rank": judgement.rank,
            "line": judgement.reason,
            "sample": dossier.sample,
            "role": "reference" if dossier.is_reference else "sample",
            **_of_its_day(judgement),
        }
    )


def _of_its_day(judgement: Judgement) -> dict[str, str]:
    """Return the instrument's day and what may be wrong with it, where that is the likeliest cause of odd numbers."""
    leading, began = judgement.leading if judgement.rank else None, judgement.dossier.rows["measured_at"].min()
    if leading is None or not leading.is_of_the_instrument or pd.isna(began):
        return {}
    return {"day": f"{judgement.dossier.instrument or 'one instrument'} on {began:%Y-%m-%d}", "cause": leading.title}


def show_header(judgement: Judgement) -> Fragment:
    """Return what the run is: sample, product, lot, instrument, operator, time."""
    dossier = judgement.dossier
    first = dossier.rows.iloc[0]
    start, end = dossier.rows["measured_at"].min(), dossier.rows["measured_at"].max()
    facts = {
        "Laboratory": dossier.laboratory.name,
        "Run": dossier.run,
        "Sample": dossier.sample,
        "Product": dossier.product_name,
        "Lot": _known(first["lot"]),
        "Instrument": dossier.instrument,
        "Operator": ", ".join(dict.fromkeys(map(str, dossier.rows["operator"].dropna()))),
        "Measured": _interval(start, end),
        "Since then": dossier.afterwards,
        "Remark": "; ".join(dict.fromkeys(filter(None, without_marks(dossier.rows["remark"])))),
    }
    return fact_list(facts)


def show_verdict(judgement: Judgement) -> Fragment:
    """Return the verdict with its reason in one sentence."""
    css = ("releasable", "second-look", "not-releasable")[judgement.rank]
    return verdict_box(judgement.verdict, css, judgement.reason)


def show_checks(checks: Sequence[Check]) -> Fragment:
    """Return the checks, worst first, each with its finding and its basis."""
    order = {"not met": 0, "doubtful": 1, "met": 2, "not checked": 3}
    ranked = sorted(checks, key=lambda check: order[check.state])
    rows = [
        (
            f'<span class="state {check.state.replace(" ", "-")}">'
            f'<span aria-hidden="true">{_STATE_SIGNS[check.state]}</span> {check.state}</span>',
            escape(check.name),
            escape(check.finding) + (f"<br><small>{escape(without_mark(check.basis))}</small>" if check.basis else ""),
        )
        for check in ranked
    ]
    text = "\n".join(f"{check.state}: {check.name}: {check.finding}" for check in ranked)
    return Fragment(
        html_table("Checks behind the verdict", ("State", "Check", "Finding and limit"), rows, row_header=1), text
    )


def show_results(results: Sequence[Result]) -> Fragment:
    """Return the results: value, unit, expanded uncertainty, repeats."""
    rows = [
        (
            escape(r.name),
            hover_number(r.reported, r.value),
            escape(r.unit),
            hover_number(numeral(r.expanded_uncertainty, unknown="unknown"), r.expanded_uncertainty),
            numeral(r.budget.coverage_factor, 2),
            str(len(r.repeats)) + (" (median)" if r.rule == "median" else ""),
            escape("follows from the other two" if r.follows else "measured"),
        )
        for r in results
    ]
    columns = ("Quantity", "Value", "Unit", "U (95 %)", "k", "Determinations", "How")
    bases = sorted(
        {f"U of {'density' if r.quantity == 'density' else 'viscosity'}: {r.uncertainty_basis}" for r in results}
    )
    html = html_table("Means of the determinations at each temperature", columns, rows, numeric=(1, 3, 4, 5))
    text = "\n".join(f"{r.name}: {r.reported} {r.unit}" for r in results)
    return Fragment(html + note(*(f"{basis}." for basis in bases)).html, text)


def show_consequences(consequences: Sequence[Consequence]) -> Fragment:
    """Return what follows from the results, each with its standard."""
    rows = [
        (
            escape(c.name),
            hover_number(c.reported, c.value) if math.isfinite(c.value) else escape(c.reported),
            escape(c.unit),
            hover_number(numeral(c.expanded_uncertainty, unknown="unknown"), c.expanded_uncertainty)
            if c.effects
            else "–",
            escape(without_mark(c.standard)),
            escape(c.note),
        )
        for c in consequences
    ]
    columns = ("Quantity", "Value", "Unit", "U (95 %)", "Method", "Note")
    text = "\n".join(f"{c.name}: {c.reported} {c.unit} {c.note}".rstrip() for c in consequences)
    return Fragment(html_table("Calculated by published methods", columns, rows, numeric=(1, 3)), text)


def show_provenance(judgement: Judgement, record_failures: Sequence[ExportError] = ()) -> Fragment:
    """Return where the numbers come from: files with digest and rows, lab.toml, version, methods with editions."""
    dossier = judgement.dossier
    places = dossier.rows.groupby("source_file", sort=False)["source_line"].apply(lambda lines: _lines(lines.tolist()))
    files = [
        (
            escape(source.name),
            f'<code class="digest">{escape(source.sha256)}</code>',
            escape(places.get(source.name, "")),
            str(source.rows_read),
            str(source.rows_refused),
            escape(source.read_as),
        )
        for source in dossier.sources
    ]
    standards = dict.fromkeys(one.standard for one in judgement.consequences)
    limits = dict.fromkeys(f"{one.source} [{one.mark}]" for one in dossier.limits if one.source)
    memory = from_memory(judgement.precision, (*standards, *(check.basis for check in judgement.checks)))
    columns = ("Export", "SHA-256", "Lines of this run", "Rows read", "Rows refused", "Read as")
    html = html_table("Exports", columns, files, numeric=(3, 4))
    versions = [
        *settings_and_version(dossier.laboratory),
        ("Methods", "<br>".join(escape(without_mark(one)) for one in standards)),
        ("Precision statements", "<br>".join(map(escape, _precision(judgement))) or "none in force"),
        ("Limits of standards", "<br>".join(map(escape, limits)) or "none asked for"),
        ("From memory", "<br>".join(map(escape, memory)) or "nothing"),
    ]
    html += html_table("Settings, version, methods", ("What", "Which"), versions)
    told = [f"An earlier export of the record could not be read: {one}" for one in record_failures]
    told += [f"Of the decisions, line {one.line} is not sound: {one.problem}" for one in dossier.unusable]
    html += note(*told).html
    return Fragment(html, "; ".join(f"{s.name} {s.sha256}" for s in dossier.sources))


def show_refusals(judgement: Judgement) -> Fragment:
    """Return what was refused in the exports that the run stands in."""
    refusals = judgement.dossier.refusals
    if not refusals:
        return note("No row of these exports was refused.")
    return bullets([str(one) for one in refusals], "Refused rows of these exports:")


def show_cautions() -> Fragment:
    """Return the cautions that go with the work and with the figures."""
    cautions = (
        f"{SOLVENTS} {HOT}",
        PRESSED_AIR,
        LOCAL_RULES,
        "What stands under 'From memory', or is marked so, was written down without the standard at hand: check it "
        "against the standard's current text before results are signed, or state your own in lab.toml.",
    )
    return bullets(cautions)


def _precision(judgement: Judgement) -> list[str]:
    """Name the statements in force; say where none is, and where the method of the instrument was assumed."""
    dossier, found = judgement.dossier, [f"{one.quantity}: {one.title}" for one in judgement.precision]
    for quantity in dict.fromkeys(one.quantity for one in judgement.results if not one.follows):
        statements = [one.agreement.statement for one in judgement.results if one.quantity == quantity]
        published = any(one is not None and one.mark != "laboratory" for one in statements)
        if published and not method_of(dossier.laboratory, dossier.instrument, quantity):
            found.append(f"{quantity}: the method is assumed; [[instrument]] methods of lab.toml names none")
    reasons = (
        dossier.precision_in_force(one.quantity, one.temperature_C, one.value).why_not for one in judgement.results
    )
    return [*found, *dict.fromkeys(filter(None, reasons))]


def _known(value: object) -> str:
    return "" if value is None or value != value else str(value)


def _interval(start: Any, end: Any) -> str:
    if start != start:
        return ""
    same_day = start.date() == end.date()
    until = "" if start == end else f" to {end:%H:%M}" if same_day else f" to {end:%Y-%m-%d %H:%M}"
    return f"{start:%Y-%m-%d %H:%M}{until} ({start.tz})"


def _lines(lines: list[int]) -> str:
    """Write line numbers as a person does: 4–7, 12."""
    parts: list[list[int]] = []
    for line in sorted(lines):
        if parts and line == parts[-1][-1] + 1:
            parts[-1].append(line)
        else:
            parts.append([line])
    return ", ".join(str(part[0]) if len(part) == 1 else f"{part[0]}–{part[-1]}" for part in parts)
