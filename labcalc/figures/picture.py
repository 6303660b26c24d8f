"""A figure with the sentence that says what it shows and the numbers that it is drawn from."""

from dataclasses import dataclass
from typing import Any, TypeAlias

from labcalc.figures.theme import Figure

PLOTLY_MIME = "application/vnd.plotly.v1+json"

Rows: TypeAlias = tuple[tuple[str, ...], ...]
Numbers: TypeAlias = tuple[tuple[str, ...], Rows]  # headings and rows of a picture's table


@dataclass(frozen=True)
class Picture:
    """A figure, its caption (a sentence with the numbers) and its table (every number drawn, as text)."""

    figure: Figure
    caption: str
    columns: tuple[str, ...]
    rows: Rows
    folded: str = ""  # what stands on the page instead until somebody opens it; empty: it stands open

    def _repr_mimebundle_(
        self, include: object = None, exclude: object = None
    ) -> tuple[dict[str, Any], dict[str, Any]]:
        drawn = {**self.figure.drawn(), "config": {"displayModeBar": False}}
        data = {PLOTLY_MIME: drawn, "text/plain": self.caption}
        table = {"columns": list(self.columns), "rows": [list(row) for row in self.rows]}
        return data, {"labcalc": {"caption": self.caption, "table": table, "folded": self.folded}}
