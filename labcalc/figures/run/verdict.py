"""What stands first in a run report: which run, the verdict, the results with their uncertainty budget, the checks."""

import math
from collections.abc import Mapping, Sequence
from html import escape, unescape
from typing import Any

import pandas as pd

from labcalc.exports import without_marks
from labcalc.figures import markup
from labcalc.figures.provenance import without_mark
from labcalc.formulae.published import page_of_edition
from labcalc.judgement import Check, Consequence, Judgement, Reported, Result, by_component, next_steps, reported_of
from labcalc.judgement.record.dossier import first_text
from labcalc.wording import counted, numeral

_HEADINGS = {"reference oil": "Oil", "temperature": "Temp.", "repeatability": "Repeats", "resolution": "Step"}
_HEADINGS |= {"adjustment": "Adjust.", "site precision": "Site", "bias of checks": "Bias", "stated": "Stated"}
_HEADINGS |= {"line or expansion": "Model"}
_BUDGET_WORDS = (
    "Share of each component in the variance, %; ν: effective degrees of freedom, ∞ from 1000 on; U: expanded "
    "uncertainty, k times the standard one, covers 95 %. Sources that results share are carried together into what "
    "follows, and beside them how far oils are from the line or the expansion that a calculation takes."
)
_MANY = 1000  # degrees of freedom that are written as ∞
_NOTHING_KNOWN = "The uncertainty of these results is unknown: at least one component of each is, for the reason given."
_SAID_BENEATH = ("Remark", "Since then")
_STATE_SIGNS = {"met": "✓", "doubtful": "?", "not met": "✗", "not checked": "–"}


def show_budget(judgement: Judgement) -> markup.Fragment:
    """Return the uncertainty budget of a run, a row a quantity, a column a component, and where each size is from."""
    found = [one for one in (*judgement.results, *judgement.consequences) if one.effects]
    if not found:
        return markup.note("This run holds no result, and so no uncertainty.")
    if all(math.isnan(one.expanded_uncertainty) for one in found):
        return markup.Fragment(markup.note(_NOTHING_KNOWN).html + _sources(judgement.results), _NOTHING_KNOWN)
    components = list(dict.fromkeys(effect.component for one in found for effect in one.effects))
    rows = [_row(one, components) for one in found]
    columns = ("Quantity", *(_HEADINGS[name] for name in components), "ν", "k", "U")
    table = markup.html_table("Uncertainty budget", columns, rows, numeric=tuple(range(1, len(columns))))
    html = f"{markup.note(_BUDGET_WORDS).html}{table}{_sources(found)}"
    return markup.Fragment(html, "\n".join(unescape(" ".join(row)) for row in rows))


def _row(one: Result | Consequence, components: Sequence[str]) -> tuple[str, ...]:
    budget, parts = one.budget, by_component(one.effects)
    variance, degrees = budget.standard_uncertainty**2, budget.effective_degrees_of_freedom
    return (
        escape(f"{one.name}, {one.unit}" if one.unit else one.name),
        *(_share(parts[name], variance) if name in parts else "–" for name in components),
        str(math.floor(degrees)) if degrees < _MANY else numeral(math.inf if degrees >= _MANY else degrees),
        numeral(budget.coverage_factor, 2),
        numeral(budget.expanded_uncertainty, unknown="unknown"),
    )


def _share(part: float, variance: float) -> str:
    """Return a share of the variance; where one part is unknown, the shares of the others are too."""
    if math.isnan(part):
        return "unknown"
    if math.isnan(variance) or variance == 0.0:
        return "–"
    share = 100.0 * part**2 / variance
    return numeral(share, 0) if share >= 0.5 or share == 0.0 else "&lt; 1"


def _sources(found: Sequence[Result | Consequence]) -> str:
    said: dict[str, dict[str, None]] = {}
    for effect in (effect for one in found for effect in one.effects):
        said.setdefault(effect.component, {})[effect.source.source] = None
    items = (f"{escape(_HEADINGS[name])}: {escape(name)}, {escape('; '.join(texts))}" for name, texts in said.items())
    return f'<p class="note">{".<br>".join(items)}.</p>'


def summarise(judgement: Judgement, replaces: str = "") -> markup.Summary:
    """Return what the index page shows of a run; ``replaces``: number of the report that this one replaces."""
    dossier = judgement.dossier
    start = dossier.rows["measured_at"].min()
    facts: dict[str, Any] = {"verdict": judgement.verdict, "verdict_rank": judgement.rank, "line": judgement.reason}
    facts |= {"to_do": next_steps(judgement)[0], "number": dossier.number_after(replaces), "sample": dossier.sample}
    facts |= {"product": dossier.product_name, "instrument": dossier.instrument, "operator": _operators(judgement)}
    facts |= {"measured": "" if start != start else f"{start:%Y-%m-%d %H:%M}"}
    facts |= {"role": "reference" if dossier.is_reference else "sample"}
    return markup.Summary(facts | _of_its_day(judgement))


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
    lot, operators, times = first_text(dossier.rows["lot"]), _operators(judgement), dossier.rows["measured_at"]
    remarks = "; ".join(dict.fromkeys(filter(None, without_marks(dossier.rows["remark"]))))
    facts = {"Lot": lot, "Instrument": dossier.instrument, "Operator": operators}
    facts |= {"Measured": _interval(times.min(), times.max()), "Remark": remarks}
    return facts | {"Since then": dossier.afterwards}


def show_head(judgement: Judgement, links: Mapping[str, str] | None = None, *, named: bool = False) -> markup.Fragment:
    """Return who and what in one line, and the ways to other pages, by what they are to this one.

    judgement : The run, judged.
    links : File names by what they are to it.
    named : Begin with sample and product, where no title says them.
    """
    facts = {**_facts(judgement), "Laboratory": judgement.dossier.laboratory.name}
    facts = {"Sample": judgement.dossier.sample, "Product": judgement.dossier.product_name, **facts} if named else facts
    told = {name: fact for name, fact in facts.items() if fact and name not in _SAID_BENEATH}
    head = markup.who(" · ".join(f"lot {fact}" if name == "Lot" else fact for name, fact in told.items()), links)
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
    columns, rows = ("Quantity", "Value", "U", "Unit", "Limits", "Decision rule", "Met", "Method"), []
    for one in leading:
        limit = (escape(one.limit.words), escape(one.limit.rule)) if one.limit else ("", "")
        met = _state(one.check.state) if one.check else ""
        rows.append((*_quantity(one), *limit, met, _method(judgement, one, short=True)))
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
