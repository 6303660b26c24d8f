"""A monthly report: what it is about, what needs action, what stays in cells, what results spread by, sources."""

import math
import re
from collections import Counter
from collections.abc import Mapping
from html import escape
from urllib.parse import quote

from labcalc.figures.markup import LOOKS, Fragment, Summary, bullets, folded, html_table, note, verdict_box
from labcalc.figures.provenance import headed, settings_and_version, sources_table
from labcalc.judgement import Action, CarryOver, ComponentsOfVariance, MonthReport
from labcalc.judgement.carry_over.run_order import LONGEST_PAUSE_H
from labcalc.judgement.carry_over.shares import DIRECTIONS
from labcalc.judgement.checks import CLOSED
from labcalc.statistics import CarriedShare, VarianceComponent, VarianceSum
from labcalc.wording import counted, numeral, percent


def summarise_month(report: MonthReport) -> Summary:
    """Return what the index page shows of a month, and its action list."""
    facts = {"verdict": report.verdict, "verdict_rank": report.rank, "line": report.reason, "number": report.number}
    return Summary({"quality": True, "month": report.month.name, **facts})


def show_month_header(report: MonthReport, links: Mapping[str, str] | None = None) -> Fragment:
    """Return which laboratory it is, how much was measured, and the ways to other pages."""
    runs = f"{counted(report.runs, 'run')} of samples, {report.reference_runs} of reference oils"
    line = f"{report.month.name} · {runs} · {counted(len(report.oils), 'chart')} with a result"
    return headed(report.laboratory, report.number, line, links)


def show_month_verdict(report: MonthReport) -> Fragment:
    """Return the verdict on the month with the first reason."""
    return verdict_box(report.verdict, report.rank, report.reason)


def show_actions(report: MonthReport, reports: Mapping[str, str] | None = None) -> Fragment:
    """Return what needs action, the most pressing first; what each speaks of is folded beneath it.

    reports : Run to the file of its report beside the page: those are linked.
    """
    if not report.actions:
        return note("Nothing needs action.")
    items = "".join(_action(one, reports or {}) for one in report.actions)
    keys = [(str(one.rank), f"<code>{escape(one.key)}</code>") for one in report.actions]
    to_give = folded("Keys, to give an action to somebody", html_table("Keys", ("Rank", "Key"), keys, stacked=True))
    text = "\n".join(f"{one.rank}. {one.about}: {one.finding} {one.followed}".rstrip() for one in report.actions)
    return Fragment(f'<ol class="ranks">{items}</ol>{to_give}', text)


def _action(one: Action, reports: Mapping[str, str]) -> str:
    rank, called = (0, "closed") if one.severity == CLOSED else (2, "now") if one.urgent else (1, "soon")
    state = f'<span class="state {LOOKS[rank]}">{called}</span>'
    followed = f"<p><strong>{escape(one.followed)}</strong></p>" if one.followed else ""
    to_do = re.sub(r"`([^`]+)`", r"<code>\1</code>", escape(one.what_to_do))
    step = f"<p><small>{to_do}</small></p>" if to_do else ""
    found = f"<p>{state} <strong>{escape(one.about)}</strong>: {escape(one.finding)}</p>"
    return f"<li>{found}{step}{followed}{folded(_all(one), _linked(one, reports))}</li>"


def _all(one: Action) -> str:
    """Say how many details there are: samples and signals each by themselves."""
    runs = len([run for run in str(one.facts.get("runs", "")).split(", ") if run])
    if 0 < runs < len(one.details):
        return f"All {counted(runs, 'sample')}, and {counted(len(one.details) - runs, 'further signal')}"
    return f"All {len(one.details)}"


def _linked(one: Action, reports: Mapping[str, str]) -> str:
    items = ""
    for run, line in zip(one.runs, one.details, strict=True):
        link = f'<a href="{escape(quote(reports[run]))}">{escape(run)}</a>' if reports.get(run) else escape(run)
        items += f"<li>{link}{escape(line[len(run) :])}</li>"
    return f"<ul>{items}</ul>" if items else ""


def show_notices(report: MonthReport) -> Fragment:
    """Return what has to be known beside the numbers."""
    if not report.notices:
        return note("No change of lot, and no certificate that runs out soon.")
    return bullets(report.notices)


def show_decisions(report: MonthReport) -> Fragment:
    """Return the decisions about runs of the month, and those written in it."""
    if not report.decisions:
        return note("No decision about a run of this month, and none written in it: no result is left out.")
    rows = []
    for one in report.decisions:
        about = ", ".join(filter(None, (one.run or one.instrument, one.oil, one.lot, one.quantity)))
        rows.append([*map(escape, (f"{one.when:%Y-%m-%d %H:%M}", one.who, one.what, about, one.why))])
    text = "\n".join(f"{one.when:%Y-%m-%d} {one.who}: {one.what} {one.run}: {one.why}" for one in report.decisions)
    return Fragment(html_table("Decisions", ("When", "Who", "What", "About", "Why"), rows, stacked=True), text)


def show_month_refusals(report: MonthReport) -> Fragment:
    """Return what was refused in the exports of the month, and which exports of the record could not be read."""
    refused = [*map(str, report.failures), *map(str, report.refusals)]
    if not refused:
        return note("No row of this month's exports was refused, and every export of the record could be read.")
    counts = ", ".join(f"{number} in {file}" for file, number in Counter(one.file for one in report.refusals).items())
    head = f"Rows refused in exports that hold rows of the month: {counts}." if counts else "Exports not read:"
    return Fragment(note(head).html + folded("Each, with what was expected", bullets(refused).html), "\n".join(refused))


def show_month_provenance(report: MonthReport) -> Fragment:
    """Return lab.toml, decisions and version; folded, the exports of the month and those that its limits rest on."""
    control = report.laboratory.control
    facts = [
        *settings_and_version(report.laboratory),
        ("Constants of the charts", escape(f"control.constants of lab.toml: {control.constants}")),
        ("Run rules", escape("; ".join(map(str, control.rules)))),
        ("EWMA", f"weight {control.ewma_weight:g}, limits at {control.ewma_multiple:g} standard deviations"),
        ("Test performance index", escape(control.performance.source)),
    ]
    html = html_table("Settings and version", ("What", "Which"), facts, stacked=True)
    ours, theirs = "Exports that hold rows of the month", "Exports that the limits of its charts rest on"
    for caption, sources in ((ours, report.sources), (theirs, report.limit_sources)):
        html += folded(f"{caption}: {len(sources)}", sources_table(caption, sources))
    return Fragment(html, "; ".join(f"{one.name} {one.sha256}" for one in report.sources))


def show_carry_over(report: MonthReport) -> Fragment:
    """Return the share that stays in each instrument's cell, and the runs that it moved, by name."""
    if not report.carry_overs:
        return note("No run with a time and an instrument: nothing tells of a carry-over.")
    columns, rows = ("Instrument", "k (95 %)", "Changes", "Moved"), []
    for one in report.carry_overs:
        for direction, share in zip(DIRECTIONS, one.shares, strict=True):
            moved = sum(run.direction == direction for run in one.at_risk)
            what = f"{escape(one.instrument)} after a {direction} sample"
            rows.append((what, _in_percent(share), str(share.changes), str(moved)))
    title = "Share k of the sample before that stays in the cell, %"
    html = html_table(title, columns, rows, numeric=(1, 2, 3), stacked=True)
    html += (
        '<p class="note">k from the viscosities (logarithms) of reference oils and of products with typical values, '
        "half a year up to the end of the month, each oil and lot with its own level. "
        "Changes: results after a sample at least twice as thick or as thin. Moved: runs of the month by more than "
        f"r, each by the share as known when it ran. Runs after a pause of more than {LONGEST_PAUSE_H:g} h are left "
        f"out.{_not_told(report)}</p>"
    )
    return Fragment(html, "\n".join(_sentence(one) for one in report.carry_overs))


def _not_told(report: MonthReport) -> str:
    unsure = [one for one in report.carry_overs if one.unsure]
    named = ", ".join(f"{one.unsure} of {one.followed} runs on {escape(one.instrument)}" for one in unsure)
    untold = " A share that is not known is told by 21 runs: workbook bench-calculations, page Carry-over."
    known = all(share.known for one in report.carry_overs for share in one.shares)
    return (f" Too little is known to tell of {named}." if named else "") + untold * (not known)


def _sentence(one: CarryOver) -> str:
    told = []
    for direction, share in zip(DIRECTIONS, one.shares, strict=True):
        stays = f"not known: {share.why_not}"
        if share.known:
            stays = f"{percent(share.value, 2)} ({_reach(share)}) stays, from {counted(share.changes, 'change')}"
        told.append(f"after a {direction} sample {stays}")
    moved = ", ".join(f"{run.sample} after {run.sample_before}" for run in one.at_risk) or "none"
    return f"{one.instrument}: {'; '.join(told)}. Runs moved beyond their repeatability: {moved}."


def _in_percent(share: CarriedShare) -> str:
    """Write a share and its interval as a cell without the unit; why it isn't known on hover."""
    if not share.known:
        return f'<span title="{escape(share.why_not)}">not known</span>'
    return f"{percent(share.value, 2)} ({_reach(share)})".replace(" %", "")


def _reach(share: CarriedShare) -> str:
    if math.isnan(share.interval[0]):
        return "–"
    low, high = share.interval
    return f"{numeral(100.0 * low, 2)} to {percent(high, 2)}"


def show_components(studies: tuple[ComponentsOfVariance, ...]) -> Fragment:
    """Return a table of studies, and what could not be told."""
    if not studies:
        return note("No reference oil was measured often enough to tell what its results spread by.")
    title = "What results of the reference oils spread by"
    columns = ("Oils, quantity", "n", "Standard deviation (95 %)", "Of it: share of the variance, s (95 %)")
    html = html_table(title, columns, map(_cells, studies), numeric=(1,), stacked=True)
    known = dict.fromkeys(one for study in studies for one in (*study.not_enough, *study.remarks))
    if items := "".join(f"<li>{escape(line)}</li>" for line in known):
        html += f'<p class="note">What has to be known:</p><ul class="note">{items}</ul>'
    return Fragment(folded(studies[0].sentence, html), "\n".join(study.sentence for study in studies))


def _cells(study: ComponentsOfVariance) -> tuple[str, ...]:
    if study.components is None or not study.components.total.variance:
        return escape(study.name), str(study.number), "–", escape(study.sentence)
    symbol, total = study.intermediate_precisions[0]
    parts = sorted(study.components.components, key=lambda one: -one.share)
    deviation, interval = _spread(total)
    return (
        escape(study.name),
        str(study.number),
        f"{symbol} = {deviation} {study.unit}<br>({interval})",
        "<br>".join(escape(f"{one.name} {percent(one.share, 0)}, {' ('.join(_spread(one))})") for one in parts),
    )


def _spread(one: VarianceComponent | VarianceSum) -> tuple[str, str]:
    return numeral(one.deviation), " to ".join(map(numeral, one.deviation_interval))
