"""What a judgement starts from: the exports at hand, the laboratory's record, and the dossier of each run."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.errors import ExportError, MonthError, UnknownRunError
from labcalc.exports import Reading, Refusal, SourceFile, read_exports
from labcalc.judgement.carry_over import InstrumentCarryOver, RunBefore, carry_over_of
from labcalc.judgement.cell_sequence import cell_sequence
from labcalc.judgement.certificates import COMPARISON_COLUMNS, compare_with_certificates
from labcalc.judgement.control import Chart, control_charts
from labcalc.judgement.control_state import ChartState, states_at
from labcalc.lab import (
    Decision,
    Laboratory,
    Product,
    decisions_file,
    earlier_export_files,
    label_runs,
    load_laboratory,
    product_of,
    read_decisions,
)
from labcalc.shipped import sample_exports, sample_lab

__all__ = ["REFERENCE_DAYS", "Dossier", "Material", "gather", "gather_record"]

REFERENCE_DAYS = 30
"""How far back a dossier looks for reference-oil results of its instrument, [d]."""

_LONGEST_RUN = 200
"""More determinations than any run has."""


@dataclass(frozen=True)
class Dossier:
    """One run with all that its judgement needs; nothing in it is later than the run, unless that was asked for."""

    run: str
    rows: pd.DataFrame
    """The run's determinations, in the order of the tidy table."""
    references: pd.DataFrame
    """Reference oils of the same instrument beside their certified values (``COMPARISON_COLUMNS``) in the 30 days
    before the run's end, the run itself excluded."""
    charts: tuple[ChartState, ...]
    """State of the instrument's control charts at the run's end, worst first; a reference oil's own result counts."""
    before: pd.DataFrame
    """The run before on the same instrument; empty where the record holds none."""
    in_sequence: RunBefore | None
    """The run beside the one before it, with the share that stays in the cell as known by then; None where the record
    doesn't place it."""
    product: Product | None
    laboratory: Laboratory
    sources: tuple[SourceFile, ...]
    """The exports that the run's rows stand in."""
    refusals: tuple[Refusal, ...]
    """What was refused in those exports."""
    history: pd.DataFrame
    """Earlier runs of the same sample or of the same lot of the product, without those that a decision excludes."""

    @cached_property
    def is_reference(self) -> bool:
        """Tell whether the run is one of a reference oil."""
        return bool((self.rows["role"] == "reference").all())

    @cached_property
    def own_comparisons(self) -> pd.DataFrame:
        """The run itself beside its certified values, where it is one of a reference oil."""
        return compare_with_certificates(self.rows, self.laboratory)

    @property
    def sample(self) -> str:
        """Name of the sample."""
        return str(self.rows["sample"].iloc[0])

    @property
    def product_name(self) -> str:
        """Name of the product, by lab.toml or else by the export; empty where neither gives one."""
        return self.product.name if self.product else _text(self.rows["product"])

    @property
    def instrument(self) -> str:
        """Name of the instrument; empty where the export gives none."""
        return _text(self.rows["instrument"])

    @property
    def commodity(self) -> str:
        """Commodity group for density: the product's, else lubricating oil."""
        return self.product.commodity if self.product else "lubricating oil"

    @property
    def digest(self) -> str:
        """SHA-256 over everything that the report of the run depends on, beside the version of labcalc."""
        ink = hashlib.sha256(self.run.encode())
        ink.update(pd.util.hash_pandas_object(self.references, index=False).to_numpy().tobytes())
        for few in (self.rows, self.before, self.history):  # of a handful of rows it is quicker to write all
            ink.update(repr(few.to_numpy().tolist()).encode())
        stated = (self.sources, self.refusals, self.laboratory.sha256, self.product, self.charts, self.in_sequence)
        ink.update(repr(stated).encode())
        return ink.hexdigest()


@dataclass(frozen=True)
class Material:
    """The exports at hand, labelled, with the laboratory and its record."""

    laboratory: Laboratory
    reading: Reading
    """The exports at hand; its table is labelled with role, product and lot."""
    record: pd.DataFrame
    """The exports at hand and the laboratory's earlier exports together, each run once."""
    record_failures: tuple[ExportError, ...]
    """Earlier exports that could not be read."""
    decisions: tuple[Decision, ...] = ()
    """What people decided about runs and signals, in the order of the file."""

    @cached_property
    def runs(self) -> tuple[str, ...]:
        """The runs of the exports at hand, in the order of the files."""
        return tuple(dict.fromkeys(self.reading.table["run"]))

    @property
    def first_sample(self) -> str:
        """The first run that is not one of a reference oil."""
        table = self.reading.table
        samples = table.loc[table["role"] != "reference", "run"]
        return str(samples.iloc[0]) if len(samples) else self.runs[0]

    def dossier(self, run: str, *, later: bool = False) -> Dossier:
        """Return the dossier of one run; its history holds later runs too where they are asked for.

        Raises
        ------
        UnknownRunError
            The exports at hand hold no such run.
        """
        if run not in self._positions:
            raise UnknownRunError(f"there is no run '{run}' in the exports; the first is '{next(iter(self.runs), '')}'")
        rows = self.reading.table.iloc[self._positions[run]]
        names = set(rows["source_file"])
        return Dossier(
            run=run,
            rows=rows.reset_index(drop=True),
            references=self._references_of(rows),
            charts=self._charts_at(rows),
            before=self._before(rows),
            in_sequence=self._in_sequence(rows),
            product=_product(rows, self.laboratory),
            laboratory=self.laboratory,
            sources=tuple(source for source in self.reading.sources if source.name in names),
            refusals=tuple(refusal for refusal in self.reading.refusals if refusal.file in names),
            history=self._history(rows, later),
        )

    @cached_property
    def _positions(self) -> dict[str, list[int]]:
        groups = self.reading.table.groupby("run", sort=False).indices
        return {str(run): list(positions) for run, positions in groups.items()}

    @cached_property
    def _by_instrument(self) -> dict[str, pd.DataFrame]:
        dated = self.record.dropna(subset=["measured_at", "instrument"]).sort_values("measured_at", kind="stable")
        return {str(name): table for name, table in dated.groupby("instrument", sort=False)}

    def carry_over(self, instrument: str) -> InstrumentCarryOver | None:
        """Return what the runs of an instrument tell about its carry-over; None where the record holds none."""
        if instrument not in self._carry_overs and instrument in self._by_instrument:
            sequence = cell_sequence(instrument, self._by_instrument[instrument], self.laboratory)
            self._carry_overs[instrument] = carry_over_of(sequence, self.excluded)
        return self._carry_overs.get(instrument)

    @cached_property
    def _carry_overs(self) -> dict[str, InstrumentCarryOver]:
        return {}

    def _in_sequence(self, rows: pd.DataFrame) -> RunBefore | None:
        found = self.carry_over(_text(rows["instrument"]))
        return None if found is None else found.run_before(str(rows["run"].iloc[0]))

    @cached_property
    def comparisons(self) -> pd.DataFrame:
        """Every reference-oil result of the record beside its certified value (``COMPARISON_COLUMNS``)."""
        return compare_with_certificates(self.record.dropna(subset=["measured_at", "instrument"]), self.laboratory)

    @cached_property
    def charts(self) -> tuple[Chart, ...]:
        """Every control chart of the laboratory."""
        return control_charts(self.comparisons, self.laboratory, self.decisions)

    @cached_property
    def _references(self) -> dict[str, pd.DataFrame]:
        return {str(name): group for name, group in self.comparisons.groupby("instrument", sort=False)}

    @cached_property
    def _charts_of(self) -> dict[str, list[Chart]]:
        found: dict[str, list[Chart]] = {}
        for chart in self.charts:
            found.setdefault(chart.instrument, []).append(chart)
        return found

    def _charts_at(self, rows: pd.DataFrame) -> tuple[ChartState, ...]:
        charts, end = self._charts_of.get(_text(rows["instrument"]), []), rows["measured_at"].max()
        return () if pd.isna(end) else states_at(charts, end, days=REFERENCE_DAYS)

    def _references_of(self, rows: pd.DataFrame) -> pd.DataFrame:
        table = self._references.get(_text(rows["instrument"]))
        end = rows["measured_at"].max()
        if table is None or pd.isna(end):
            return pd.DataFrame(columns=list(COMPARISON_COLUMNS))
        first = table["measured_at"].searchsorted(end - pd.Timedelta(days=REFERENCE_DAYS))
        window: pd.DataFrame = table.iloc[first : table["measured_at"].searchsorted(end, side="right")]
        others: pd.DataFrame = window[window["run"] != rows["run"].iloc[0]]
        return others.reset_index(drop=True)

    @cached_property
    def excluded(self) -> frozenset[str]:
        """The runs that a decision excludes as a whole."""
        return frozenset(one.run for one in self.decisions if one.what == "exclude" and not one.quantity)

    @cached_property
    def _samples(self) -> pd.DataFrame:
        """The dated runs of samples in the record, in the order of time."""
        table = self.record
        usable = (table["role"] != "reference") & table["measured_at"].notna() & ~table["run"].isin(self.excluded)
        return table[usable].sort_values("measured_at", kind="stable")

    @cached_property
    def _alike(self) -> dict[tuple[str, ...], list[int]]:
        """Positions in ``_samples`` by sample, and by product and lot."""
        found: dict[tuple[str, ...], list[int]] = {}
        names = self._samples[["sample", "product", "lot"]].astype(object)
        texts = names.where(names.notna(), "").to_numpy().tolist()
        for position, (sample, product, lot) in enumerate(texts):
            for key in [(sample,), *([(product, lot)] if lot else [])]:
                found.setdefault(key, []).append(position)
        return found

    @cached_property
    def _sample_runs(self) -> NDArray[np.object_]:
        return self._samples["run"].to_numpy(object)

    def _history(self, rows: pd.DataFrame, later: bool) -> pd.DataFrame:
        sample, product, lot = (_text(rows[name]) for name in ("sample", "product", "lot"))
        positions = {*self._alike.get((sample,), ()), *(self._alike.get((product, lot), ()) if lot else ())}
        others = [at for at in sorted(positions) if self._sample_runs[at] != rows["run"].iloc[0]]
        if not later:  # the record is in the order of time
            start = rows["measured_at"].min()
            end = 0 if pd.isna(start) else int(self._samples["measured_at"].searchsorted(start, side="left"))
            others = [at for at in others if at < end]
        return self._samples.iloc[others].reset_index(drop=True)

    def _before(self, rows: pd.DataFrame) -> pd.DataFrame:
        table = self._by_instrument.get(_text(rows["instrument"]))
        start = rows["measured_at"].min()
        if table is None or pd.isna(start):
            return self.record.iloc[:0]
        head: pd.DataFrame = table.iloc[: table["measured_at"].searchsorted(start, side="left")]
        if head.empty:
            return head
        tail = head.iloc[-_LONGEST_RUN:]
        last: pd.DataFrame = tail[tail["run"] == tail["run"].iloc[-1]]
        return last.reset_index(drop=True)


def gather(exports: Sequence[str | Path] = (), lab: str | Path | None = None) -> Material:
    """Read exports and the laboratory's record once; asked again for unchanged files, return the same material.

    Parameters
    ----------
    exports : sequence of str or pathlib.Path, optional
        The exports at hand: their runs can be judged. Without any: the whole record, as ``gather_record`` reads it, and
        without a lab.toml either the sample laboratory's last weeks.
    lab : str or pathlib.Path, optional
        lab.toml; it names the earlier exports in which reference-oil results are looked up.

    Returns
    -------
    Material
        The labelled exports with the laboratory and its record.

    Raises
    ------
    ExportError
        None of the exports can be read.
    SettingsError
        lab.toml can't be used.
    DecisionError
        A decision beside lab.toml can't be used.
    """
    if not exports and lab:
        return gather_record(lab)
    if not exports:
        exports, lab = sample_exports(), sample_lab()
    laboratory = load_laboratory(lab or None)
    paths = tuple(Path(path).resolve() for path in exports)
    earlier = tuple(path.resolve() for path in earlier_export_files(laboratory))
    earlier = tuple(path for path in earlier if path not in paths)
    decided = [path for path in [decisions_file(laboratory)] if path is not None]
    stamps = tuple(_stamp(path) for path in (*paths, *earlier, *decided))
    return _gather(paths, earlier, laboratory.file, (laboratory.sha256, *stamps))


def gather_record(lab: str | Path | None = None) -> Material:
    """Read the laboratory's whole record: every export that ``earlier_exports`` of its lab.toml names.

    Parameters
    ----------
    lab : str or pathlib.Path, optional
        lab.toml; none: the sample laboratory's.

    Returns
    -------
    Material
        As ``gather`` returns it, with the whole record at hand.

    Raises
    ------
    MonthError
        The lab.toml names no earlier exports, or none of that name is there.
    ExportError, SettingsError, DecisionError
        As for ``gather``.
    """
    lab = lab or sample_lab()
    laboratory = load_laboratory(lab)
    if not laboratory.earlier_exports:
        raise MonthError(f"{lab}: laboratory.earlier_exports is missing: it says which exports make up the record")
    files = earlier_export_files(laboratory)
    if not files:
        patterns = ", ".join(f"'{one}'" for one in laboratory.earlier_exports)
        raise MonthError(f"{lab}: laboratory.earlier_exports: no file fits {patterns}: the record is empty")
    return gather(files, lab)


@lru_cache(maxsize=2)
def _gather(
    paths: tuple[Path, ...], earlier: tuple[Path, ...], lab: Path | None, stamps: tuple[object, ...]
) -> Material:
    """Read; ``stamps`` (size and time of change of each file) only tell one state of the files from another."""
    laboratory = load_laboratory(lab)
    reading = _labelled(read_exports(paths, profiles=laboratory.profiles, time_zone=laboratory.time_zone), laboratory)
    record, failures = reading.table, reading.failures[:0]
    if earlier:
        try:
            past = read_exports(earlier, profiles=laboratory.profiles, time_zone=laboratory.time_zone)
        except ExportError as failure:
            failures = (failure,)
        else:
            failures = past.failures
            table = _labelled(past, laboratory).table
            record = pd.concat([table[~table["run"].isin(set(record["run"]))], record], ignore_index=True)
    return Material(laboratory, reading, record, failures, read_decisions(laboratory))


def _labelled(reading: Reading, laboratory: Laboratory) -> Reading:
    return replace(reading, table=label_runs(reading.table, laboratory))


def _stamp(path: Path) -> object:
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_size, status.st_mtime_ns


def _text(column: pd.Series) -> str:
    known = column.dropna()
    return "" if known.empty else str(known.iloc[0])


def _product(rows: pd.DataFrame, laboratory: Laboratory) -> Product | None:
    return product_of(laboratory, sample=_text(rows["sample"]), product=_text(rows["product"]))
