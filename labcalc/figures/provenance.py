"""Where a report over many exports came from."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from labcalc import __version__
from labcalc.exports import SourceFile
from labcalc.figures.markup import html_table
from labcalc.lab import Laboratory


def sources_table(caption: str, sources: Sequence[SourceFile]) -> str:
    """Return the exports with digest, rows and how they were read."""
    rows = [
        (
            escape(one.name),
            f'<code class="digest">{escape(one.sha256)}</code>',
            str(one.rows_read),
            str(one.rows_refused),
            escape(one.dialect),
        )
        for one in sources
    ]
    columns = ("Export", "SHA-256", "Rows read", "Rows refused", "Read as")
    return html_table(caption, columns, rows, numeric=(2, 3))


def settings_and_version(laboratory: Laboratory) -> list[tuple[str, str]]:
    """Return the rows that name lab.toml's digest and labcalc's version, as HTML."""
    digest = f'<code class="digest">{escape(laboratory.sha256)}</code>' if laboratory.sha256 else "none: defaults"
    return [("lab.toml", digest), ("labcalc", escape(__version__))]
