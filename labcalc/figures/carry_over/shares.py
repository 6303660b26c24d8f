"""Carry-over of a month: what stays in the cells, and the runs that it moved."""

import math
from html import escape

from labcalc.figures.markup import Fragment, html_table, note
from labcalc.judgement import CarryOver, MonthReport
from labcalc.judgement.carry_over.run_order import LONGEST_PAUSE_H
from labcalc.judgement.carry_over.shares import DIRECTIONS
from labcalc.statistics import CarriedShare
from labcalc.wording import counted, numeral, percent


def show_carry_over(report: MonthReport) -> Fragment:
    """Return the share that stays in each instrument's cell, and the runs that it moved, by name."""
    if not report.carry_overs:
        return note("No run with a time and an instrument: nothing tells of a carry-over.")
    columns = ("Instrument", "k (95 %)", "Changes", "Moved")
    rows = [
        (
            f"{escape(one.instrument)} after a {direction} sample",
            _in_percent(share),
            str(share.changes),
            str(sum(run.direction == direction for run in one.at_risk)),
        )
        for one in report.carry_overs
        for direction, share in zip(DIRECTIONS, one.shares, strict=True)
    ]
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
    told = "; ".join(
        f"after a {direction} sample {percent(share.value, 2)} ({_reach(share)}) stays, from "
        f"{counted(share.changes, 'change')}"
        if share.known
        else f"after a {direction} sample not known: {share.why_not}"
        for direction, share in zip(DIRECTIONS, one.shares, strict=True)
    )
    moved = ", ".join(f"{run.sample} after {run.sample_before}" for run in one.at_risk) or "none"
    return f"{one.instrument}: {told}. Runs moved beyond their repeatability: {moved}."


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
