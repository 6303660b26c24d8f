"""Figures as plotly takes them: it refuses a word or a value that it doesn't know."""

from __future__ import annotations

from typing import Any

import plotly.graph_objects as go

from labcalc.figures import Picture
from labcalc.figures.picture import Figure


def checked(picture: Picture | Figure) -> Any:
    """Return the figure of a picture, every word of it known to plotly."""
    return go.Figure((picture.figure if isinstance(picture, Picture) else picture).drawn())
