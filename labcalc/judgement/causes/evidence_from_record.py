"""The parts of many runs at once, from the record as arrays: the same as from dossier after dossier, only quicker."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.exports import is_derived
from labcalc.judgement.causes.evidence_from_dossier import RunParts
from labcalc.judgement.causes.liquids import Liquid
from labcalc.judgement.causes.narrowing import EarlierRun
from labcalc.judgement.causes.surroundings import Before, Determinations, ReferenceResults, before_as, liquid_of, utc
from labcalc.judgement.record.measurements import REFERENCE_DAYS, Material
from labcalc.lab import product_of

_HOUR = np.timedelta64(1, "h")
_WINDOW = np.timedelta64(REFERENCE_DAYS, "D")
_TEXTS = ("run", "sample", "product", "lot", "instrument", "role")


def parts_of(material: Material) -> Iterator[RunParts]:
    """Return the parts of every run of a sample among the exports at hand; reference oils' names are left out."""
    record = _Record(material)
    return (record.parts(run) for run in material.runs if not record.runs[run].is_reference)


@dataclass(frozen=True, eq=False)
class _Run:
    """One run of the record."""

    sample: str
    product: str
    lot: str
    instrument: str
    is_reference: bool
    start: np.datetime64
    end: np.datetime64
    day: str
    found: Determinations


class _Record:
    """The runs of a record, and what is looked up among them."""

    def __init__(self, material: Material) -> None:
        self.material = material
        self.liquids: dict[str, Liquid] = {}

    @cached_property
    def runs(self) -> dict[str, _Run]:
        """Every run of the record by its name."""
        table = self.material.record
        columns: dict[str, NDArray[Any]] = {name: _texts(table[name]) for name in _TEXTS}
        columns["time"], columns["day"] = (
            utc(table["measured_at"]),
            _texts(table["measured_at"].dt.strftime("%Y-%m-%d")),
        )
        columns["coupled"] = is_derived(table["remark"], "kinematic viscosity").to_numpy(bool)
        columns["replicate"] = table["replicate"].to_numpy(np.int64)
        for name in ("temperature_C", "kinematic_viscosity_mm2_s", "density_kg_m3"):
            columns[name] = table[name].to_numpy(float)
        groups = table.groupby("run", sort=False).indices
        return {str(run): _run({name: column[at] for name, column in columns.items()}) for run, at in groups.items()}

    @cached_property
    def by_instrument(self) -> dict[str, tuple[NDArray[np.datetime64], list[str]]]:
        """Times of each instrument's determinations and their runs, in the order of time."""
        table = self.material.record.dropna(subset=["measured_at", "instrument"])
        table = table.sort_values("measured_at", kind="stable")
        groups = table.groupby("instrument", sort=False)
        return {str(name): (utc(rows["measured_at"]), rows["run"].tolist()) for name, rows in groups}

    @cached_property
    def references(self) -> dict[str, ReferenceResults]:
        """Reference-oil results of each instrument."""
        groups = self.material.comparisons.groupby("instrument", sort=False)
        return {str(name): ReferenceResults.of(rows) for name, rows in groups}

    @cached_property
    def alike(self) -> dict[tuple[str, ...], list[str]]:
        """Dated runs of samples by sample, and by product and lot, without those that a decision excludes."""
        found: dict[tuple[str, ...], list[str]] = {}
        dated = [(run.start, name) for name, run in self.runs.items() if not (run.is_reference or np.isnat(run.start))]
        for _, name in sorted(dated):
            if name not in self.material.excluded:
                for key in _keys(self.runs[name]):
                    found.setdefault(key, []).append(name)
        return found

    def parts(self, name: str) -> RunParts:
        """Return the parts of one run."""
        run, laboratory = self.runs[name], self.material.laboratory
        product = product_of(laboratory, sample=run.sample, product=run.product)
        return RunParts(
            run=name,
            sample=run.sample,
            product_name=product.name if product else run.product,
            lot=run.lot,
            found=run.found,
            product=product,
            laboratory=laboratory,
            earlier=self._earlier(name, run),
            references=self._references_of(run),
            before=self._before(run),
            reference_oils=(),
        )

    def _earlier(self, name: str, run: _Run) -> list[EarlierRun]:
        if np.isnat(run.start):
            return []
        names = {one for key in _keys(run) for one in self.alike.get(key, ()) if one != name}
        earlier = sorted((one.start, other) for other in names if (one := self.runs[other]).start < run.start)
        return [
            EarlierRun(one.sample == run.sample, one.day, one.found)
            for one in (self.runs[other] for _, other in earlier)
        ]

    def _references_of(self, run: _Run) -> ReferenceResults:
        table = self.references.get(run.instrument)
        if table is None or np.isnat(run.end):
            return ReferenceResults.none()
        first = int(np.searchsorted(table.measured_at, run.end - _WINDOW))
        return table.between(first, int(np.searchsorted(table.measured_at, run.end, side="right")))

    def _before(self, run: _Run) -> Before | None:
        times, names = self.by_instrument.get(run.instrument, (np.array([], "datetime64[ns]"), []))
        place = 0 if np.isnat(run.start) else int(np.searchsorted(times, run.start))
        if not place:
            return None
        before = names[place - 1]
        if before not in self.liquids:
            self.liquids[before] = liquid_of(self.runs[before].sample, self.runs[before].found)
        hours = float((run.start - times[place - 1]) / _HOUR)
        return before_as(self.liquids[before], hours, run.found.temperature_C)


def _keys(run: _Run) -> list[tuple[str, ...]]:
    return [(run.sample,), *([(run.product, run.lot)] if run.lot else [])]


def _run(columns: dict[str, NDArray[Any]]) -> _Run:
    names = {name: next(filter(None, columns[name]), "") for name in ("sample", "product", "lot", "instrument")}
    dated = np.flatnonzero(~np.isnat(columns["time"]))
    last = dated[columns["time"][dated].argmax()] if dated.size else 0
    return _Run(
        **names,
        is_reference=bool((columns["role"] == "reference").all()),
        start=columns["time"][dated].min() if dated.size else np.datetime64("NaT"),
        end=columns["time"][last],
        day=columns["day"][last],
        found=Determinations(
            columns["temperature_C"],
            columns["replicate"],
            columns["kinematic_viscosity_mm2_s"],
            columns["density_kg_m3"],
            True if columns["coupled"].any() else None,
        ),
    )


def _texts(column: pd.Series) -> NDArray[np.object_]:
    return column.astype(object).where(column.notna(), "").to_numpy(object)
