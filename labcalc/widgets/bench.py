"""Calculations at the bench: one page for all of them, with controls or as a report."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from html import escape
from pathlib import Path
from typing import Any, NamedTuple, TypeAlias

import ipywidgets

from labcalc.bench import CALCULATIONS, Calculation, Table
from labcalc.errors import LabcalcError
from labcalc.figures import Fragment, Picture, note
from labcalc.figures.lessons import draw_plot
from labcalc.figures.markup import fact_list, html_table
from labcalc.lessons import Plot
from labcalc.widgets.actions import keep_page
from labcalc.widgets.controls import Chart, Fit, Form, Status
from labcalc.widgets.page import STYLE
from labcalc.widgets.panels import ExportPanel
from labcalc.workbooks import Json, RenderedReport, keep_units, safe_stem
from labcalc.workbooks.scripts import plotly_script
from labcalc.workbooks.writing import write_whole

Typed: TypeAlias = Mapping[str, Mapping[str, str]]
"""What was typed, by key of the calculation, and in it by key of the field."""

_KEPT = "bench-calculations-typed.json"
"""File beside the workbook in which what was typed stays."""
_PAGES = tuple(dict.fromkeys(one.page for one in CALCULATIONS.values()))
_BUTTONS = (
    {"key": "example", "label": "Worked example", "hint": "Type the published example"},
    {"key": "empty", "label": "Empty", "hint": "Empty all fields of this calculation"},
    {"key": "copy", "label": "Copy the tables", "hint": "For a spreadsheet"},
)


class _Results(NamedTuple):
    shown: Fragment
    copied: str
    picture: Picture | None
    refusal: str


def still_bench(page: str, typed: Typed, example: bool) -> Iterator[Fragment | Picture]:
    """Return the calculations in which something was typed as pieces of a report.

    page : Name of a page; empty for all.
    example : Show the worked example of those in which nothing was typed.
    Raises LabcalcError : There is no such page or calculation.
    """
    for name, known in (*((one, tuple(CALCULATIONS)) for one in typed), (page, ("", *_PAGES))):
        if name not in known:
            raise LabcalcError(f"'{name}': one of {', '.join(filter(None, known))} is expected")
    words = {key: typed.get(key) or (one.example if example else {}) for key, one in CALCULATIONS.items()}
    shown = [one for key, one in CALCULATIONS.items() if words[key] and page in ("", one.page)]
    for one in shown:
        found = _results(one, words[one.key])
        heading = Fragment(f"<h2>{escape(f'{one.page}: {one.title}')}</h2>", one.title)
        yield from (
            heading,
            _typed(one, words[one.key]),
            note(found.refusal) if found.refusal else found.shown,
            _about(one),
        )
        if found.picture is not None:
            yield found.picture
    if not shown:
        yield note("Nothing was typed.")


def _results(one: Calculation, typed: Mapping[str, str]) -> _Results:
    try:
        results = one.run(typed)
    except LabcalcError as refusal:
        return _Results(Fragment("", ""), "", None, str(refusal))
    tables = [each for each in results if isinstance(each, Table)]
    parts = [_table(each) if isinstance(each, Table) else note(each) for each in results if not isinstance(each, Plot)]
    shown = Fragment("".join(part.html for part in parts), "\n".join(part.text for part in parts))
    picture = next((draw_plot(each) for each in results if isinstance(each, Plot)), None)
    return _Results(shown, "\n\n".join(each.copied for each in tables), picture, "")


def _table(one: Table) -> Fragment:
    columns = range(1, len(one.columns))
    numeric = tuple(n for n in columns if all(row[n][:1] in "0123456789+\u2212\u2013" for row in one.rows))
    rows = [tuple(map(escape, row)) for row in one.rows]
    return Fragment(html_table(one.caption, one.columns, rows, numeric=numeric), f"{one.caption}\n{one.copied}")


def _typed(one: Calculation, typed: Mapping[str, str]) -> Fragment:
    facts = {}
    for field in one.fields:
        text = typed.get(field.key) or next(iter(field.choices), "")
        units = [typed.get(key) or units[0] for key, units in field.symbols().items()]
        facts[field.label] = " ".join((*" / ".join(text.splitlines()).split(), *filter(None, units))) if text else ""
    return fact_list(facts)


def _about(one: Calculation) -> Fragment:
    facts = {"Equation": one.equation, "Source": one.source, "Range": one.range, "Worked example": one.printed}
    return fact_list(facts)


class BenchPage:
    """The page with its controls; what is typed stays in a file beside the workbook.

    typed : What is typed at the start, before what the file holds.
    example : Start with the worked example where nothing is typed.
    """

    def __init__(self, page: str = "", typed: Typed | None = None, example: bool = False) -> None:
        self.said = Status()
        self.typed = {**self._kept(), **{key: dict(words) for key, words in (typed or {}).items()}}
        self._example, self.form, self.calculation = example, Form([], [], lambda *_: None), CALCULATIONS["line"]
        self.pages = ipywidgets.ToggleButtons(options=_PAGES, value=page or _PAGES[0])
        self.choice, self.shown, self.about = ipywidgets.Dropdown(), ipywidgets.HTML(), ipywidgets.HTML()
        self.chart, self._place = Chart(plotly_script()), ipywidgets.VBox()
        left = ipywidgets.VBox(
            [self.pages, self.choice, self._place, self.said, self.about, ExportPanel(self._keep).box]
        )
        middle = ipywidgets.HBox([left, ipywidgets.VBox([self.shown, self.chart])])
        middle.add_class("labcalc-bottom")
        self.box = ipywidgets.VBox([ipywidgets.HTML(f"<style>{STYLE}</style>"), Fit(), middle])
        for css in ("labcalc-page", "labcalc-bench"):
            self.box.add_class(css)
        self.pages.observe(lambda _: self._turn(), "value")
        self.choice.observe(lambda _: self._choose(), "value")
        self._turn()

    def _repr_mimebundle_(self, **words: Any) -> Any:
        return self.box._repr_mimebundle_(**words)

    def _turn(self) -> None:
        """Offer the calculations of the page that was chosen; the first one opens."""
        self.choice.options = [(one.title, one.key) for one in CALCULATIONS.values() if one.page == self.pages.value]

    def _choose(self) -> None:
        """Open the calculation that was chosen, with what was typed in it."""
        one = self.calculation = CALCULATIONS[self.choice.value]
        fields, choices = [], {}
        for field in one.fields:
            kind = "choice" if field.choices else "area" if len(field.columns) > 1 else "text"
            hint = next((column.usual_range for column in field.columns[:1] if kind == "text"), "")
            fields.append({"key": field.key, "label": field.label, "kind": kind, "hint": hint})
            choices.update({field.key: list(field.choices)} if field.choices else {})
            for key, symbols in field.symbols().items():
                if len(symbols) > 1:
                    fields.append({"key": key, "label": f"Unit: {field.label}", "kind": "unit", "hint": ""})
                    choices[key] = list(symbols)
        self.form = Form(fields, _BUTTONS, self._press)
        self.form.choices = choices
        self._place.children = (self.form,)
        self.about.value = keep_units(_about(one).html)
        self._write(self.typed.get(one.key) or (dict(one.example) if self._example else {}))
        self.form.observe(lambda _: self._calculate(), "values")
        self._calculate()

    def _write(self, typed: Mapping[str, str]) -> None:
        """Write into all fields; a choice that isn't told is its first."""
        usual = {key: offered[0] for key, offered in self.form.choices.items()}
        self.form.show(
            **{field["key"]: typed.get(field["key"]) or usual.get(field["key"], "") for field in self.form.fields}
        )

    def _press(self, button: str, _: object) -> None:
        if button != "copy":
            self._write(self.calculation.example if button == "example" else {})

    def _calculate(self) -> None:
        """Show what comes of what is typed, and keep that."""
        typed = {key: text for key, text in self.form.values.items() if text.strip()}
        found = _results(self.calculation, typed)
        self.shown.value, self.form.copied = keep_units(found.shown.html), found.copied
        self.said.text, self.said.kind = found.refusal, "bad"
        drawn = json.loads(found.picture.figure.to_json()) if found.picture else {"data": [], "layout": {"height": 0}}
        with self.chart.hold_sync():
            self.chart.caption, self.chart.drawn = found.picture.caption if found.picture else "", drawn
        if typed != self.typed.get(self.calculation.key):
            self.typed[self.calculation.key] = typed
            try:
                write_whole(Path(_KEPT), json.dumps(self.typed, ensure_ascii=False, indent=1).encode())
            except OSError as refusal:
                self.said.text = f"What is typed can't be kept: {refusal.filename}: {refusal.strerror}"

    def _kept(self) -> dict[str, dict[str, str]]:
        """Return what was typed before; a file that is none is named, and not written over."""
        if not Path(_KEPT).exists():
            return {}
        try:
            found = json.loads(Path(_KEPT).read_text("utf-8"))
            return {
                key: {name: str(text) for name, text in words.items()}
                for key, words in found.items()
                if key in CALCULATIONS
            }
        except (ValueError, AttributeError) as problem:
            raise LabcalcError(f"{_KEPT}: holds nothing that was typed ({problem}): mend or remove it") from None

    def _keep(self, folder: Path) -> RenderedReport:
        one = self.calculation
        parameters: dict[str, Json] = {
            "page": one.page,
            "typed": {one.key: dict(self.typed[one.key])},
            "example": False,
        }
        return keep_page(
            "bench_calculations", parameters, folder, f"bench-{safe_stem(one.key)}", f"{one.page}: {one.title}"
        )
