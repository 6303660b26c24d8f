"""A figure in the house's look, its caption and its numbers: told apart by shape and dash, so that it prints."""

import math
from dataclasses import dataclass, field
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import ArrayLike

INK = "#1c2733"
MUTED = "#66727f"
ACCENT = "#8a3b12"
BAND = "rgba(102, 114, 127, 0.16)"
EDGE = {"color": MUTED, "width": 0.6}  # of a band: its grey alone is hardly seen on white
_AS_SHORT = "%.7g"  # of a number that is drawn: a pixel shows four figures, a label on hover six
_FRAME = {"showline": True, "linecolor": INK, "mirror": True, "ticks": "inside", "tickcolor": INK}
_AXIS = {**_FRAME, "gridcolor": "#e3e6ea", "zeroline": False, "title": {"standoff": 8}}
_LOOK = {
    "margin": {"l": 76, "r": 18, "t": 16, "b": 58},
    "font": {"family": "system-ui, -apple-system, 'Segoe UI', sans-serif", "size": 13, "color": INK},
    "legend": {"orientation": "h", "yanchor": "bottom", "y": 1.01, "x": 0},
    "hovermode": "closest",
    "xaxis": _AXIS,
    "yaxis": _AXIS,
}
PLOTLY_MIME = "application/vnd.plotly.v1+json"
Rows: TypeAlias = tuple[tuple[str, ...], ...]
Numbers: TypeAlias = tuple[tuple[str, ...], Rows]  # headings and rows of a picture's table


@dataclass
class Figure:
    """A figure in the words of plotly.js, as a page has it; nothing checks them here, tests let plotly do it."""

    layout: dict[str, Any]
    data: list[dict[str, Any]] = field(default_factory=list)

    def add_scatter(self, **words: Any) -> None:
        self.data.append({"type": "scatter", **words})

    def add_bar(self, **words: Any) -> None:
        self.data.append({"type": "bar", **words})

    def drawn(self) -> dict[str, Any]:
        """Return the figure as JSON has it: arrays as lists, numbers short, none for what isn't finite."""
        return {"data": _plain(self.data), "layout": _plain(self.layout)}


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _plain(one) for name, one in value.items() if one is not None}
    if isinstance(value, list | tuple):
        return [_short(one) if type(one) is float else _plain(one) for one in value]
    if hasattr(value, "tolist"):
        return _plain(value.tolist())
    return _short(value) if isinstance(value, float) else value.isoformat() if hasattr(value, "isoformat") else value


def _short(value: float) -> float | None:
    short = float(_AS_SHORT % value)
    return None if not math.isfinite(short) else int(short) if short.is_integer() else short


def blank_figure(x_title: str, y_title: str, *, height: int = 420, **axes: dict[str, Any]) -> Figure:
    """Return an empty figure in the house's look, height in [px]; ``axes`` add to an axis, or another: ``yaxis2``."""
    titles = {"xaxis": {"title": {"text": x_title}}, "yaxis": {"title": {"text": y_title}}}
    named = {name: titles.get(name, {}) | axes.get(name, {}) for name in {**titles, **axes}}
    return Figure({"template": {"layout": _LOOK}, "height": height, **named})


def stroke(color: str = INK, dash: str = "solid", width: float = 1.6) -> dict[str, Any]:
    """Return a line style."""
    return {"color": color, "dash": dash, "width": width}


def band(x: ArrayLike, there: ArrayLike, back: ArrayLike, **more: Any) -> dict[str, Any]:
    """Return a filled area from one curve over ``x`` to another, as a trace; ``more`` names it."""
    where = {"x": np.append(x, np.flip(x)), "y": np.append(there, np.flip(back)), "mode": "lines"}
    return {**where, "fill": "toself", "fillcolor": BAND, "line": EDGE, "hoverinfo": "skip", **more}


def marker(symbol: str = "circle", color: str = INK, size: int = 9, *, filled: bool = True) -> dict[str, Any]:
    """Return a marker style; hollow markers keep their outline."""
    shape = symbol if filled else f"{symbol}-open"
    return {"symbol": shape, "size": size, "color": color, "line": {"width": 1.4, "color": color}}


@dataclass(frozen=True)
class Picture:
    """A figure, its caption (a sentence with the numbers) and its table (every number drawn, as text)."""

    figure: Figure
    caption: str
    columns: tuple[str, ...]
    rows: Rows
    folded: str = ""  # what stands on the page instead until somebody opens it; empty: it stands open

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> tuple[dict[str, Any], ...]:
        data = {PLOTLY_MIME: {**self.figure.drawn(), "config": {"displayModeBar": False}}, "text/plain": self.caption}
        table = {"columns": list(self.columns), "rows": [list(row) for row in self.rows]}
        return data, {"labcalc": {"caption": self.caption, "table": table, "folded": self.folded}}
