"""A sample whose numbers look wrong, as a page shows it: everything that the page says, without the page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path

import pandas as pd

from labcalc.errors import LabcalcError
from labcalc.exports import QUANTITY_COLUMNS
from labcalc.judgement import UNITS, Judgement, Material, gather, judge
from labcalc.judgement.causes import (
    Evidence,
    Explanation,
    WhatIf,
    evidence_of,
    rank_causes,
    what_if,
    with_measurement,
)
from labcalc.lab import Decision, checked_decisions
from labcalc.widgets.runs import first_problem
from labcalc.wording import at_celsius

_EARLIER_DAYS = 365
"""How far back a product's earlier runs are shown, [d]."""


_LEFT = (
    (0.05, "the numbers are explained"),
    (0.001, "the numbers are hardly explained"),
    (0.0, "the numbers are not explained"),
)
"""What is said of a misfit, by how often one as large comes by chance: labcalc's own choice."""


@dataclass(frozen=True)
class WhatIfSettings:
    """Where the sliders stand."""

    temperature_offset_K: float = 0.0
    """How much warmer than it says the cell is, [K]."""
    residue_percent: float = 0.0
    """How much of the sample before is left in the cell, [%]."""
    dilution_percent: float = 0.0
    """How much fuel is in the sample, [%]."""
    bubble_percent: float = 0.0
    """How much of the density cell is air, [%]."""

    @property
    def words(self) -> str:
        """The settings as a person says them; ``nothing is wrong`` where all are 0."""
        parts = []
        if self.temperature_offset_K:
            side = "warmer" if self.temperature_offset_K > 0.0 else "colder"
            parts.append(f"the cell is {abs(self.temperature_offset_K):.2f} K {side} than it says")
        if self.residue_percent:
            parts.append(f"{self.residue_percent:.1f} % of the sample before is in it")
        if self.dilution_percent:
            parts.append(f"{self.dilution_percent:.1f} % fuel is in it")
        if self.bubble_percent:
            parts.append(f"{self.bubble_percent:.2f} % of the density cell is air")
        return " and ".join(parts) or "nothing is wrong"


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
    evidence: Evidence | None
    """The run's numbers beside what is usual, added measurements included; None where nothing can be compared."""
    why_not: str
    """Why nothing can be compared; empty where something can."""
    settings: WhatIfSettings = WhatIfSettings()
    added: tuple[Added, ...] = ()
    first_evidence: Evidence | None = field(default=None, repr=False)
    """The evidence before anything was added."""

    @property
    def run(self) -> str:
        """The run."""
        return self.judgement.dossier.run

    @cached_property
    def explanations(self) -> tuple[Explanation, ...]:
        """The causes, most probable first."""
        return rank_causes(self.evidence) if self.evidence is not None else ()

    @cached_property
    def first_explanations(self) -> tuple[Explanation, ...]:
        """The causes as they were before measurements were added; none where nothing was added."""
        return rank_causes(self.first_evidence) if self.added and self.first_evidence is not None else ()

    @cached_property
    def what(self) -> WhatIf | None:
        """What would be seen with the settings."""
        if self.evidence is None:
            return None
        return what_if(
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
        return f"If {self.settings.words}, {found}. {self.what.sentence}"

    @cached_property
    def earlier(self) -> pd.DataFrame:
        """Earlier means of the same product (``earlier_means``)."""
        return earlier_means(self.material, self.run)

    @property
    def decisions(self) -> tuple[Decision, ...]:
        """What people decided about the run, as the laboratory's file says now."""
        decided = checked_decisions(self.material.laboratory)
        return tuple(one for one in (*decided.decisions, *decided.waiting) if one.run == self.run)

    def with_settings(self, settings: WhatIfSettings) -> Problem:
        """Return the problem with the sliders moved; all that doesn't depend on them is kept."""
        moved = replace(self, settings=settings)
        for name in ("explanations", "first_explanations", "earlier"):
            if name in self.__dict__:
                moved.__dict__[name] = self.__dict__[name]
        return moved

    def with_added(self, added: Sequence[Added]) -> Problem:
        """Return the problem with these measurements instead of those added before.

        Raises
        ------
        LabcalcError
            A value that no oil has; nothing was added.
        """
        evidence = self.first_evidence
        for one in added:
            if evidence is not None:
                evidence = with_measurement(evidence, one.quantity, one.temperature_C, one.value, one.kind)
        return replace(self, evidence=evidence, added=tuple(added))


def open_problem(
    exports: Sequence[str | Path] = (),
    lab: str | Path | None = None,
    run: str = "",
    settings: WhatIfSettings | None = None,
    added: Sequence[Added] = (),
) -> Problem:
    """Read the exports and look into one run.

    Parameters
    ----------
    exports, lab
        As for ``labcalc.judgement.gather``.
    run : str
        The run; none: the newest that looks wrong.
    settings : WhatIfSettings, optional
        Where the sliders stand.
    added : sequence of Added, optional
        Measurements that a person added.

    Raises
    ------
    UnknownRunError
        The exports hold no such run.
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
        evidence = evidence_of(judgement.dossier)
    except LabcalcError as refusal:
        why_not = str(refusal)
    problem = Problem(material, judgement, evidence, why_not, settings or WhatIfSettings(), (), evidence)
    return problem.with_added(added) if added else problem


def earlier_means(material: Material, run: str) -> pd.DataFrame:
    """Return the means of the product's runs in the year before a run: one a run, quantity and temperature.

    Parameters
    ----------
    material : Material
        The exports with the laboratory's record.
    run : str
        The run.

    Returns
    -------
    pandas.DataFrame
        ``run``, ``quantity``, ``temperature_C`` [°C], ``value`` [mm²/s or kg/m³], oldest first; the run itself and all
        that came later is left out.
    """
    dossier = material.dossier(run)
    start, product = dossier.rows["measured_at"].min(), dossier.product_name
    record = material.record
    if pd.isna(start) or not product:
        record = record.iloc[:0]
    at = record["measured_at"]
    same = (record["product"] == product) & (record["role"] != "reference") & (record["run"] != run)
    chosen = record[same & (at < start) & (at >= start - pd.Timedelta(days=_EARLIER_DAYS))].sort_values("measured_at")
    parts = [
        chosen.assign(quantity=quantity, value=chosen[column], temperature_C=chosen["temperature_C"].round(1))
        for quantity, column in QUANTITY_COLUMNS.items()
        if quantity != "dynamic viscosity"
    ]
    long = pd.concat(parts).dropna(subset=["value"])
    keys = ["run", "quantity", "temperature_C"]
    means: pd.DataFrame = long.groupby(keys, sort=False, as_index=False)["value"].mean()
    return means
