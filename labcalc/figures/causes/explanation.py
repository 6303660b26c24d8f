"""What could explain a run, in words and bars: the ranked causes, what a measurement would decide, the conclusions."""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape
from typing import TYPE_CHECKING

from labcalc.figures.markup import Fragment, html_table, note
from labcalc.judgement import reported_value
from labcalc.lab import Decision

if TYPE_CHECKING:
    from labcalc.judgement.causes import Evidence, Explanation, Outcome

_WORTH_A_LINE = 0.01
"""Causes less probable than this share one line."""


def percent(share: float) -> str:
    """Write a probability as a person says it.

    >>> percent(0.623), percent(0.0004), percent(0.9997)
    ('62 %', '< 1 %', '> 99 %')
    """
    if share < 0.01:
        return "< 1 %"
    return "> 99 %" if share > 0.99 else f"{100.0 * share:.0f} %"


def show_evidence(evidence: Evidence) -> Fragment:
    """Return against what the run is looked at, and which sample was before."""
    words = f"Looked at against {evidence.expectation}; noise: {evidence.noise.words}."
    if evidence.before is not None:
        words += f" The sample before: {evidence.before.sample}, {_hours(evidence.before.hours_ago)} earlier."
    return note(words)


def show_explanations(explanations: Sequence[Explanation], before: Sequence[Explanation] = ()) -> Fragment:
    """Return the causes, most probable first: a bar, the size with its interval, what speaks for it, what to do next.

    Parameters
    ----------
    explanations : sequence of Explanation
        As ``rank_causes`` returns them.
    before : sequence of Explanation, optional
        The causes as they were without an added measurement; then each says where it came from.
    """
    was = {one.cause: one.probability for one in before}
    shown = [one for one in explanations if one.probability >= _WORTH_A_LINE]
    rest = [one for one in explanations if one.probability < _WORTH_A_LINE]
    items = "".join(f"<li>{_explanation(one, was.get(one.cause))}</li>" for one in shown)
    html = f'<ol class="causes">{items}</ol>'
    if rest:
        names = "; ".join(one.title[0].lower() + one.title[1:] for one in rest)
        html += f'<p class="note">Less than 1 % each: {escape(names)}.</p>'
    text = "\n".join(f"{percent(one.probability)}: {one.title}{_size(one)}" for one in shown)
    return Fragment(html, text)


def _explanation(one: Explanation, was: float | None) -> str:
    change = f" <small>before: {percent(was)}</small>" if was is not None else ""
    where = f", {one.where}" if one.where else ""
    parts = [
        '<p class="cause"><span class="bar" aria-hidden="true">'
        f'<span style="width:{100 * one.probability:.1f}%"></span>'
        f"</span> <b>{percent(one.probability)}</b>{change} <b>{escape(one.title)}</b>{escape(where)}"
        f'<span class="size">{escape(_size(one))}</span></p>',
        f"<p>{escape(one.sentence)}</p>",
    ]
    if one.next_measurement is not None:
        parts.append(f'<p class="next"><b>Next:</b> {escape(one.next_measurement.sentence)}</p>')
    if one.caution:
        parts.append(f'<p class="note">{escape(one.caution)}</p>')
    return "".join(parts)


def _size(one: Explanation) -> str:
    if not one.unit or not math.isfinite(one.size):
        return ""
    low, high = (_signed(value, one) for value in (one.lowest, one.highest))
    return f": {_signed(one.size, one)} {one.unit} (95\u00a0%: {low} to {high})"


def _signed(value: float, one: Explanation) -> str:
    if not math.isfinite(value):
        return "–"
    sign = "−" if value < 0.0 else "+" if one.lowest < 0.0 or one.unit == "K" else ""
    return f"{sign}{abs(value):.2g}"


def show_outcomes(outcomes: Sequence[Outcome], asked: str, quantity: str) -> Fragment:
    """Return what each cause says that a measurement would show; ``asked`` is the measurement in words."""
    rows = [
        (
            escape(one.title),
            percent(one.probability),
            reported_value(quantity, one.value),
            f"{reported_value(quantity, one.lowest)} to {reported_value(quantity, one.highest)}",
            escape(one.unit),
        )
        for one in outcomes
        if one.probability >= _WORTH_A_LINE
    ]
    columns = ("If the cause is", "Now", "It would show", "95 %", "Unit")
    text = "\n".join(f"{row[0]}: {row[2]} ({row[3]}) {row[4]}" for row in rows)
    return Fragment(html_table(asked, columns, rows, numeric=(1, 2, 3)), text)


def show_conclusions(decisions: Sequence[Decision]) -> Fragment:
    """Return what people decided about a run."""
    if not decisions:
        return note("Nothing has been decided about this run yet.")
    rows = [(f"{one.when:%Y-%m-%d %H:%M}", escape(one.who), escape(one.what), escape(one.why)) for one in decisions]
    text = "\n".join(f"{when} {who}: {what}: {why}" for when, who, what, why in rows)
    return Fragment(html_table("Decisions about this run", ("When", "Who", "What", "Why"), rows), text)


def _hours(hours: float) -> str:
    if not math.isfinite(hours):
        return "at an unknown time"
    return f"{hours * 60:.0f} min" if hours < 2.0 else f"{hours:.0f} h"
