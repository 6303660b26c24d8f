"""A sample whose numbers look wrong, as a page shows it: everything that the page says, without the page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path

import pandas as pd

from labcalc.errors import LabcalcError
from labcalc.exports import QUANTITY_COLUMNS
from labcalc.judgement import UNITS, Judgement, Material, causes, gather, judge
from labcalc.lab import Decision, checked_decisions
from labcalc.widgets.runs import first_problem
from labcalc.wording import at_celsius

_LEFT = ((0.05, "explained"), (0.001, "hardly explained"), (0.0, "not explained"))
"""What is said of a misfit, by how often one as large comes by chance: labcalc's own choice."""


@dataclass(frozen=True)
class WhatIfSettings:
    """Where the sliders stand."""

    temperature_offset_K: float = 0.0  # how much warmer than it says the cell is, [K]
    residue_percent: float = 0.0  # how much of the sample before is left in the cell, [%]
    dilution_percent: float = 0.0  # how much fuel is in the sample, [%]
    bubble_percent: float = 0.0  # how much of the density cell is air, [%]

    @property
    def words(self) -> str:
        """The settings as a person says them; ``nothing is wrong`` where all are 0."""
        side = "warmer" if self.temperature_offset_K > 0.0 else "colder"
        told = (
            (self.temperature_offset_K, f"the cell is {abs(self.temperature_offset_K):.2f} K {side} than it says"),
            (self.residue_percent, f"{self.residue_percent:.1f} % of the sample before is in it"),
            (self.dilution_percent, f"{self.dilution_percent:.1f} % fuel is in it"),
            (self.bubble_percent, f"{self.bubble_percent:.2f} % of the density cell is air"),
        )
        return " and ".join(words for size, words in told if size) or "nothing is wrong"


@dataclass(frozen=True)
class Added:
    """A measurement that a person added: what kind, what, and what it showed."""

    kind: str
    quantity: str
    temperature_C: float
    value: float

    @property
    def words(self) -> str:
        """The measurement in words."""
        return f"{self.kind}: {at_celsius(self.quantity, self.temperature_C)} {self.value:g} {UNITS[self.quantity]}"


@dataclass(frozen=True)
class Problem:
    """One run that is looked into, with everything that its page shows."""

    material: Material
    judgement: Judgement
    evidence: causes.Evidence | None
    """The run's numbers beside what is usual, added measurements included; None where nothing can be compared."""
    why_not: str  # why nothing can be compared; empty where something can
    settings: WhatIfSettings = WhatIfSettings()
    added: tuple[Added, ...] = ()
    first_evidence: causes.Evidence | None = field(default=None, repr=False)  # the evidence before anything was added

    @property
    def run(self) -> str:
        """The run."""
        return self.judgement.dossier.run

    @cached_property
    def laboratory_odds(self) -> causes.LaboratoryOdds:
        """What the laboratory concluded about its other runs."""
        return causes.laboratory_odds(checked_decisions(self.material.laboratory).decisions, without=self.run)

    @cached_property
    def explanations(self) -> tuple[causes.Explanation, ...]:
        """The causes, most probable first, by odds that follow the laboratory's conclusions."""
        return () if self.evidence is None else causes.rank_causes(self.evidence, self.laboratory_odds.odds())

    @cached_property
    def first_explanations(self) -> tuple[causes.Explanation, ...]:
        """The causes as they were before measurements were added; none where nothing was added."""
        if not self.added or self.first_evidence is None:
            return ()
        return causes.rank_causes(self.first_evidence, self.laboratory_odds.odds())

    @cached_property
    def what(self) -> causes.WhatIf | None:
        """What would be seen with the settings."""
        if self.evidence is None:
            return None
        return causes.what_if(
            self.evidence,
            temperature_offset_K=self.settings.temperature_offset_K,
            residue_fraction=self.settings.residue_percent / 100.0 if self.evidence.before is not None else 0.0,
            dilution_fraction=self.settings.dilution_percent / 100.0,
            bubble_fraction=self.settings.bubble_percent / 100.0,
        )

    @property
    def left(self) -> str:
        """What of the misfit is left with the settings: in words, then in numbers; or why nothing can be compared."""
        if self.what is None:
            return f"Nothing can be compared: {self.why_not}"
        found = next(words for least, words in _LEFT if self.what.p_value >= least)
        return f"If {self.settings.words}, the numbers are {found}. {self.what.sentence}"

    @cached_property
    def earlier(self) -> pd.DataFrame:
        """Earlier means of the same product (``Dossier.earlier_means``)."""
        return self.judgement.dossier.earlier_means

    @cached_property
    def day(self) -> pd.DataFrame:
        """What the instrument measured on the day of the run (``days_runs``)."""
        return days_runs(self.material, self.run)

    @property
    def decisions(self) -> tuple[Decision, ...]:
        """What people decided about the run, as the laboratory's file says now."""
        decided = checked_decisions(self.material.laboratory)
        return tuple(one for one in (*decided.decisions, *decided.waiting) if one.run == self.run)

    def with_settings(self, settings: WhatIfSettings) -> Problem:
        """Return the problem with the sliders moved; all that doesn't depend on them is kept."""
        moved = replace(self, settings=settings)
        for name in ("laboratory_odds", "explanations", "first_explanations", "earlier", "day"):
            if name in self.__dict__:
                moved.__dict__[name] = self.__dict__[name]
        return moved

    def with_added(self, added: Sequence[Added]) -> Problem:
        """Return the problem with these measurements instead of those added before.

        Raises LabcalcError : A value that no oil has; nothing was added.
        """
        evidence = self.first_evidence
        for one in added:
            if evidence is not None:
                evidence = causes.with_measurement(evidence, one.quantity, one.temperature_C, one.value, one.kind)
        return replace(self, evidence=evidence, added=tuple(added))


def open_problem(
    exports: Sequence[str | Path] = (),
    lab: str | Path | None = None,
    run: str = "",
    settings: WhatIfSettings | None = None,
    added: Sequence[Added] = (),
) -> Problem:
    """Read the exports and look into one run.

    exports, lab : As for ``labcalc.judgement.gather``.
    run : The run; none: the newest that looks wrong.
    settings : Where the sliders stand.
    added : Measurements that a person added.
    Raises UnknownRunError : The exports hold no such run.
    """
    material = gather(exports, lab)
    return problem_of(material, run or first_problem(material), settings or WhatIfSettings(), added)


def problem_of(
    material: Material, run: str, settings: WhatIfSettings | None = None, added: Sequence[Added] = ()
) -> Problem:
    """Return one run of the material as a problem."""
    judgement = judge(material.dossier(run))
    evidence, why_not = None, ""
    try:
        evidence = causes.evidence_of(judgement.dossier)
    except LabcalcError as refusal:
        why_not = str(refusal)
    problem = Problem(material, judgement, evidence, why_not, settings or WhatIfSettings(), (), evidence)
    return problem.with_added(added) if added else problem


def days_runs(material: Material, run: str) -> pd.DataFrame:
    """Return the runs of one day on one instrument, oldest first, with their means where the run itself was measured.

    ``run``, ``sample``, ``time``, ``product``, and a column for each quantity, but no dynamic viscosity, at each
    temperature [°C] of the run [mm²/s or kg/m³]. Empty where the run has no time.
    """
    own, record = material.dossier(run).rows, material.record
    date = None if pd.isna(start := own["measured_at"].min()) else start.date()
    same = (record["instrument"] == own["instrument"].iloc[0]) & (record["measured_at"].dt.date == date)
    day = record[same].sort_values("measured_at", kind="stable")
    first = day.groupby("run", sort=False)[["sample", "measured_at", "product"]].first().reset_index()
    found: pd.DataFrame = first.assign(measured_at=first["measured_at"].dt.strftime("%H:%M"))
    for quantity in ("kinematic viscosity", "density"):
        column = QUANTITY_COLUMNS[quantity]
        for temperature in sorted(own.loc[own[column].notna(), "temperature_C"].round(1).unique()):
            means = day[day["temperature_C"].round(1) == temperature].groupby("run")[column].mean()
            found[quantity, temperature] = found["run"].map(means)
    return found.rename(columns={"measured_at": "time"})
