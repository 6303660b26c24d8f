"""What a judgement starts from: the exports at hand with the record, and the dossiers cut out of them."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.errors import DecisionError, ExportError, UnknownRunError
from labcalc.exports import QUANTITY_COLUMNS, Reading, SourceFile
from labcalc.judgement.carry_over.run_order import cell_sequence
from labcalc.judgement.carry_over.shares import InstrumentCarryOver, RunBefore, carry_over_of
from labcalc.judgement.certificates import COMPARISON_COLUMNS, compare_with_certificates
from labcalc.judgement.control.chart_making import control_charts
from labcalc.judgement.control.charts import Chart
from labcalc.judgement.control.site_record import ChecksInControl, checks_in_control
from labcalc.judgement.control.status import ChartState, states_at
from labcalc.judgement.control.watch import Stream, stopping_at, told_afterwards, watched
from labcalc.judgement.record.admission import Doubt, first_of_files
from labcalc.judgement.record.dossier import Dossier, FillScatter, fill_scatter, first_text
from labcalc.lab import Assignment, Decision, Laboratory, Product, product_of

REFERENCE_DAYS = 30  # how far back a dossier looks for reference-oil results of its instrument, [d]
_PEERS = 80  # how many earlier determinations of a product are shown beside a run's
_LONGEST_RUN = 200  # more determinations than any run has


@dataclass(frozen=True)
class Material:
    """The exports at hand, labelled, with the laboratory and its record."""

    laboratory: Laboratory
    reading: Reading  # the exports at hand; its table is labelled with role, product and lot
    record: pd.DataFrame  # the exports at hand and the laboratory's earlier exports together, each run once
    record_failures: tuple[ExportError, ...]  # earlier exports that could not be read
    decisions: tuple[Decision, ...] = ()  # what people decided about runs and signals, in the order of the file
    unusable: tuple[DecisionError, ...] = ()  # decisions that can't be read, and aren't applied
    sources: tuple[SourceFile, ...] = ()  # the exports at hand, then those of the record
    doubts: tuple[Doubt, ...] = ()  # the runs that are kept out of the record until somebody decides
    repeated: tuple[str, ...] = ()  # which files hold rows of others, in sentences
    copies: Mapping[str, frozenset[str]] = field(default_factory=dict)
    """Run to the names of further files that hold rows of it."""
    waiting: tuple[Decision, ...] = ()  # decisions that a second person must confirm before they are applied
    assignments: tuple[Assignment, ...] = ()  # who is to see to what was found

    def sources_of(self, rows: pd.DataFrame) -> tuple[SourceFile, ...]:
        """Return the exports that hold rows, those that hold the same rows or the same bytes again included."""
        names = set(rows["source_file"]).union(*(self.copies.get(run, ()) for run in set(rows["run"])))
        digests = {one.sha256 for one in self.sources if one.name in names}
        held = (one for one in self.sources if one.name in names or one.sha256 in digests)
        return tuple({(one.name, one.sha256): one for one in held}.values())

    @property
    def first_doubts(self) -> tuple[Doubt, ...]:
        """The first doubt of a kind about each file, which says how many more there are."""
        return tuple(first_of_files(self.doubts))

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

    def dossier(self, run: str) -> Dossier:
        """Return the dossier of one run; raise UnknownRunError where the exports at hand hold no such run."""
        if run not in self._positions:
            table = self.reading.table
            runs = [f"'{one}'" for one in table.loc[table["sample"] == run, "run"].unique()]
            near = f"that sample's: {', '.join(runs)}" if runs else f"the first is '{next(iter(self.runs), '')}'"
            raise UnknownRunError(f"there is no run '{run}' in the exports; {near}")
        rows = self.reading.table.iloc[self._positions[run]]
        names = set(rows["source_file"])
        return Dossier(
            run=run,
            rows=rows.reset_index(drop=True),
            references=self._references_of(rows),
            charts=self._charts_at(rows),
            shifts=self._shifts_at(rows),
            afterwards=self._afterwards(rows),
            before=self._before(rows),
            in_sequence=self._in_sequence(rows),
            product=_product(rows, self.laboratory),
            laboratory=self.laboratory,
            sources=self.sources_of(rows),
            refusals=tuple(refusal for refusal in self.reading.refusals if refusal.file in names),
            history=self._history(rows),
            peers=self._peers(rows),
            day=self._day(rows),
            decisions=tuple(one for one in self.decisions if one.run == run),
            fills=self._fills(first_text(rows["instrument"])),
            checks=self._checks(rows),
            doubts=tuple(one for one in self.doubts if one.run == run and one.file in names),
            waiting=tuple(one for one in self.waiting if one.run == run or (not one.run and one.file in names)),
            unusable=self.unusable,
        )

    @cached_property
    def _positions(self) -> dict[str, list[int]]:
        groups = self.reading.table.groupby("run", sort=False).indices
        return {str(run): list(positions) for run, positions in groups.items()}

    @cached_property
    def _by_instrument(self) -> dict[str, pd.DataFrame]:
        dated = self.record.dropna(subset=["measured_at", "instrument"]).sort_values("measured_at", kind="stable")
        return {str(name): table for name, table in dated.groupby("instrument", sort=False)}

    def neighbours(self, run: str) -> dict[str, str]:
        """Return the runs beside one on its instrument: ``previous`` and ``next``, and the ``reference oil`` before."""
        rows = self.reading.table.iloc[self._positions[run]]
        before, after = self._beside.get(run, ("", ""))
        references = self._references_of(rows)
        checked = "" if references.empty else str(references["run"].iloc[-1])
        found = {"previous": before, "next": after, "reference oil": checked}
        return {label: name for label, name in found.items() if name}

    @cached_property
    def _beside(self) -> dict[str, tuple[str, str]]:
        """The run before and the run after each on its instrument; empty where there is none."""
        found: dict[str, tuple[str, str]] = {}
        for table in self._by_instrument.values():
            order = ["", *map(str, dict.fromkeys(table["run"])), ""]
            found |= {run: (order[n], order[n + 2]) for n, run in enumerate(order[1:-1])}
        return found

    @cached_property
    def _known(self) -> dict[tuple[str, str], Any]:
        """What was worked out of each instrument, by what it is."""
        return {}

    def carry_over(self, instrument: str) -> InstrumentCarryOver | None:
        """Return what the runs of an instrument tell about its carry-over; None where the record holds none."""
        if ("carry-over", instrument) not in self._known and instrument in self._by_instrument:
            sequence = cell_sequence(instrument, self._by_instrument[instrument], self.laboratory)
            self._known["carry-over", instrument] = carry_over_of(sequence, self.excluded)
        return self._known.get(("carry-over", instrument))

    def _fills(self, instrument: str) -> FillScatter | None:
        if ("fills", instrument) not in self._known and instrument in self._by_instrument:
            self._known["fills", instrument] = fill_scatter(self._by_instrument[instrument])
        return self._known.get(("fills", instrument))

    def _in_sequence(self, rows: pd.DataFrame) -> RunBefore | None:
        found = self.carry_over(first_text(rows["instrument"]))
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

    def _charts_of(self, instrument: str) -> tuple[Chart, ...]:
        if ("charts", instrument) not in self._known and instrument in self._references:
            found = control_charts(self._references[instrument], self.laboratory, self.decisions)
            self._known["charts", instrument] = found
        known: tuple[Chart, ...] = self._known.get(("charts", instrument), ())
        return known

    @cached_property
    def streams(self) -> dict[str, tuple[Stream, ...]]:
        """What is watched for lasting shifts, by instrument."""
        names = dict.fromkeys(one.instrument for one in self.charts)
        self._known.update(
            {("charts", name): tuple(one for one in self.charts if one.instrument == name) for name in names}
        )
        return {name: self._streams_of(name) for name in names}

    def _streams_of(self, instrument: str) -> tuple[Stream, ...]:
        if ("streams", instrument) not in self._known:
            self._known["streams", instrument] = watched(self._charts_of(instrument))
        known: tuple[Stream, ...] = self._known["streams", instrument]
        return known

    def _charts_at(self, rows: pd.DataFrame) -> tuple[ChartState, ...]:
        charts, end = self._charts_of(first_text(rows["instrument"])), rows["measured_at"].max()
        return () if pd.isna(end) else states_at(charts, end, days=REFERENCE_DAYS)

    def _checks(self, rows: pd.DataFrame) -> tuple[ChecksInControl, ...]:
        name, begin = first_text(rows["instrument"]), rows["measured_at"].min()
        if not self.laboratory.uncertainty.from_control or pd.isna(begin):
            return ()
        determinations = self.laboratory.report.replicates == "determinations"
        fills = 1.0 if determinations else self._check_fills.get(name, 1.0)
        return checks_in_control(self._charts_of(name), begin, fills)

    @cached_property
    def _check_fills(self) -> dict[str, float]:
        """Determinations behind a check at one temperature, by instrument: their median."""
        checks = self.record[self.record["role"] == "reference"]
        sizes = checks.groupby(["instrument", "run", checks["temperature_C"].round(1)]).size()
        return {str(name): float(one) for name, one in sizes.groupby(level=0).median().items()}

    def _shifts_at(self, rows: pd.DataFrame) -> tuple[str, ...]:
        streams, end = self._streams_of(first_text(rows["instrument"])), rows["measured_at"].max()
        return () if pd.isna(end) else stopping_at(streams, end, days=REFERENCE_DAYS)

    def _afterwards(self, rows: pd.DataFrame) -> str:
        streams, end = self._streams_of(first_text(rows["instrument"])), rows["measured_at"].max()
        return "" if pd.isna(end) else told_afterwards(streams, end)

    def _references_of(self, rows: pd.DataFrame) -> pd.DataFrame:
        table = self._references.get(first_text(rows["instrument"]))
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
    def _alike(self) -> dict[Any, Any]:
        """Positions in ``_samples`` by sample, and by product and lot."""
        named = self._samples[["sample", "product", "lot"]]
        lots = named[named["lot"].notna() & (named["lot"] != "")].assign(
            product=lambda table: table["product"].fillna("")
        )
        places = np.flatnonzero(self._samples.index.isin(lots.index))
        of_lots = lots.groupby(["product", "lot"], sort=False, observed=True).indices
        return {
            **named.groupby("sample", sort=False, observed=True).indices,
            **{key: places[at] for key, at in of_lots.items()},
        }

    @cached_property
    def _sample_runs(self) -> NDArray[np.object_]:
        return self._samples["run"].to_numpy(object)

    def _history(self, rows: pd.DataFrame) -> pd.DataFrame:
        sample, product, lot = (first_text(rows[name]) for name in ("sample", "product", "lot"))
        positions = {*self._alike.get(sample, ()), *(self._alike.get((product, lot), ()) if lot else ())}
        start = rows["measured_at"].min()
        end = 0 if pd.isna(start) else int(self._samples["measured_at"].searchsorted(start, side="left"))
        run = rows["run"].iloc[0]
        others = [at for at in sorted(positions) if at < end and self._sample_runs[at] != run]
        return self._samples.iloc[others].reset_index(drop=True)

    @cached_property
    def _by_product(self) -> dict[str, pd.DataFrame]:
        return {str(name): table for name, table in self._samples.groupby("product", sort=False, observed=True)}

    def _peers(self, rows: pd.DataFrame) -> pd.DataFrame:
        columns = ["run", "temperature_C", *QUANTITY_COLUMNS.values()]
        table, start = self._by_product.get(first_text(rows["product"])), rows["measured_at"].min()
        if table is None or pd.isna(start):
            return self.record.iloc[:0][columns]
        last = int(table["measured_at"].searchsorted(start, side="left"))
        return table.iloc[max(0, last - _PEERS) : last][columns].reset_index(drop=True)

    def _day(self, rows: pd.DataFrame) -> pd.DataFrame:
        start, times = rows["measured_at"].min(), self._samples["measured_at"]
        if pd.isna(start):
            return self._samples[:0]
        first, last = (times.searchsorted(start.normalize() + pd.Timedelta(days=more)) for more in (0, 1))
        table = self._samples.iloc[first:last]
        return pd.DataFrame(table[table["run"] != rows["run"].iloc[0]])

    def _before(self, rows: pd.DataFrame) -> pd.DataFrame:
        table = self._by_instrument.get(first_text(rows["instrument"]))
        start = rows["measured_at"].min()
        if table is None or pd.isna(start):
            return self.record.iloc[:0]
        end = int(table["measured_at"].searchsorted(start, side="left"))
        tail = table["run"].to_numpy(object)[max(0, end - _LONGEST_RUN) : end]
        return table.iloc[end - len(tail) + np.flatnonzero(tail == tail[-1:])].reset_index(drop=True)


def _product(rows: pd.DataFrame, laboratory: Laboratory) -> Product | None:
    return product_of(laboratory, sample=first_text(rows["sample"]), product=first_text(rows["product"]))
