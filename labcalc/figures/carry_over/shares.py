"""Carry-over of a month: what stays in the cells, the runs that it moved, and the results that show it."""

import math
from collections.abc import Iterator
from html import escape

import numpy as np

from labcalc.figures.markup import Fragment, folded, html_table, note
from labcalc.figures.picture import Numbers, Picture
from labcalc.figures.theme import ACCENT, INK, MUTED, Figure, band, blank_figure, marker, stroke
from labcalc.judgement import CarryOver, Month, MonthReport
from labcalc.judgement.carry_over.run_order import LONGEST_PAUSE_H
from labcalc.judgement.carry_over.shares import DIRECTIONS
from labcalc.statistics import CarriedShare
from labcalc.wording import counted, numeral, percent, plain, signed

_RATIOS = (0.001, 0.01, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 100.0, 1000.0)  # where the axis of ratios is marked


def show_carry_over(report: MonthReport) -> Fragment:
    """Return the share that stays in each instrument's cell, and the runs that it moved, by name."""
    if not report.carry_overs:
        return note("No run with a time and an instrument: nothing tells of a carry-over.")
    columns = ("Instrument", "k (95 %)", "Changes", "Moved")
    rows = [row for one in report.carry_overs for row in _share_rows(one)]
    html = html_table(
        "Share k of the sample before that stays in the cell, %", columns, rows, numeric=(1, 2, 3), stacked=True
    )
    html += (
        '<p class="note">k from the viscosities (logarithms) of reference oils and of products with typical values, '
        "half a year up to the end of the month, each oil and lot with its own level. "
        "Changes: results after a sample at least twice as thick or as thin. Moved: runs of the month by more than "
        f"r, each by the share as known when it ran. Runs after a pause of more than {LONGEST_PAUSE_H:g} h are left "
        f"out.{_not_told(report)}</p>"
    )
    html += _plans(report)
    return Fragment(html, "\n".join(_sentence(one) for one in report.carry_overs))


def _share_rows(one: CarryOver) -> Iterator[tuple[str, ...]]:
    for direction, share in zip(DIRECTIONS, one.shares, strict=True):
        moved = sum(run.direction == direction for run in one.at_risk)
        yield (
            f"{escape(one.instrument)} after a {direction} sample",
            _in_percent(share),
            str(share.changes),
            str(moved),
        )


def _not_told(report: MonthReport) -> str:
    unsure = [one for one in report.carry_overs if one.unsure]
    named = ", ".join(f"{one.unsure} of {one.followed} runs on {escape(one.instrument)}" for one in unsure)
    return f" Too little is known to tell of {named}." if named else ""


def _plans(report: MonthReport) -> str:
    """Write down the runs that tell the share at once, where the record doesn't."""
    without = [one for one in report.carry_overs if one.plan]
    if not without:
        return ""
    plan = without[0].plan
    items = "".join(f"<li>{escape(step.sample)}: {escape(step.counts_as)}</li>" for step in plan)
    names = ", ".join(one.instrument for one in without)
    summary = f"How to find k on {names}: {len(plan)} runs, one after the other, cleaned in between as always"
    return folded(summary, f"<ol>{items}</ol>")


def _sentence(one: CarryOver) -> str:
    told = "; ".join(
        f"{words} {percent(share.value, 2)} ({_reach(share)}) stays, from {counted(share.changes, 'change')}"
        if share.known
        else f"{words} not known: {share.why_not}"
        for words, share in _in_words(one)
    )
    moved = ", ".join(f"{run.sample} after {run.sample_before}" for run in one.at_risk) or "none"
    return f"{one.instrument}: {told}. Runs moved beyond their repeatability: {moved}."


def carry_over_pictures(report: MonthReport) -> tuple[Picture, ...]:
    """Return, for each instrument, the results that show what stays in its cell."""
    return tuple(draw_carry_over(one, report.month) for one in report.carry_overs if one.results.runs)


def draw_carry_over(one: CarryOver, month: Month) -> Picture:
    """Draw the results against what ran before them.

    Returns : Difference from the own level, [%], over how many times as thick the sample before was, [-].
    """
    told = one.results
    inside = ~told.aside
    reach = 1.15 * float(np.max(np.abs(told.away_percent[inside]), initial=0.1))
    figure = blank_figure(
        "Viscosity of the sample before, in multiples of the own",
        "Difference from own level, %",
        height=380,
        xaxis={"type": "log", "tickvals": list(_RATIOS), "ticktext": [plain(ratio) for ratio in _RATIOS]},
        yaxis={"range": [-reach, reach]},
    )
    for share, side in zip(one.shares, (told.ratio[told.ratio > 1.0], told.ratio[told.ratio < 1.0]), strict=True):
        if share.known and side.size:
            _add_share(figure, share, float(side[np.argmax(np.abs(np.log(side)))]))
    figure.add_scatter(
        x=told.ratio[inside].round(4),
        y=told.away_percent[inside].round(4),
        mode="markers",
        marker=marker("circle", INK, 6),
        name="result",
    )
    if told.aside.any():
        held = np.clip(told.away_percent[told.aside], -0.97 * reach, 0.97 * reach)
        figure.add_scatter(
            x=told.ratio[told.aside].round(4),
            y=held.round(4),
            mode="markers",
            marker=marker("x-thin", MUTED, 10),
            name="moved by something else",
        )
    title = f"{one.instrument}: the results that tell of its carry-over"
    return Picture(figure, _caption(one, month), *_numbers(one), folded=title)


def _add_share(figure: Figure, share: CarriedShare, end: float) -> None:
    """Draw the share as a curve of ν over the ratio, with its band; straight on this axis but for the far end."""
    ratio = np.geomspace(1.0, end, 41)
    low, middle, high = (
        100.0 * np.expm1(k * np.log(ratio)) for k in (share.interval[0], share.value, share.interval[1])
    )
    first = not any(trace.get("name") == "share that stays, 95 %" for trace in figure.data)
    figure.add_scatter(**band(ratio.round(5), low.round(5), high.round(5), showlegend=False))
    figure.add_scatter(
        x=ratio.round(5),
        y=middle.round(5),
        mode="lines",
        line=stroke(ACCENT, width=2.0),
        name="share that stays, 95 %",
        showlegend=first,
    )


def _caption(one: CarryOver, month: Month) -> str:
    aside = int(one.results.aside.sum())
    left = (
        f" {aside} that something else has moved tell nothing of it: crosses, at the edge where they lie beyond it."
        if aside
        else ""
    )
    return (
        f"{one.instrument}, {counted(len(one.results.runs), 'result')} up to the end of {month.name}: "
        + "; ".join(
            f"{words} k = {percent(share.value, 2)} ({_reach(share)})" if share.known else f"{words} k is not known"
            for words, share in _in_words(one)
        )
        + f". Each point is a viscosity less the level of its own oil or lot, band 95 %.{left}"
    )


def _numbers(one: CarryOver) -> Numbers:
    told = one.results
    rows = tuple(
        (run, plain(ratio, 4), signed(away, 3), "moved by something else" if aside else "")
        for run, ratio, away, aside in zip(told.runs, told.ratio, told.away_percent, told.aside, strict=True)
    )
    return ("Run", "Sample before / own level", "Difference, %", ""), rows


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


def _in_words(one: CarryOver) -> list[tuple[str, CarriedShare]]:
    return [(f"after a {direction} sample", share) for direction, share in zip(DIRECTIONS, one.shares, strict=True)]
