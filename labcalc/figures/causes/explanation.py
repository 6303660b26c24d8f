"""What could explain a run, in words and bars: the ranked causes, what a measurement would decide, the conclusions."""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape
from typing import TYPE_CHECKING, Literal

from labcalc.figures.markup import Fragment, folded, html_table, note
from labcalc.judgement import reported_value
from labcalc.lab import Decision
from labcalc.lab.practice import FILLING_AND_CLEANING
from labcalc.wording import numeral, probability, signed

if TYPE_CHECKING:
    from labcalc.judgement.causes import Evidence, Explanation, LaboratoryOdds, Outcome

_WORTH_A_LINE = 0.01  # causes less probable than this share one line
_NOTHING_FITS = "None of the listed causes fits these numbers; the nearest comes first."
FINEST = 1.0  # what the probability of a cause is not told finer than, [%]


def show_evidence(evidence: Evidence) -> Fragment:
    """Return against what the run is looked at, and which sample was before."""
    words = f"Looked at against {evidence.expectation}; noise: {evidence.noise.words}."
    if evidence.before is not None:
        words += f" The sample before: {evidence.before.sample}, {_hours(evidence.before.hours_ago)} earlier."
    return note(words)


def show_explanations(
    explanations: Sequence[Explanation],
    before: Sequence[Explanation] = (),
    laboratory: LaboratoryOdds | None = None,
    *,
    others: Literal["told", "folded", "named"] = "told",
) -> Fragment:
    """Return the causes, most probable first: a bar, the size with its interval, what speaks for it, what to do.

    explanations : As ``rank_causes`` returns them.
    before : The causes as they were without an added measurement; then each says where it came from.
    laboratory : What the laboratory concluded about other runs; then each says how often it was that.
    others : Whether the others are told like the first, are a line that opens, or are named only; where they are, the
        first step stands elsewhere too.
    """
    from labcalc.judgement.causes.explanation import UNLIKELY

    was = {one.cause: one.probability for one in before}
    shown = [one for one in explanations if one.probability >= _WORTH_A_LINE]
    rest = [one for one in explanations if one.probability < _WORTH_A_LINE]
    fits = not explanations[0].p_value < UNLIKELY  # else not even the most probable cause fits the numbers
    items, in_short = "", others == "named"
    for place, one in enumerate(shown):
        head = _head(one, was.get(one.cause), laboratory, fits=fits)
        about = "" if place and in_short else _about(one, leads=place == 0, fits=fits, step=not in_short)
        opens = f"<details{'' if place else ' open'}><summary>{head}</summary>{about}</details>"
        items += f"<li>{opens}</li>" if others == "folded" else f'<li><p class="cause">{head}</p>{about}</li>'
    notes = [] if fits else [_NOTHING_FITS]
    notes += [f"Caution: {shown[0].caution}"] if shown[0].caution else []
    notes += [FILLING_AND_CLEANING] if "fill" in _step(shown[0], leads=True, fits=fits)[1] else []
    if rest:
        names = "; ".join(one.title[0].lower() + one.title[1:] for one in rest)
        notes.append(f"{probability(0.0, FINEST)} each: {names}.")
    notes += [laboratory.words] if laboratory and laboratory.total else []
    text = "\n".join(f"{_said(one, fits=fits)}: {one.title}{_size(one)}" for one in shown)
    told = note(*notes).html
    told = folded("The other causes, and how to fill and clean", told) if in_short and fits else told
    return Fragment(f'<ol class="causes">{items}</ol>{told}', text)


def _said(one: Explanation, *, fits: bool) -> str:
    return probability(one.probability, FINEST) if fits else "fits not"


def _step(one: Explanation, *, leads: bool, fits: bool) -> tuple[str, str]:
    """Return what to do about a cause, after its name: the repair of one that is sure, else what tells it apart."""
    from labcalc.judgement.causes.repairs import SURE, repair_of

    if leads and fits and one.probability >= SURE:
        return "Now", repair_of(one.cause)
    return ("Next", one.next_measurement.sentence) if one.next_measurement else ("", "")


def _head(one: Explanation, was: float | None, laboratory: LaboratoryOdds | None, *, fits: bool) -> str:
    said = f"<b>{escape(_said(one, fits=fits))}</b>"
    if was is not None:
        said += f" <small>after, {escape(probability(was, FINEST))} before</small>"
    own = laboratory.of(one.cause) if laboratory else ""
    return (
        f'<span class="bar" aria-hidden="true"><span style="width:{100 * one.probability:.1f}%"></span></span> {said} '
        f"<b>{escape(one.title)}</b>{escape(f', {one.where}' if one.where else '')}"
        f'<span class="size">{escape(_size(one))}</span>{f" <small>{own}</small>" if own else ""}'
    )


def _about(one: Explanation, *, leads: bool, fits: bool, step: bool = True) -> str:
    head, words = _step(one, leads=leads, fits=fits)
    parts = [f"<p>{escape(one.sentence)}</p>"]
    parts += [f'<p class="next"><b>{head}:</b> {escape(words)}</p>'] if head and step else []
    parts += [f'<p class="note">Caution: {escape(one.caution)}</p>'] if one.caution and not leads else []
    return "".join(parts)


def _size(one: Explanation) -> str:
    if not one.unit or not math.isfinite(one.size):
        return ""
    said = signed if one.lowest < 0.0 or one.unit == "K" else numeral  # with a sign where it has two sides
    size, low, high = map(said, (one.size, one.lowest, one.highest))
    return f": {size} {one.unit} (95 %: {low} to {high})"


def show_outcomes(outcomes: Sequence[Outcome], asked: str, quantity: str) -> Fragment:
    """Return what each cause says that a measurement would show; ``asked`` is the measurement in words."""
    rows = [
        (
            escape(one.title),
            escape(probability(one.probability, FINEST)),
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
    return f"{numeral(hours * 60, 0)} min" if hours < 2.0 else f"{numeral(hours, 0)} h"
