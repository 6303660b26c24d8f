"""Where a person picks a run: a search box that filters as it is typed into, and a list for mouse or arrow keys."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any, ClassVar

import ipywidgets

from labcalc.judgement import Material
from labcalc.widgets.controls import Form
from labcalc.widgets.runs import matching_runs, run_entries, verdict_of

_SIGNS = {"releasable": "✓", "needs a second look": "?", "not releasable": "✗", "": "·"}
_SHOWN_AT_ONCE = 40  # verdicts that the list waits for before it shows them
_MOST_JUDGED = 1000
_PAUSES_S = (1.0, 0.01)  # before the first verdict is found, and between two, [s]: a person comes first


class RunPicker:
    """Search box and list; ``picked`` is called with a run when a person chooses one."""

    _at_work: ClassVar[RunPicker | None] = None
    """The picker that finds verdicts in this kernel: the newest, which ends the one before."""

    def __init__(self, material: Material, run: str, picked: Callable[[str], None]) -> None:
        self._material, self._entries, self._picked = material, run_entries(material), picked
        self._run, self._verdicts = run, dict[str, str]()
        self.search = ipywidgets.Text(
            description="Find a run", placeholder="sample, product, instrument, day or verdict"
        )
        self.list = ipywidgets.Select(description="Runs, the newest first", rows=4)
        self.found = Form()
        self.search.observe(lambda _: self.show(), "value")
        self.list.observe(self._choose, "value")
        self.show()
        self.box = ipywidgets.VBox([self.search, self.list, self.found])
        self.box.add_class("labcalc-picker")

    def show(self) -> None:
        """List what fits the search; the run on the page stays what it is."""
        found = matching_runs(self._entries, self.search.value, self._verdicts)
        signs = [_SIGNS[self._verdicts.get(one.run, "")] for one in found.entries]
        options = [(f"{sign} {one.label}", one.run) for sign, one in zip(signs, found.entries, strict=True)]
        self.list.unobserve(self._choose, "value")  # ipywidgets would choose the first
        with self.list.hold_sync():
            self.list.options = options
            self.list.value = self._run if any(run == self._run for _, run in options) else None
        self.list.observe(self._choose, "value")
        self.found.text = found.sentence

    def _choose(self, change: Any) -> None:
        if change["new"] and change["new"] != self._run:
            self._run = change["new"]
            self._picked(self._run)

    def know(self, run: str, verdict: str) -> None:
        """Show the verdict on a run that is known already."""
        if self._verdicts.get(run) != verdict:
            self._verdicts[run] = verdict
            self.show()

    def judge_next(self) -> bool:
        """Find the verdict on one more run, the newest first; tell whether there was one."""
        run = next((one.run for one in self._entries[:_MOST_JUDGED] if one.run not in self._verdicts), None)
        if run is not None:
            self._verdicts[run] = verdict_of(self._material, run)
        if run is None or len(self._verdicts) % _SHOWN_AT_ONCE == 0:
            self.show()
        return run is not None

    def judge_in_between(self) -> None:
        """Find verdicts one by one while the person does nothing that the kernel has to answer."""
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:  # not in a kernel: somebody else asks for them
            return

        RunPicker._at_work = self

        def step() -> None:
            if RunPicker._at_work is self and self.judge_next():
                loop.call_later(_PAUSES_S[1], step)

        loop.call_later(_PAUSES_S[0], step)
