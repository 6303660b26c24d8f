"""Calculations at the bench: one page for all of them, with controls or as a report."""

import json
from collections.abc import Iterator, Mapping
from html import escape
from pathlib import Path
from typing import Any, TypeAlias

import ipywidgets

from labcalc.bench import CALCULATIONS, Calculation, Table
from labcalc.errors import LabcalcError
from labcalc.figures import Fragment, Picture, note
from labcalc.figures.lessons import draw_plot
from labcalc.figures.markup import fact_list, folded, html_table, verdict_box
from labcalc.lessons import Plot
from labcalc.widgets.controls import STYLE, Chart, Fit, Form, export_panel, told
from labcalc.workbooks import Json, RenderedReport, keep_units, safe_stem
from labcalc.workbooks.page import plotly_script
from labcalc.writing import write_whole

Typed: TypeAlias = Mapping[str, Mapping[str, str]]  # what was typed, by key of the calculation and key of the field
_KEPT = Path("bench-calculations-typed.json")  # file beside the workbook in which what was typed stays
_PAGES = tuple(dict.fromkeys(one.page for one in CALCULATIONS.values()))
_CHOICE = (
    {"key": "page", "label": "Page", "kind": "radio", "hint": ""},
    {"key": "calculation", "label": "Calculation", "kind": "choice", "hint": ""},
)
_BUTTONS = (
    {"key": "example", "label": "Worked example", "hint": "Type the published example"},
    {"key": "empty", "label": "Empty", "hint": "Empty all fields of this calculation"},
    {"key": "copy", "label": "Copy the tables", "hint": "For a spreadsheet"},
)


def still_bench(page: str, typed: Typed, example: bool) -> Iterator[Fragment | Picture]:
    """Return the calculations in which something was typed as pieces of a report.

    page : Name of a page; empty for all.
    example : Show the worked example of those in which nothing was typed.
    Raises LabcalcError : There is no such page or calculation, or what was typed can't be used.
    """
    _check(page, typed)
    for key, one in CALCULATIONS.items():
        words, known = typed.get(key) or (one.example if example else {}), one.names
        for name in words:
            if name not in known:
                raise LabcalcError(f"{key}, '{name}': one of {', '.join(known)} is expected")
        if words and page in ("", one.page):
            yield Fragment(f"<h2>{escape(f'{one.page}: {one.title}')}</h2>", one.title)
            yield fact_list({field.label: field.in_words(words) for field in one.fields})
            try:
                yield from _pieces(one, words)
            except LabcalcError as refusal:  # the others stand
                yield verdict_box("refused", 2, str(refusal))
            yield Fragment(f'<section class="long">{_about(one).html}</section>', one.source)


def _check(page: str, typed: Typed) -> None:
    for name, known in (*((one, tuple(CALCULATIONS)) for one in typed), (page, ("", *_PAGES))):
        if name not in known:
            raise LabcalcError(f"'{name}': one of {', '.join(filter(None, known))} is expected")


def _pieces(one: Calculation, typed: Mapping[str, str]) -> list[Fragment | Picture]:
    results = one.run(typed)
    return [_table(r) if isinstance(r, Table) else draw_plot(r) if isinstance(r, Plot) else note(r) for r in results]


def _table(one: Table) -> Fragment:
    columns = range(1, len(one.columns))
    numeric = tuple(n for n in columns if all(row[n][:1] in "0123456789+\u2212\u2013" for row in one.rows))
    html = html_table(one.caption, one.columns, [tuple(map(escape, row)) for row in one.rows], numeric=numeric)
    return Fragment(folded(one.caption, html) if one.folded else html, f"{one.caption}\n{one.copied}")


def _about(one: Calculation) -> Fragment:
    about = {"Equation": one.equation, "Source": one.source, "Range": one.range, "Worked example": one.printed}
    return fact_list(about)


class BenchPage:
    """The page with its controls; what is typed stays in a file beside the workbook.

    typed : What is typed at the start, before what the file holds.
    example : Start with the worked example where nothing is typed.
    Raises LabcalcError : The file holds something else; there is no such page or calculation.
    """

    def __init__(self, page: str = "", typed: Typed | None = None, example: bool = False) -> None:
        self.typed = {**_kept(), **{key: dict(words) for key, words in (typed or {}).items()}}
        _check(page, self.typed)
        self._example = example
        self.choice = Form(_CHOICE, choices={"page": _PAGES, "calculation": ()})
        self.shown, self.about, self._place = ipywidgets.HTML(), ipywidgets.HTML(), ipywidgets.VBox()
        self.chart = Chart(plotly_script())
        columns = ipywidgets.HBox([self._place, ipywidgets.VBox([self.shown, self.chart])])
        columns.add_class("labcalc-bottom")
        rest = [self.about, export_panel(self._keep)]
        self.box = ipywidgets.VBox([ipywidgets.HTML(STYLE), Fit(), self.choice, columns, *rest])
        self.box.add_class("labcalc-page")
        self.box.add_class("labcalc-bench")
        self.choice.observe(self._chosen, "values")
        self.choice.show(page=page or _PAGES[0])

    def _repr_mimebundle_(self, **words: Any) -> Any:
        return self.box._repr_mimebundle_(**words)

    def _chosen(self, change: Any) -> None:
        """Open the calculation that was chosen; of another page its first, beside the others."""
        page = change["new"]["page"]
        if page == change["old"].get("page"):
            self._open(change["new"]["calculation"])
        else:
            titles = [one.title for one in CALCULATIONS.values() if one.page == page]
            self.choice.choices = {"page": _PAGES, "calculation": titles}
            self.choice.show(calculation=titles[0])

    def _open(self, title: str) -> None:
        """Open a calculation, with what was typed in it."""
        one = self.calculation = next(one for one in CALCULATIONS.values() if one.title == title)
        fields, choices = [], {field.key: list(field.choices) for field in one.fields if field.choices}
        for field in one.fields:
            kind = "choice" if field.choices else "area" if len(field.columns) > 1 or field.key == "results" else "text"
            hint = field.columns[0].usual_range if kind == "text" else ""
            fields.append({"key": field.key, "label": field.label, "kind": kind, "hint": hint})
            for column, (key, symbols) in zip(field.columns, field.symbols().items(), strict=False):
                if len(symbols) > 1:
                    choices[key] = list(symbols)
                    fields.append({"key": key, "label": f"Unit: {column.name}", "kind": "unit", "hint": ""})
        self.form = Form(fields, _BUTTONS, self._press)
        self.form.choices = choices
        self._place.children = (self.form,)
        self.about.value = keep_units(_about(one).html)
        self._write(self.typed.get(one.key) or (one.example if self._example else {}))
        self.form.observe(lambda _: self._calculate(), "values")
        self._calculate(keep=False)

    def _write(self, typed: Mapping[str, str]) -> None:
        """Write into all fields; a choice that isn't told is its first."""
        usual = {**dict.fromkeys((str(field["key"]) for field in self.form.fields), "")}
        usual |= {key: offered[0] for key, offered in self.form.choices.items()}
        self.form.show(**{**usual, **typed})

    def _press(self, button: str, _: object) -> None:
        if button != "copy":
            self._write(self.calculation.example if button == "example" else {})

    def _calculate(self, *, keep: bool = True) -> None:
        """Show what comes of what is typed, and keep what a person typed."""
        typed = {key: text for key, text in self.form.values.items() if text.strip()}
        pieces: list[Fragment | Picture] = []
        try:
            pieces = _pieces(self.calculation, typed)
            self.form.say("")
            if keep and typed != self.typed.get(self.calculation.key):
                self.typed[self.calculation.key] = typed
                write_whole(_KEPT, json.dumps(self.typed, ensure_ascii=False, indent=1).encode())
        except LabcalcError as refusal:
            self.form.say(str(refusal), "bad")
        except OSError as refusal:
            self.form.say(f"What is typed can't be kept: {told(refusal)}", "bad")
        texts = [one for one in pieces if isinstance(one, Fragment)]
        self.shown.value = keep_units("".join(one.html for one in texts))
        self.form.copied = "\n\n".join(one.text for one in texts)
        picture = next((one for one in pieces if isinstance(one, Picture)), None)
        self.chart.layout.display = "" if picture else "none"
        if picture:
            with self.chart.hold_sync():
                self.chart.caption, self.chart.drawn = picture.caption, picture.figure.drawn()

    def _keep(self, folder: Path) -> RenderedReport:
        from labcalc.widgets.actions import keep_page

        one = self.calculation
        parameters: dict[str, Json] = {"page": one.page, "typed": {one.key: dict(self.form.values)}, "example": False}
        title = f"{one.page}: {one.title}"
        return keep_page("bench_calculations", parameters, folder, f"bench-{safe_stem(one.key)}", title)


def _kept() -> dict[str, dict[str, str]]:
    """Return what was typed before; a file that is none is named, and not written over."""
    try:
        found = json.loads(_KEPT.read_text("utf-8")) if _KEPT.exists() else {}
        return {key: {name: str(text) for name, text in found[key].items()} for key in CALCULATIONS if key in found}
    except (ValueError, AttributeError, TypeError) as problem:
        raise LabcalcError(f"{_KEPT}: holds nothing that was typed ({problem}): mend or remove it") from None
