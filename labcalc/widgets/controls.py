"""Controls that ipywidgets has not: a slider with the browser's own name, keys and value, and a spoken sentence."""

from __future__ import annotations

from pathlib import Path

import anywidget
import traitlets

__all__ = ["Fit", "Slider", "Status"]

_HERE = Path(__file__).parent


class Fit(anywidget.AnyWidget):
    """Nothing to see: lets the pictures take the width that the page has."""

    _esm = (_HERE / "fit.js").read_text("utf-8")


class Slider(anywidget.AnyWidget):
    """A named number that is moved by mouse or arrow keys; screen readers get name, value and unit."""

    _esm = (_HERE / "slider.js").read_text("utf-8")

    name = traitlets.Unicode().tag(sync=True)
    unit = traitlets.Unicode().tag(sync=True)
    remark = traitlets.Unicode().tag(sync=True)
    """What moving it means, or why it can't be moved."""
    value = traitlets.Float(0.0).tag(sync=True)
    lowest = traitlets.Float(0.0).tag(sync=True)
    highest = traitlets.Float(1.0).tag(sync=True)
    step = traitlets.Float(0.01).tag(sync=True)
    decimals = traitlets.Int(2).tag(sync=True)
    signed = traitlets.Bool(False).tag(sync=True)
    disabled = traitlets.Bool(False).tag(sync=True)


class Status(anywidget.AnyWidget):
    """A sentence that a screen reader says when it changes; ``kind`` is ``""``, ``good`` or ``bad``."""

    _esm = (_HERE / "status.js").read_text("utf-8")

    text = traitlets.Unicode().tag(sync=True)
    kind = traitlets.Unicode().tag(sync=True)
