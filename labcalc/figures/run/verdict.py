"""What stands first in a run report: which run it is, the verdict with what to do, the results, the checks."""

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

import pandas as pd

from labcalc.exports import without_marks
from labcalc.figures import markup
from labcalc.figures.provenance import without_mark
from labcalc.figures.uncertainty.budget import show_budget
from labcalc.formulae.published import page_of_edition
from labcalc.judgement import Check, Judgement, Reported, next_steps, reported_of
from labcalc.judgement.record.dossier import first_text
from labcalc.wording import counted

_SAID_BENEATH = ("Remark", "Since then")
_STATE_SIGNS = {"met": "✓", "doubtful": "?", "not met": "✗", "not checked": "–"}


def summarise(judgement: Judgement, replaces: str = "") -> markup.Summary:
    """Return what the index page shows of a run; ``replaces``: number of the report that this one replaces."""
    dossier = judgement.dossier
    start = dossier.rows["measured_at"].min()
    return markup.Summary(
        {
            "verdict": judgement.verdict,
            "verdict_rank": judgement.rank,
            "line": judgement.reason,
            "to_do": next_steps(judgement)[0],
            "number": dossier.number_after(replaces),
            "sample": dossier.sample,
            "product": dossier.product_name,
            "instrument": dossier.instrument,
            "operator": _operators(judgement),
            "measured": "" if start != start else f"{start:%Y-%m-%d %H:%M}",
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


def _operators(judgement: Judgement) -> str:
    return ", ".join(dict.fromkeys(map(str, judgement.dossier.rows["operator"].dropna())))


def _facts(judgement: Judgement) -> dict[str, str]:
    dossier = judgement.dossier
    return {
        "Lot": first_text(dossier.rows["lot"]),
        "Instrument": dossier.instrument,
        "Operator": _operators(judgement),
        "Measured": _interval(dossier.rows["measured_at"].min(), dossier.rows["measured_at"].max()),
        "Remark": "; ".join(dict.fromkeys(filter(None, without_marks(dossier.rows["remark"])))),
        "Since then": dossier.afterwards,
    }


def show_head(judgement: Judgement, links: Mapping[str, str] | None = None, *, named: bool = False) -> markup.Fragment:
    """Return who and what in one line, and the ways to other pages, by what they are to this one.

    judgement : The run, judged.
    links : File names by what they are to it.
    named : Begin with sample and product, where no title says them.
    """
    facts = {**_facts(judgement), "Laboratory": judgement.dossier.laboratory.name}
    facts = {"Sample": judgement.dossier.sample, "Product": judgement.dossier.product_name, **facts} if named else facts
    told = {name: fact for name, fact in facts.items() if fact and name not in _SAID_BENEATH}
    line = " · ".join(f"lot {fact}" if name == "Lot" else fact for name, fact in told.items())
    head = markup.who(line, links)
    logo = markup.logo_of(facts["Laboratory"], judgement.dossier.laboratory.logo_uri)
    return markup.Fragment(logo + head.html, head.text)


def show_verdict(judgement: Judgement, *, alone: bool = False) -> markup.Fragment:
    """Return the verdict with its reason and what to do now; beneath, what was remarked and what later checks told.

    judgement : The run, judged.
    alone : Verdict and reason alone, where the causes beside it say what to do.
    """
    if alone:
        return markup.verdict_box(judgement.verdict, judgement.rank, judgement.reason)
    now, *then = next_steps(judgement)
    box = markup.verdict_box(judgement.verdict, judgement.rank, judgement.reason, now)
    facts = _facts(judgement)
    said = markup.note(*(f"{name}: {facts[name]}" for name in _SAID_BENEATH if facts[name]))
    return markup.Fragment(box.html + markup.folded("And then", markup.note(*then).html) + said.html, box.text)


def show_reported(judgement: Judgement) -> markup.Fragment:
    """Return the results with their limits in one table, and what else was calculated behind a line that opens it."""
    lines = reported_of(judgement)
    leading, others = [one for one in lines if one.leads], [one for one in lines if not one.leads]
    columns = ("Quantity", "Value", "U", "Unit", "Limits", "Decision rule", "Met", "Method")
    rows = [
        (
            *_quantity(one),
            escape(one.limit.words if one.limit else ""),
            escape(one.limit.rule if one.limit else ""),
            _state(one.check.state) if one.check else "",
            _method(judgement, one, short=True),
        )
        for one in leading
    ]
    numbers = {one.determinations for one in lines if one.determinations}
    fills = " or ".join(map(str, sorted(numbers))) if numbers else "no"
    words = f"U: expanded uncertainty, 95 %. {fills} determination{'' if numbers == {1} else 's'} at each temperature."
    asking = (one for one in leading if one.determinations or (one.check and one.check.state != "met"))
    notes = [f"{one.of.name}: {one.note}." for one in asking if one.note]
    html = markup.html_table("Results", columns, rows, numeric=(1, 2), stacked=True) + markup.note(words, *notes).html
    text = "\n".join(f"{one.of.name}: {one.of.reported} {one.of.unit}" for one in leading)
    return markup.Fragment(f'<div class="results">{html}</div>{_calculated(judgement, others)}', text)


def _quantity(one: Reported) -> tuple[str, str, str, str]:
    of, uncertainty = one.of, markup.hover_number(one.shown_uncertainty, one.of.expanded_uncertainty)
    return escape(of.name), markup.hover_number(of.reported, of.value), uncertainty, escape(of.unit)


def _method(judgement: Judgement, one: Reported, *, short: bool = False) -> str:
    """Name the method, without its edition where it is to be short, as a link where lab.toml tells of its page."""
    words = without_mark(one.method)
    told = escape(words.partition(",")[0] if short else words) or "not given"
    pages = judgement.dossier.laboratory.report.method_pages
    page = page_of_edition(one.method) if pages else ""
    return f'<a href="{escape(pages)}/{page}">{told}</a>' if page else told


def _calculated(judgement: Judgement, others: Sequence[Reported]) -> str:
    rows = [(*_quantity(one), _method(judgement, one), escape(one.note)) for one in others]
    columns = ("Quantity", "Value", "U", "Unit", "Method", "Note")
    table = markup.html_table("Calculated", columns, rows, numeric=(1, 2), stacked=True) if rows else ""
    budget = markup.folded("Uncertainty budget", show_budget(judgement).html)
    return markup.folded(f"Calculated from them: {len(others)}", table) + budget


def _state(state: str) -> str:
    sign = f'<span aria-hidden="true">{_STATE_SIGNS[state]}</span>'
    return f'<span class="state {state.replace(" ", "-")}">{sign} {state}</span>'


def show_checks(checks: Sequence[Check]) -> markup.Fragment:
    """Return the checks: those that hold the run back stand open, the others behind a line that opens them."""
    order = ("not met", "doubtful", "met", "not checked")
    ranked = sorted(checks, key=lambda check: order.index(check.state))
    asking = [one for one in ranked if one.state in order[:2] or one.missed]
    quiet = [one for one in ranked if one not in asking]
    numbers = {state: sum(one.state == state for one in quiet) for state in order[2:]}
    opens = ", ".join(f"{number} {state}" for state, number in numbers.items() if number)
    table = markup.fold(f"Checks: {opens}", _table_of_checks(quiet)) if quiet else markup.note()
    shown = _table_of_checks(asking, folded_basis=True) if asking else markup.note()
    return markup.Fragment(shown.html + table.html, "\n".join(filter(None, (shown.text, table.text))))


def _table_of_checks(checks: Sequence[Check], *, folded_basis: bool = False) -> markup.Fragment:
    """Lay checks out; the basis of each beneath it, or folded all but the decision rules, which a reader needs."""
    beneath = [one.basis if one.about == "specification" or not folded_basis else "" for one in checks]
    rows, others = [], []
    for one, basis in zip(checks, beneath, strict=True):
        small = f"<br><small>{escape(without_mark(basis))}</small>" if basis else ""
        rows.append((_state(one.state), escape(one.name), escape(one.finding) + small))
        others += [f"{one.name}: {without_mark(one.basis)}"] * (one.basis != basis)
    text = "\n".join(f"{one.state}: {one.name}: {one.finding}" for one in checks)
    columns = ("State", "Check", "Finding and limit")
    html = markup.html_table(counted(len(rows), "check"), columns, rows, row_header=1, stacked=True)
    from_where = markup.folded("Where their limits come from", markup.bullets(others).html) if others else ""
    return markup.Fragment(html + from_where, text)


def _interval(start: Any, end: Any) -> str:
    if start != start:
        return ""
    same_day = start.date() == end.date()
    until = "" if start == end else f" to {end:%H:%M}" if same_day else f" to {end:%Y-%m-%d %H:%M}"
    return f"{start:%Y-%m-%d %H:%M}{until} ({start.tz})"
