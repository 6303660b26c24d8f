"""The page of controls of a sample whose numbers look wrong: a thin shell round ``Problem``, and the parts it is of."""

from collections.abc import Callable, Sequence
from html import escape
from pathlib import Path
from typing import Any

import ipywidgets

from labcalc import figures
from labcalc.bench import typed_number
from labcalc.errors import LabcalcError
from labcalc.judgement import UNITS
from labcalc.judgement.causes import Candidate, candidates
from labcalc.widgets.actions import conclude, conclusions_offered, export_page
from labcalc.widgets.controls import STYLE, Chart, Fit, Form, Slider, button, export_panel, heading, told
from labcalc.widgets.picker import RunPicker
from labcalc.widgets.problem import Added, Problem, WhatIfSettings, problem_of
from labcalc.wording import at_celsius
from labcalc.workbooks import keep_units
from labcalc.workbooks.page import plotly_script


class WhatIfPanel:
    """Four sliders; ``moved`` is called with where they stand."""

    def __init__(self, moved: Callable[[WhatIfSettings], None]) -> None:
        self._moved, self._at_rest = moved, False
        self.sliders = {
            "temperature_offset_K": Slider(
                name="Cell warmer than it says", unit="K", lowest=-2.0, highest=2.0, step=0.02, signed=True
            ),
            "residue_percent": Slider(name="Sample before left in it", unit="%", highest=10.0, step=0.1, decimals=1),
            "dilution_percent": Slider(name="Fuel in the sample", unit="%", highest=10.0, step=0.1, decimals=1),
            "bubble_percent": Slider(name="Air in the density cell", unit="%", highest=2.0, step=0.02),
        }
        for slider in self.sliders.values():
            slider.observe(self._tell, "value")
        back = button("back", "All back to zero", "Set the four sliders to zero")
        self.left = Form((), [back], lambda *_: self.show(WhatIfSettings()))
        self.box = ipywidgets.VBox([ipywidgets.HTML(heading("What if")), *self.sliders.values(), self.left])

    @property
    def settings(self) -> WhatIfSettings:
        """Where the sliders stand."""
        return WhatIfSettings(**{name: slider.value for name, slider in self.sliders.items()})

    def show(self, settings: WhatIfSettings) -> None:
        """Move the sliders, and tell once."""
        self._at_rest = True
        for name, slider in self.sliders.items():
            slider.value = getattr(settings, name)
        self._at_rest = False
        self._moved(self.settings)

    def fit(self, problem: Problem) -> None:
        """Say of each slider what it does for this run, or why it can't be moved."""
        evidence = problem.evidence
        before = evidence.before if evidence is not None else None
        residue = self.sliders["residue_percent"]
        residue.remark = before.sample if before is not None else "the record holds no sample before this one"
        for slider in self.sliders.values():
            slider.disabled = evidence is None
        residue.disabled = before is None

    def say(self, problem: Problem) -> None:
        """Say what of the misfit is left."""
        self.left.text = problem.left

    def _tell(self, change: Any) -> None:
        if not self._at_rest:
            self._moved(self.settings)


class MeasurementPanel:
    """A measurement that was made: what it showed."""

    def __init__(self, problem: Problem, added: Callable[[Sequence[Added]], None]) -> None:
        self._problem, self._added = problem, added
        self._candidates: dict[str, Candidate] = {}
        fields = [
            {"key": "what", "label": "Measurement", "kind": "choice", "hint": ""},
            {"key": "temperature", "label": "At, °C", "kind": "number", "hint": ""},
            {"key": "value", "label": "It showed", "kind": "text", "hint": ""},
        ]
        buttons = [
            button("add", "Add the value", "Rank the causes again with this value"),
            button("take back", "Take back", "Leave out the value that was added last"),
        ]
        self.form = Form(fields, buttons, self._pressed, told=heading("A measurement that would help"))
        self.form.observe(self._chosen, "values")
        self.fit(problem)

    def fit(self, problem: Problem) -> None:
        """Offer the measurements that this run allows."""
        self._problem = problem
        self._candidates = {_named(one): one for one in _useful_first(problem)}
        self.form.choices = {"what": list(self._candidates)}
        self.form.show(what=next(iter(self._candidates), ""), value="")
        self.form.say(f"Added: {'; '.join(one.words for one in problem.added)}." if problem.added else "")

    def _chosen(self, change: Any) -> None:
        """Set the temperature that goes with a measurement when another is chosen."""
        what = change["new"].get("what", "")
        if what in self._candidates and what != change["old"].get("what"):
            self.form.show(temperature=f"{self._candidates[what].temperature_C:g}")

    def _pressed(self, button: str, values: dict[str, str]) -> None:
        added = self._problem.added
        try:
            self._added([*added, self._measured(values)] if button == "add" else added[:-1])
        except LabcalcError as refusal:
            self.form.say(str(refusal), "bad")

    def _measured(self, values: dict[str, str]) -> Added:
        if (chosen := self._candidates.get(values["what"])) is None:
            raise LabcalcError(self._problem.why_not or "there is nothing to measure for this run")
        temperature = typed_number(values["temperature"], "At, °C")
        return Added(chosen.kind, chosen.quantity, temperature, typed_number(values["value"], "It showed"))


def _useful_first(problem: Problem) -> tuple[Candidate, ...]:
    """Return the measurements that can be made, first those that the most probable causes ask for."""
    if problem.evidence is None:
        return ()
    asked = [one.next_measurement for one in problem.explanations if one.next_measurement is not None]
    order = {(one.kind, one.quantity, one.temperature_C): place for place, one in reversed(list(enumerate(asked)))}
    known = [one for one in candidates(problem.evidence) if one.quantity in UNITS]
    return tuple(sorted(known, key=lambda c: order.get((c.kind, c.quantity, c.temperature_C), len(order))))


def _named(candidate: Candidate) -> str:
    return f"{candidate.kind.capitalize()}: {at_celsius(candidate.quantity, candidate.temperature_C)}"


class ConclusionPanel:
    """Who concludes what and why; written into the laboratory's decisions."""

    def __init__(self, problem: Problem) -> None:
        self._problem = problem
        fields = [
            {"key": "who", "label": "Who", "kind": "text", "hint": "your name"},
            {"key": "concluded", "label": "Conclusion", "kind": "choice", "hint": "choose …"},
            {"key": "why", "label": "Why", "kind": "area", "hint": ""},
        ]
        write = button("write", "Write the conclusion", "Add it to the laboratory's decisions")
        self.form = Form(fields, [write], lambda _, values: self._write(values), told=heading("Conclusion"))
        self.so_far = ipywidgets.HTML()
        self.box = ipywidgets.VBox([self.form, self.so_far])
        self.fit(problem)

    def fit(self, problem: Problem) -> None:
        """Offer the causes of this run, and show what was decided about it."""
        same = problem.run == self._problem.run
        if not same:
            self.form.show(why="")
            self.form.say("")
        self._problem = problem
        offered = conclusions_offered(problem)
        chosen = self.form.values.get("concluded", "")
        self.form.choices = {"concluded": list(offered)}
        self.form.show(concluded=chosen if same and chosen in offered else "")
        self._show_decisions()

    def _write(self, values: dict[str, str]) -> None:
        try:
            decision = conclude(self._problem, **values)
        except (LabcalcError, OSError) as refusal:
            self.form.say(f"Not written: {told(refusal)}", "bad")
            return
        self.form.say(f"Written on {decision.when:%Y-%m-%d at %H:%M} for {decision.who}.", "good")
        self.form.show(who=values["who"], concluded=values["concluded"], why="")
        self._show_decisions()

    def _show_decisions(self) -> None:
        try:
            self.so_far.value = figures.show_conclusions(self._problem.decisions).html
        except LabcalcError as refusal:
            self.so_far.value = f"<p>{escape(str(refusal))}</p>"


class ProblemPage:
    """Everything on the page, and the one place where its state changes."""

    def __init__(self, problem: Problem, exports: Sequence[str | Path] = (), lab: str | Path | None = None) -> None:
        self.problem = problem
        self.picker = RunPicker(problem.material, problem.run, self.pick)
        self.facts, self.causes, self.basis = ipywidgets.HTML(), ipywidgets.HTML(), ipywidgets.HTML()
        self.what_if = WhatIfPanel(self.move)
        self.measurement = MeasurementPanel(problem, self.add)
        self.conclusion = ConclusionPanel(problem)
        self.export = export_panel(lambda folder: export_page(self.problem, exports, lab, folder))
        self.rows, self.chart = ipywidgets.HTML(), Chart(plotly_script())
        self.box = self._laid_out()
        self.change(problem)
        self.picker.judge_in_between()

    def _laid_out(self) -> ipywidgets.VBox:
        causes = ipywidgets.VBox([ipywidgets.HTML(heading("What could explain it")), self.causes])
        title = heading("Away from what is usual")
        pictures = ipywidgets.VBox([ipywidgets.HTML(title), self.chart, self.basis, self.rows])
        rows = {
            "top": (self.picker.box, self.facts),
            "middle": (pictures, ipywidgets.VBox([causes, self.what_if.box, self.measurement.form])),
            "bottom": (self.conclusion.box, self.export),
        }
        boxes = {name: ipywidgets.HBox(children) for name, children in rows.items()}
        for name, box in boxes.items():
            box.add_class(f"labcalc-{name}")
        page = ipywidgets.VBox([ipywidgets.HTML(STYLE), Fit(), *boxes.values()])
        page.add_class("labcalc-page")
        return page

    def _repr_mimebundle_(self, **words: Any) -> Any:
        return self.box._repr_mimebundle_(**words)

    def pick(self, run: str) -> None:
        """Look into another run; the sliders go back to zero."""
        self.change(problem_of(self.problem.material, run))

    def move(self, settings: WhatIfSettings) -> None:
        """Move what would be seen if; nothing else on the page depends on it."""
        self.problem = self.problem.with_settings(settings)
        if self.problem.evidence is not None and self.problem.what is not None:
            self.chart.move(figures.what_if_places(self.problem.evidence, self.problem.what))
        self.what_if.say(self.problem)

    def add(self, added: Sequence[Added]) -> None:
        """Show the run with these measurements added; the sliders stay where they are."""
        self.change(self.problem.with_added(added))

    def change(self, problem: Problem) -> None:
        """Show another run, or the same with other measurements added."""
        self.problem = problem
        self._draw()
        self.picker.know(problem.run, problem.judgement.verdict)
        for panel in (self.measurement, self.conclusion):
            panel.fit(problem)
        self._show()

    def _show(self) -> None:
        """Show the rest, its head last: who sees that, sees all of it."""
        problem = self.problem
        self.rows.value = figures.show_run_and_day(problem.judgement.dossier.rows, problem.day, problem.run).html
        self.what_if.fit(problem)
        self.what_if.show(problem.settings)
        told = problem.explanations, problem.first_explanations, problem.laboratory_odds
        compared = problem.evidence is not None
        causes = figures.show_explanations(*told, others="folded") if compared else figures.note(problem.left)
        self.causes.value = keep_units(causes.html)
        self.basis.value = figures.show_evidence(problem.evidence).html if problem.evidence is not None else ""
        self.facts.value = keep_units(
            figures.show_head(problem.judgement, named=True).html
            + figures.show_verdict(problem.judgement, alone=True).html
        )

    def _draw(self) -> None:
        """Draw what there is to draw; where nothing can be compared, the run's own charts."""
        problem = self.problem
        drawn = figures.problem_pictures(problem.judgement, problem.evidence, problem.earlier, problem.what)
        pictures = [one for one in drawn if isinstance(one, figures.Picture)]
        with self.chart.hold_sync():
            self.chart.caption = " ".join(one.caption for one in pictures)
            self.chart.drawn = figures.one_above_others(pictures).drawn()
