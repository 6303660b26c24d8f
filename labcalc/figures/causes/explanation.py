"""What could explain a run, in words and bars: the ranked causes, the conclusions."""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape
from typing import TYPE_CHECKING, Literal

from labcalc.errors import EvidenceError
from labcalc.figures.causes.pictures import draw_deviations
from labcalc.figures.markup import Fragment, folded, html_table, note
from labcalc.figures.picture import Picture
from labcalc.judgement import Judgement
from labcalc.lab import Decision
from labcalc.lab.practice import FILLING_AND_CLEANING
from labcalc.wording import numeral, percent, probability, signed

if TYPE_CHECKING:
    from labcalc.judgement.causes import Evidence, Explanation, LaboratoryOdds

_WORTH_A_LINE = 0.01  # causes less probable than this share one line
_TOO_LITTLE = "One result alone is too little to tell causes apart: measure a fresh fill at a second temperature."
_NOTHING_FITS = "None of the listed causes fits these numbers; the nearest comes first."
FINEST = 1.0  # what the probability of a cause is not told finer than, [%]
_MOST_TAKEN_FOR = 2
_BEYOND = "Something that is on no list, or two at once"


def show_evidence(evidence: Evidence) -> Fragment:
    """Return against what the run is looked at, and which sample was before."""
    words = f"Looked at against {evidence.course.words}; noise: {evidence.noise.words}."
    if evidence.before is not None:
        hours = evidence.before.hours_ago
        ago = f"{numeral(hours * 60, 0)} min" if hours < 2.0 else f"{numeral(hours, 0)} h"
        ago = ago if math.isfinite(hours) else "at an unknown time"
        words += f" The sample before: {evidence.before.sample}, {ago} earlier."
    return note(words)


def show_explanations(
    explanations: Sequence[Explanation],
    before: Sequence[Explanation] = (),
    laboratory: LaboratoryOdds | None = None,
    *,
    others: Literal["told", "folded", "named"] = "told",
) -> Fragment:
    """Return the causes, most probable first: a bar, the size with its interval, what speaks for it, what to do.

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
        about = "" if in_short and (place or fits) else _about(one, leads=place == 0, fits=fits, step=not in_short)
        opens = f"<details{'' if place else ' open'}><summary>{head}</summary>{about}</details>"
        items += f"<li>{opens}</li>" if others == "folded" else f'<li><p class="cause">{head}</p>{about}</li>'
    notes = [] if fits else [_NOTHING_FITS]
    notes += [f"Caution: {shown[0].caution}"] if shown[0].caution else []
    notes += [FILLING_AND_CLEANING] if "fill" in _step(shown[0], leads=True, fits=fits)[1] else []
    notes += [f"{shown[0].sentence} ({shown[0].misfit_words})"] if in_short and fits else []
    if rest:
        names = "; ".join(one.title[0].lower() + one.title[1:] for one in rest)
        notes.append(f"{probability(0.0, FINEST)} each: {names}.")
    notes += [laboratory.words] if laboratory and laboratory.total else []
    text = "\n".join(f"{_said(one, fits=fits)}: {one.title}{_size(one)}" for one in shown)
    told = note(*notes).html
    told = folded("What speaks for it, the other causes, how to fill and clean", told) if in_short and fits else told
    return Fragment(f'<ol class="causes">{items}</ol>{told}', text)


def _said(one: Explanation, *, fits: bool) -> str:
    return probability(one.probability, FINEST) if fits else "fits not"


def _step(one: Explanation, *, leads: bool, fits: bool) -> tuple[str, str]:
    """Return what to do about a cause, after its name: the repair of one that is sure, else what tells it apart."""
    from labcalc.judgement.causes.catalogue import CAUSES, SURE

    if leads and fits and one.probability >= SURE:
        return "Now", CAUSES[one.cause].repair
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
    fit = f" <small>({escape(one.misfit_words)})</small>" if step else ""
    parts = [f"<p>{escape(one.sentence)}{fit}</p>"]
    parts += [f'<p class="next"><b>{head}:</b> {escape(words)}</p>'] if head and step else []
    parts += [f'<p class="note">Caution: {escape(one.caution)}</p>'] if one.caution and not leads else []
    return "".join(parts)


def _size(one: Explanation) -> str:
    if not one.unit or not math.isfinite(one.size):
        return ""
    said = signed if one.lowest < 0.0 or one.unit == "K" else numeral  # with a sign where it has two sides
    size, low, high = map(said, (one.size, one.lowest, one.highest))
    return f": {size} {one.unit} (95 %: {low} to {high})"


def show_conclusions(decisions: Sequence[Decision]) -> Fragment:
    """Return what people decided about a run."""
    if not decisions:
        return note("Nothing has been decided about this run yet.")
    rows = [(f"{one.when:%Y-%m-%d %H:%M}", escape(one.who), escape(one.what), escape(one.why)) for one in decisions]
    text = "\n".join(f"{when} {who}: {what}: {why}" for when, who, what, why in rows)
    return Fragment(html_table("Decisions about this run", ("When", "Who", "What", "Why"), rows), text)


def deviation_picture(judgement: Judgement) -> Picture | Fragment:
    """Return how far a run is from what is usual, with earlier runs of the product."""
    if judgement.dossier.is_reference:
        return note("A reference oil is held against its certificate, above.")
    if isinstance(judgement.compared, str):
        return note(f"Nothing tells what is usual: {judgement.compared}.")
    return draw_deviations(judgement.compared, judgement.dossier.earlier_means)


def show_causes(judgement: Judgement) -> Fragment | None:
    """Return what could explain a run whose own numbers are odd; None for any other."""
    if judgement.rank == 0:
        return None
    try:
        return None if judgement.evidence is None else _told(judgement, judgement.evidence)
    except EvidenceError as refusal:
        return note(f"Causes can't be ranked: {refusal}.")


def _told(judgement: Judgement, evidence: Evidence) -> Fragment:
    if not judgement.explanations:
        return note(_TOO_LITTLE)
    from labcalc.judgement.causes.explanation import UNLIKELY

    first = judgement.explanations[0]
    if first.cause == "noise" and first.p_value >= UNLIKELY:
        share = f"(probability {probability(first.probability, FINEST)})"
        return note(f"Noise and the usual spread alone explain these numbers {share}: a fresh fill decides.")
    told = show_explanations(judgement.explanations, others="named")
    words = f"An opinion, beside {evidence.course.words}, from labcalc's own list of causes; a person concludes."
    return Fragment(f"<h3>What could explain it</h3>{told.html}{note(words).html}", told.text)


def show_how_well() -> Fragment:
    """Return, behind a line that opens it, how often the leading cause was right, by what was stated and by cause."""
    from labcalc.judgement.causes import CAUSES, reliability

    found = reliability()
    stated = []
    for each in found.stated:
        share = percent(each.right / each.runs if each.runs else math.nan, 0)
        stated.append((f"{percent(each.lowest, 0)} to {percent(each.highest, 0)}", _of(each.right, each.runs), share))
    true = []
    for one in found.causes:
        others = [CAUSES[key].title for key in one.leading if key != one.cause][:_MOST_TAKEN_FOR]
        what = CAUSES[one.cause].title if one.cause in CAUSES else _BEYOND
        true.append((escape(what), _of(one.first, one.runs), _of(one.among_two, one.runs), escape("; ".join(others))))
    words = (
        f"{found.runs} simulated runs, {len(found.seeds)} laboratories, {found.date}. Their physics is written apart "
        "from what ranks the causes, and has faults that are on no list. In the second table only runs count that "
        f"somebody who knows that physics could tell. Again: {found.command}."
    )
    tables = html_table("Runs held back", ("Stated of the first cause", "Right", "Share"), stated, numeric=(1, 2))
    columns = ("What was wrong", "Came first", "Among the first two", "Else taken for")
    tables += html_table("By what was wrong", columns, true, numeric=(1, 2))
    text = "\n".join(f"stated {row[0]}: right {row[1]}" for row in stated)
    return Fragment(folded("How often the first cause is right", note(words).html + tables), text)


def _of(part: int, whole: int) -> str:
    return f"{part} of {whole}"
