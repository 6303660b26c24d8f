"""The uncertainty budget of a run as a table: what each component contributes to each result and to what follows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape

from labcalc.figures.markup import Fragment, html_table, note
from labcalc.judgement import Consequence, Judgement, Result, by_component
from labcalc.statistics import UncertaintyBudget, rounded_to_figures

__all__ = ["show_budget"]

_WORDS = (
    "Standard uncertainty that each component contributes, in the unit of the quantity; u: all together; ν: effective "
    "degrees of freedom; U = k·u covers 95.45 %. Sources that results share are carried together into what follows. "
    "How well an oil follows a published line or table is not in it."
)


def show_budget(judgement: Judgement) -> Fragment:
    """Return the uncertainty budget of a run, a row a quantity, a column a component, and where each size is from."""
    found: tuple[Result | Consequence, ...] = (*judgement.results, *judgement.consequences)
    quantities = [(one, one.budget) for one in found if one.effects]
    if not quantities:
        return note("This run holds no result, and so no uncertainty.")
    components = list(dict.fromkeys(effect.component for one, _ in quantities for effect in one.effects))
    rows = [_row(one, budget, components) for one, budget in quantities if budget is not None]
    columns = ("Quantity", *(name.capitalize() for name in components), "u", "ν", "k", "U")
    table = html_table("Uncertainty budget", columns, rows, numeric=tuple(range(1, len(columns))))
    html = f"<details open><summary>{escape(_WORDS)}</summary>{table}</details>{_sources(judgement.results)}"
    return Fragment(html, "\n".join(" ".join(row) for row in rows))


def _row(one: Result | Consequence, budget: UncertaintyBudget, components: Sequence[str]) -> tuple[str, ...]:
    parts = by_component(one.effects)
    degrees = budget.effective_degrees_of_freedom
    return (
        escape(f"{one.name}, {one.unit}" if one.unit else one.name),
        *(_short(parts[name]) if name in parts else "–" for name in components),
        _short(budget.standard_uncertainty),
        "∞" if math.isinf(degrees) else "–" if math.isnan(degrees) else f"{math.floor(degrees)}",
        f"{budget.coverage_factor:.2f}" if math.isfinite(budget.coverage_factor) else "–",
        _short(budget.expanded_uncertainty),
    )


def _short(value: float) -> str:
    return str(rounded_to_figures(value, 2)) if math.isfinite(value) else "unknown"


def _sources(results: Sequence[Result]) -> str:
    """Say for each component where its size is from."""
    said: dict[str, dict[str, None]] = {}
    for effect in (effect for result in results for effect in result.effects):
        said.setdefault(effect.component, {})[effect.source.source] = None
    items = (f"<b>{escape(name)}</b>: {escape('; '.join(texts))}" for name, texts in said.items())
    return f'<p class="note">{".<br>".join(items)}.</p>'
