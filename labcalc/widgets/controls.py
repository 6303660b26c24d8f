"""Controls that ipywidgets has not: a slider with the browser's own name, keys and value, and a spoken sentence."""

from collections.abc import Callable, Mapping, Sequence
from functools import cache
from html import escape
from pathlib import Path
from typing import Any

import anywidget
import ipywidgets
import traitlets

from labcalc.errors import LabcalcError
from labcalc.figures.markup import look_of

_HERE = Path(__file__).parent

STYLE = look_of(".labcalc-page")  # the look of the house, as HTML


def _module(name: str) -> str:
    """Return what a control is in the browser; each is sure to hear the kernel before it is shown."""
    return "".join((_HERE / f"{one}.js").read_text("utf-8") for one in ("hearing", name))


@cache
def bare_layout() -> ipywidgets.Layout:
    """Return the layout that all controls share which need none: each would have a model of its own in the browser."""
    return ipywidgets.Layout()


class Control(anywidget.AnyWidget):
    """A control of the house."""

    @traitlets.default("layout")
    def _bare(self) -> ipywidgets.Layout:
        return bare_layout()


class Fit(Control):
    """What is told beneath a picture: the pictures take the width that the page has, and keys pressed in it stay."""

    _esm = _module("fit")

    caption = traitlets.Unicode().tag(sync=True)  # what the pictures show, for those who don't see them
    told = traitlets.Unicode().tag(sync=True)  # HTML
    top = traitlets.Bool(False).tag(sync=True)  # the workbook is shown from its top, once all its cells run


class Chart(anywidget.AnyWidget):
    """A picture, and series of it that move."""

    _esm = _module("chart")

    drawn = traitlets.Dict().tag(sync=True)  # the figure as plotly.js takes it
    places = traitlets.Dict().tag(sync=True)  # ``x`` and ``y`` of the series that move, by their ``meta``
    caption = traitlets.Unicode().tag(sync=True)  # what the picture shows, for those who don't see it

    def __init__(self, library: bytes) -> None:
        super().__init__(drawn={"data": [], "layout": {"height": 0}})
        self.on_msg(lambda *_: self.send({"library": True}, buffers=[library]))

    def move(self, places: Mapping[str, Mapping[str, Any]]) -> None:
        """Move series to numbers for ``x`` and ``y``."""
        self.places = {name: {axis: [*map(float, one[axis])] for axis in "xy"} for name, one in places.items()}


class Form(Control):
    """Fields with labels, buttons that send what stands in the fields along with the press, and a sentence beneath.

    ipywidgets sends texts and presses by ways of their own: under a busy kernel a press overtakes what was typed last.
    """

    _esm = _module("form")

    fields = traitlets.List(traitlets.Dict()).tag(sync=True)
    """Of each ``key``, ``label``, ``hint``, and ``kind``: ``text``, ``area``, ``number``, ``choice``, ``radio``, or
    ``unit``, of the one before."""
    buttons = traitlets.List(traitlets.Dict()).tag(sync=True)  # of each ``key``, ``label`` and ``hint``
    choices = traitlets.Dict().tag(sync=True)  # what can be chosen, by key of the field
    values = traitlets.Dict().tag(sync=True)
    """What stands in the fields, as text, as far as they have told: each does when it is left, and with every press."""
    told = traitlets.Unicode().tag(sync=True)  # HTML above the fields
    text = traitlets.Unicode().tag(sync=True)  # a sentence that a screen reader says when it changes
    kind = traitlets.Unicode().tag(sync=True)  # of the sentence: ``""``, ``good`` or ``bad``
    copied = traitlets.Unicode().tag(sync=True)  # what the button ``copy`` puts on the clipboard

    def __init__(
        self,
        fields: Sequence[Mapping[str, str]] = (),
        buttons: Sequence[Mapping[str, str]] = (),
        pressed: Callable[[str, dict[str, str]], object] = lambda *_: None,
        choices: Mapping[str, Sequence[str]] | None = None,
        told: str = "",
    ) -> None:
        super().__init__(fields=[*fields], buttons=[*buttons], choices={**(choices or {})}, told=told)
        self._pressed = pressed
        self.on_msg(self._hear)

    def press(self, button: str, **values: str) -> None:
        """Press a button with what stands in the fields, or with other values."""
        self.values = {**self.values, **values}
        self._pressed(button, dict(self.values))

    def say(self, text: str, kind: str = "") -> None:
        """Say a sentence beneath the buttons, in place of the one before."""
        self.kind, self.text = kind, text

    def show(self, **values: str) -> None:
        """Write into these fields; the others are left to the person who types."""
        self.values = {**self.values, **values}
        self.send({"show": values})

    def _hear(self, _: Any, message: Mapping[str, Any], __: Any) -> None:
        if message["button"]:
            self.press(str(message["button"]), **message["values"])
        else:
            self.values = dict(message["values"])
        self.send({"heard": True})


class Slider(Control):
    """A named number that is moved by mouse or arrow keys; screen readers get name, value and unit."""

    _esm = _module("slider")

    name = traitlets.Unicode().tag(sync=True)
    unit = traitlets.Unicode().tag(sync=True)
    remark = traitlets.Unicode().tag(sync=True)  # what moving it means, or why it can't be moved
    value = traitlets.Float(0.0).tag(sync=True)
    lowest = traitlets.Float(0.0).tag(sync=True)
    highest = traitlets.Float(1.0).tag(sync=True)
    step = traitlets.Float(0.01).tag(sync=True)
    decimals = traitlets.Int(2).tag(sync=True)
    signed = traitlets.Bool(False).tag(sync=True)
    disabled = traitlets.Bool(False).tag(sync=True)


def heading(text: str) -> str:
    """Return the heading of a part of the page, as HTML."""
    return f"<h2>{escape(text)}</h2>"


def button(key: str, text: str, does: str) -> dict[str, str]:
    """Return a button of a form, with the words that say what it does."""
    return {"key": key, "label": text, "hint": does}


def export_panel(keep: Callable[[Path], Any]) -> Form:
    """Return a button that writes the present state of the page as a file that needs nothing else, by ``keep``."""

    def write(*_: object) -> None:
        panel.say("Being written …")
        try:
            report = keep(Path.cwd())
        except (LabcalcError, OSError) as refusal:
            panel.say(f"Not written: {told(refusal)}", "bad")
            return
        panel.say(f"Written beside this workbook: {report.path.name}", "good")

    does = "Write the present state of the page to one HTML file"
    panel = Form((), [button("write", "Keep this page as a file", does)], write, told=heading("The page as a file"))
    return panel


def told(refusal: Exception) -> str:
    """Return the words of a refusal, the system's too."""
    if isinstance(refusal, OSError) and not isinstance(refusal, LabcalcError):
        return f"{refusal.filename}: {refusal.strerror}"
    return str(refusal)
