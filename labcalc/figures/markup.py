"""Pieces of a page as HTML: every text escaped, numbers to the right, full precision on hover."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from html import escape
from importlib.resources import files
from itertools import starmap
from typing import Any

from labcalc.wording import plain

SUMMARY_MIME = "application/vnd.labcalc.summary+json"
LOOKS = ("releasable", "second-look", "not-releasable")  # of the three verdicts, by rank
_FROM = (1, 2, 3)  # places of a first column of numbers for which page.css has a class of the whole table


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
    """What the index page says of a report, which doesn't show it. To a notebook it brings the house's look."""

    facts: dict[str, Any]

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> dict[str, Any]:
        return {SUMMARY_MIME: self.facts, "text/html": look_of(), "text/plain": self.facts["line"]}


@cache
def look_of(place: str = ".jp-OutputArea-output.jp-RenderedHTML") -> str:
    """Return the look of the house for what a notebook shows in a place, told as CSS has it, as HTML."""
    css = files("labcalc.data").joinpath("notebook.css").read_text("utf-8")
    return f"<style>{css.replace('.labcalc-page', place)}</style>"


def who(line: str, links: Mapping[str, str] | None = None) -> Fragment:
    """Return who and what a page is about, in one line, and the ways to other pages."""
    ways = " · ".join(f'<a href="{escape(to)}">{escape(label)}</a>' for label, to in (links or {}).items())
    nav = f'<nav class="ways" aria-label="Other pages">{ways}</nav>' if ways else ""
    return Fragment(f'<p class="who">{escape(line)}</p>{nav}', line)


def note(*lines: str) -> Fragment:
    """Return sentences set apart from the rest, each a paragraph."""
    return Fragment("".join(f'<p class="note">{escape(line)}</p>' for line in lines), "\n".join(lines))


def bullets(lines: Sequence[str]) -> Fragment:
    """Return lines as a list."""
    return Fragment(f"<ul>{''.join(f'<li>{escape(line)}</li>' for line in lines)}</ul>", "\n".join(lines))


def fact_list(facts: Mapping[str, str]) -> Fragment:
    """Return facts with their names; one that is empty is left out."""
    known = {name: fact for name, fact in facts.items() if fact}
    rows = "".join(f"<div><dt>{escape(name)}</dt><dd>{escape(fact)}</dd></div>" for name, fact in known.items())
    return Fragment(f'<dl class="facts">{rows}</dl>', "; ".join(f"{name}: {fact}" for name, fact in known.items()))


def logo_of(name: str, uri: str) -> str:
    """Return the logo of a laboratory as a picture; empty without one."""
    return f'<img class="logo" alt="Logo of {escape(name)}" src="{escape(uri)}">' if uri else ""


def verdict_box(verdict: str, rank: int, reason: str, now: str = "") -> Fragment:
    """Return a verdict with its reason and what to do now, in the look of its rank."""
    word = f'<p class="word">{escape(verdict.capitalize())}</p>'
    step = f"<p><b>Now:</b> {escape(now)}</p>" if now else ""
    html = f'<div class="verdict {LOOKS[rank]}">{word}<p>{escape(reason)}</p>{step}</div>'
    return Fragment(html, f"{verdict}: {reason}")


def html_table(
    caption: str,
    columns: Sequence[str],
    rows: Iterable[Sequence[str]],
    *,
    numeric: tuple[int, ...] = (),
    row_header: int = 0,
    stacked: bool = False,
) -> str:
    """Lay out cells that are HTML already; captions and columns are text. ``stacked``: one by one if it is narrow."""
    first = min(numeric, default=len(columns))
    kind = "stacked" if stacked else ""
    if not stacked and first in _FROM and numeric == tuple(range(first, len(columns))):
        kind, numeric = f"from-{first + 1}", ()  # a class a cell makes a fifth of a long table

    def css(index: int) -> str:
        return ' class="num"' if index in numeric else ""

    def place(index: int, cell: str) -> str:
        if index == row_header:
            return f'<th scope="row"{css(index)}>{cell}</th>'
        label = f' data-label="{escape(columns[index])}"' if stacked and cell else ""
        return f"<td{css(index)}{label}>{cell}</td>"

    head = "".join(f'<th scope="col"{css(i)}>{escape(column)}</th>' for i, column in enumerate(columns))
    body = "".join(f"<tr>{''.join(starmap(place, enumerate(row)))}</tr>" for row in rows)
    titled = f"<caption>{escape(caption)}</caption><thead><tr>{head}</tr></thead>"
    table = f'<table class="{kind}">' if kind else "<table>"
    return f"{table}{titled}<tbody>{body}</tbody></table>"


def folded(summary: str, html: str) -> str:
    """Return HTML behind a line that opens it."""
    return f'<details class="fold"><summary>{escape(summary)}</summary>{html}</details>' if html else ""


def fold(summary: str, fragment: Fragment) -> Fragment:
    """Return a piece of a page behind a line that opens it."""
    return Fragment(folded(summary, fragment.html), fragment.text)


def hover_number(reported: str, value: float) -> str:
    """Show the rounded figure; ten figures of it on hover."""
    return f'<span title="{plain(value, 10)}">{escape(reported)}</span>' if math.isfinite(value) else escape(reported)
