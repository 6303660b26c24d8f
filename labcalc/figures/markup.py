"""Pieces of a page as HTML: every text escaped, numbers to the right, full precision on hover."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

from labcalc.statistics import rounded, rounded_to_figures

SUMMARY_MIME = "application/vnd.labcalc.summary+json"


@dataclass(frozen=True)
class Fragment:
    """A piece of a page; every text in it is already escaped."""

    html: str
    text: str

    def _repr_html_(self) -> str:
        return self.html

    def __repr__(self) -> str:
        return self.text


@dataclass(frozen=True)
class Summary:
    """What the index page says of a report; not shown in the report itself."""

    facts: dict[str, Any]

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> dict[str, Any]:
        return {SUMMARY_MIME: self.facts, "text/plain": self.facts["line"]}


def note(text: str) -> Fragment:
    """Return a sentence set apart from the rest."""
    return Fragment(f'<p class="note">{escape(text)}</p>', text)


def html_table(
    caption: str,
    columns: Sequence[str],
    rows: Iterable[Sequence[str]],
    *,
    numeric: tuple[int, ...] = (),
    row_header: int = 0,
) -> str:
    """Lay out cells that are HTML already; captions and columns are text."""

    def css(index: int) -> str:
        return ' class="num"' if index in numeric else ""

    head = "".join(f'<th scope="col"{css(i)}>{escape(column)}</th>' for i, column in enumerate(columns))
    body = "".join(
        "<tr>"
        + "".join(
            f'<th scope="row">{cell}</th>' if i == row_header else f"<td{css(i)}>{cell}</td>"
            for i, cell in enumerate(row)
        )
        + "</tr>"
        for row in rows
    )
    return f"<table><caption>{escape(caption)}</caption><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def hover_number(reported: str, value: float) -> str:
    """Show the rounded figure; ten figures of it on hover."""
    return f'<span title="{value:.10g}">{escape(reported)}</span>' if math.isfinite(value) else escape(reported)


def signed_text(value: float, decimals: int = 3) -> str:
    """Return a difference with its sign; a dash where there is none."""
    return f"{rounded(value, decimals):+f}" if math.isfinite(value) else "–"


def uncertainty_text(value: float) -> str:
    """Return an uncertainty to two figures, never with an exponent."""
    return f"{rounded_to_figures(value, 2):f}" if math.isfinite(value) else "unknown"
