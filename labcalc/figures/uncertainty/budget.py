"""The uncertainty budget of a run as a table: what each component contributes to each result and to what follows."""

import math
from collections.abc import Sequence
from html import escape, unescape

from labcalc.figures.markup import Fragment, html_table, note
from labcalc.judgement import Consequence, Judgement, Result, by_component
from labcalc.wording import numeral

_HEADINGS = {
    "reference oil": "Oil",
    "temperature": "Temp.",
    "repeatability": "Repeats",
    "resolution": "Step",
    "adjustment": "Adjust.",
    "site precision": "Site",
    "bias of checks": "Bias",
    "stated": "Stated",
    "line or expansion": "Model",
}

_WORDS = (
    "Share of each component in the variance, %; ν: effective degrees of freedom, ∞ from 1000 on; U: expanded "
    "uncertainty, k times the standard one, covers 95 %. Sources that results share are carried together into what "
    "follows, and beside them how far oils are from the line or the expansion that a calculation takes."
)

_MANY = 1000
_NOTHING_KNOWN = "The uncertainty of these results is unknown: at least one component of each is, for the reason given."


def show_budget(judgement: Judgement) -> Fragment:
    """Return the uncertainty budget of a run, a row a quantity, a column a component, and where each size is from."""
    found = [one for one in (*judgement.results, *judgement.consequences) if one.effects]
    if not found:
        return note("This run holds no result, and so no uncertainty.")
    if all(math.isnan(one.expanded_uncertainty) for one in found):
        return Fragment(note(_NOTHING_KNOWN).html + _sources(judgement.results), _NOTHING_KNOWN)
    components = list(dict.fromkeys(effect.component for one in found for effect in one.effects))
    rows = [_row(one, components) for one in found]
    columns = ("Quantity", *(_HEADINGS[name] for name in components), "ν", "k", "U")
    table = html_table("Uncertainty budget", columns, rows, numeric=tuple(range(1, len(columns))))
    html = f"{note(_WORDS).html}{table}{_sources(found)}"
    return Fragment(html, "\n".join(unescape(" ".join(row)) for row in rows))


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
    """Say for each component where its size is from."""
    said: dict[str, dict[str, None]] = {}
    for effect in (effect for one in found for effect in one.effects):
        said.setdefault(effect.component, {})[effect.source.source] = None
    items = (f"{escape(_HEADINGS[name])}: {escape(name)}, {escape('; '.join(texts))}" for name, texts in said.items())
    return f'<p class="note">{".<br>".join(items)}.</p>'
