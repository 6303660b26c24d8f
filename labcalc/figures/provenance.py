"""Where a report over many exports came from."""

import re
from collections.abc import Iterable, Mapping, Sequence
from html import escape

from labcalc import __version__
from labcalc.exports import SourceFile
from labcalc.figures.markup import Fragment, html_table, logo_of, who
from labcalc.lab import Laboratory, PrecisionStatement

_MARKED = re.compile(r"([^;(]+?) \[memory\]")


def headed(laboratory: Laboratory, number: str, line: str, links: Mapping[str, str] | None) -> Fragment:
    """Return whose report it is, what it is about, its number and the ways to other pages, beside the logo."""
    head = who(" · ".join((laboratory.name, line, f"report {number}")), links)
    return Fragment(logo_of(laboratory.name, laboratory.logo_uri) + head.html, head.text)


def sources_table(caption: str, sources: Sequence[SourceFile], lines: Mapping[str, str] | None = None) -> str:
    """Return the exports with digest, rows and how they were read; of a run, with its ``lines`` in each."""
    rows = []
    for one in sources:
        named = (escape(one.name), f'<code class="digest">{escape(one.sha256)}</code>')
        place = [] if lines is None else [escape(lines.get(one.name, ""))]
        rows.append((*named, *place, str(one.rows_read), str(one.rows_refused), escape(one.read_as)))
    own = [] if lines is None else ["Lines of this run"]
    columns = ("Export", "SHA-256", *own, "Rows read", "Rows refused", "Read as")
    return html_table(caption, columns, rows, numeric=(2 + len(own), 3 + len(own)), stacked=not own)


def settings_and_version(laboratory: Laboratory) -> list[tuple[str, str]]:
    """Return the rows that name lab.toml's digest, the record's head and labcalc's version, as HTML."""
    digest = f'<code class="digest">{escape(laboratory.sha256)}</code>' if laboratory.sha256 else "none: defaults"
    head = laboratory.recorded
    place = "Record" if laboratory.record else "decisions.jsonl"
    record = [(place, f'<code class="digest">{escape(str(head))}</code>')] if head else []
    return [("lab.toml", digest), *record, ("labcalc", escape(__version__))]


def with_mark(statement: PrecisionStatement) -> str:
    """Return how a page names a statement that tells marks in place."""
    return statement.title if statement.mark == "laboratory" else f"{statement.title} [{statement.mark}]"


def without_mark(text: str) -> str:
    """Return a text without the marks of what is from memory or was seen: a page says them in one place."""
    return text.replace(" [memory]", "").replace(" [seen]", "")


def from_memory(statements: Iterable[PrecisionStatement], texts: Iterable[str]) -> list[str]:
    """Return what a page takes from memory, each once: statements, and what is marked so in texts."""
    named = [one.title for one in statements if one.mark == "memory"]
    return list(dict.fromkeys([*named, *(found.strip() for text in texts for found in _MARKED.findall(text))]))
