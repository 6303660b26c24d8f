"""The page of controls of a sample whose numbers look wrong: a thin shell round ``Problem``."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import ipywidgets

from labcalc import figures
from labcalc.widgets.actions import export_page
from labcalc.widgets.controls import STYLE, Chart, Fit, export_panel, heading
from labcalc.widgets.panels import ConclusionPanel, MeasurementPanel, WhatIfPanel
from labcalc.widgets.picker import RunPicker
from labcalc.widgets.problem import Added, Problem, WhatIfSettings, problem_of
from labcalc.workbooks import keep_units
from labcalc.workbooks.page import plotly_script


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
