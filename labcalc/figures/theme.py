"""One look for every figure: dark on white, told apart by shape and dash as well as by tone, so that it prints."""

from types import MappingProxyType
from typing import Any

import numpy as np
import plotly.graph_objects as go
from numpy.typing import ArrayLike

INK = "#1c2733"
MUTED = "#66727f"
ACCENT = "#8a3b12"
BAND = "rgba(102, 114, 127, 0.16)"

_AXIS = MappingProxyType(
    {
        "showline": True,
        "linecolor": INK,
        "mirror": True,
        "ticks": "inside",
        "tickcolor": INK,
        "gridcolor": "#e3e6ea",
        "zeroline": False,
    }
)


def blank_figure(
    x_title: str,
    y_title: str,
    *,
    height: int = 420,
    shapes: tuple[dict[str, Any], ...] = (),
    annotations: tuple[dict[str, Any], ...] = (),
    **axes: dict[str, Any],
) -> go.Figure:
    """Return an empty figure in the house's look.

    The height is in pixels; ``axes`` add to an axis or give another one: ``yaxis2={"domain": [0.0, 0.4], ...}``.
    """
    titled = {"xaxis": x_title, "yaxis": y_title}
    styled = {
        name: {**_AXIS, "title": {"text": titled.get(name, ""), "standoff": 8}, **axes.get(name, {})}
        for name in {**titled, **axes}
    }
    layout = {  # given at once: an update costs ten times as much
        "template": "none",
        "height": height,
        "margin": {"l": 76, "r": 18, "t": 16, "b": 58},
        "font": {"family": "system-ui, -apple-system, 'Segoe UI', sans-serif", "size": 13, "color": INK},
        "paper_bgcolor": "#ffffff",
        "plot_bgcolor": "#ffffff",
        "legend": {"orientation": "h", "yanchor": "bottom", "y": 1.01, "x": 0},
        "hovermode": "closest",
        "shapes": shapes,
        "annotations": annotations,
        **styled,
    }
    return go.Figure(layout=layout)


def stroke(color: str = INK, dash: str = "solid", width: float = 1.6) -> dict[str, Any]:
    """Return a line style."""
    return {"color": color, "dash": dash, "width": width}


def band(x: ArrayLike, there: ArrayLike, back: ArrayLike, **more: Any) -> dict[str, Any]:
    """Return a filled area from one curve over ``x`` to another, as a trace; ``more`` names it."""
    where = {"x": np.append(x, np.flip(x)), "y": np.append(there, np.flip(back)), "mode": "lines"}
    return {**where, "fill": "toself", "fillcolor": BAND, "line": {"width": 0}, "hoverinfo": "skip", **more}


def marker(symbol: str = "circle", color: str = INK, size: int = 9, *, filled: bool = True) -> dict[str, Any]:
    """Return a marker style; hollow markers keep their outline."""
    return {
        "symbol": symbol if filled else f"{symbol}-open",
        "size": size,
        "color": color,
        "line": {"width": 1.4, "color": color},
    }
