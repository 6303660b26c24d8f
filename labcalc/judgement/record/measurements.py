"""What a judgement starts from: the exports at hand with the record, and the dossiers cut out of them."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property, lru_cache, partial, wraps
from typing import Any, Concatenate, Literal, ParamSpec, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.errors import DecisionError, ExportError, UnknownRunError
from labcalc.exports import QUANTITY_COLUMNS, Reading, SourceFile
from labcalc.judgement.carry_over.run_order import cell_sequence
from labcalc.judgement.carry_over.shares import InstrumentCarryOver, carry_over_of
from labcalc.judgement.certificates import COMPARISON_COLUMNS, compare_with_certificates
from labcalc.judgement.control.chart_making import control_charts
from labcalc.judgement.control.charts import Chart
from labcalc.judgement.control.panels import checks_in_control
from labcalc.judgement.control.status import states_at
from labcalc.judgement.control.watch import Stream, stopping_at, told_afterwards, watched
from labcalc.judgement.record.admission import Doubt, first_of_files
from labcalc.judgement.record.dossier import Dossier, FillScatter, fill_scatter, first_text
from labcalc.lab import Assignment, Decision, Laboratory, Product, product_of

REFERENCE_DAYS = 30  # how far back a dossier looks for reference-oil results of its instrument, [d]
_PEERS = 80  # how many earlier determinations of a product are shown beside a run's
_LONGEST_RUN = 200  # more determinations than any run has
P = ParamSpec("P")
R = TypeVar("R")
_NOWHERE = np.empty(0, dtype=np.int64)


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
    copies: Mapping[str, frozenset[str]] = field(default_factory=dict)  # run to further files that hold it
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

    @cached_property
    def dossier(self) -> Callable[[str], Dossier]:
        """Return the dossier of a run; raise UnknownRunError where the exports at hand hold no such run.
        The last ones are kept: who asks whether a report is up to date renders it next, or the page after it."""
        return lru_cache(maxsize=8)(self._dossier)

    def _dossier(self, run: str) -> Dossier:
        rows = self._rows(run)
        names, own = set(rows["source_file"]), self._instrument_of(rows)
        begin, end = rows["measured_at"].min(), rows["measured_at"].max()
        is_dated, from_control = not pd.isna(begin), self.laboratory.uncertainty.from_control
        return Dossier(
            run=run,
            rows=rows.reset_index(drop=True),
            references=own.references_until(end, run),
            elsewhere=partial(self._everywhere.references_until, end, run),
            charts=states_at(own.charts, end, days=REFERENCE_DAYS) if is_dated else (),
            shifts=stopping_at(own.streams, end, days=REFERENCE_DAYS) if is_dated else (),
            afterwards=told_afterwards(own.streams, end) if is_dated else "",
            before=own.before(begin),
            in_sequence=None if own.carry_over is None else own.carry_over.run_before(run),
            product=_product(rows, self.laboratory),
            laboratory=self.laboratory,
            sources=self.sources_of(rows),
            refusals=tuple(refusal for refusal in self.reading.refusals if refusal.file in names),
            history=self._history(rows, begin),
            peers=self._peers(rows, begin),
            day=self._day(run, begin),
            decisions=tuple(one for one in self.decisions if one.run == run),
            fills=own.fills,
            checks=checks_in_control(own.charts, begin, own.check_fills) if is_dated and from_control else (),
            doubts=tuple(one for one in self.doubts if one.run == run and one.file in names),
            waiting=tuple(one for one in self.waiting if one.run == run or (not one.run and one.file in names)),
            unusable=self.unusable,
        )

    def sample_and_product(self, run: str) -> tuple[str, str]:
        """Return the names of a run's sample and product, this by lab.toml or else by the export, or empty."""
        rows = self._rows(run)
        product = _product(rows, self.laboratory)
        return str(rows["sample"].iloc[0]), product.name if product else first_text(rows["product"])

    def _rows(self, run: str) -> pd.DataFrame:
        if run not in self._positions:
            table = self.reading.table
            runs = [f"'{one}'" for one in table.loc[table["sample"] == run, "run"].unique()]
            near = f"that sample's: {', '.join(runs)}" if runs else f"the first is '{next(iter(self.runs), '')}'"
            raise UnknownRunError(f"there is no run '{run}' in the exports; {near}")
        return self.reading.table.iloc[self._positions[run]]

    @cached_property
    def _positions(self) -> dict[str, list[int]]:
        groups = self.reading.table.groupby("run", sort=False).indices
        return {str(run): list(positions) for run, positions in groups.items()}

    def neighbours(self, run: str) -> dict[str, str]:
        """Return the runs beside one on its instrument: ``previous`` and ``next``, and the ``reference oil`` before."""
        rows = self._rows(run)
        own = self._instrument_of(rows)
        before, after = ("", "") if own.carry_over is None else own.carry_over.beside(run)
        checks = own.references_until(rows["measured_at"].max(), run)["run"]
        found = {"previous": before, "next": after, "reference oil": str(checks.iloc[-1]) if len(checks) else ""}
        return {label: name for label, name in found.items() if name}

    @cached_property
    def _by_instrument(self) -> dict[str, NDArray[np.int64]]:
        """Where the dated rows of each instrument stand in the record, in the order of time."""
        dated = self.record[["measured_at", "instrument"]].reset_index(drop=True).dropna()
        places = dated["measured_at"].sort_values(kind="stable").index.to_numpy()
        codes, names = pd.factorize(dated["instrument"].loc[places])
        return {str(name): places[codes == number] for number, name in enumerate(names)}

    @cached_property
    def _instruments(self) -> dict[str, "_Instrument"]:
        references = {str(name): table for name, table in self.comparisons.groupby("instrument", sort=False)}
        places, nothing = self._by_instrument, pd.DataFrame(columns=list(COMPARISON_COLUMNS))
        return {
            name: _Instrument(name, places.get(name, _NOWHERE), references.get(name, nothing), self)
            for name in sorted({*places, *references, ""})
        }

    @cached_property
    def _everywhere(self) -> "_Instrument":
        return _Instrument("", _NOWHERE, self.comparisons, self)

    def _instrument_of(self, rows: pd.DataFrame) -> "_Instrument":
        return self._instruments.get(first_text(rows["instrument"]), self._instruments[""])

    def carry_over(self, instrument: str) -> InstrumentCarryOver | None:
        """Return what the runs of an instrument tell about its carry-over; None where the record holds none."""
        return self._instruments.get(instrument, self._instruments[""]).carry_over

    @cached_property
    def comparisons(self) -> pd.DataFrame:
        """Every reference-oil result of the record beside its certified value (``COMPARISON_COLUMNS``)."""
        checks = self.record[self.record["role"] == "reference"].dropna(subset=["measured_at", "instrument"])
        return compare_with_certificates(checks, self.laboratory)

    @cached_property
    def charts(self) -> tuple[Chart, ...]:
        """Every control chart of the laboratory."""
        return tuple(chart for one in self._instruments.values() for chart in one.charts)

    @cached_property
    def excluded(self) -> frozenset[str]:
        """The runs that a decision excludes as a whole."""
        return frozenset(one.run for one in self.decisions if one.what == "exclude" and not one.quantity)

    @cached_property
    def _samples(self) -> "_InTime":
        """The dated runs of samples in the record."""
        table = self.record
        usable = (table["role"] != "reference") & table["measured_at"].notna() & ~table["run"].isin(self.excluded)
        return _InTime(table[usable].sort_values("measured_at", kind="stable"))

    @cached_property
    def _alike(self) -> dict[Any, Any]:
        """Positions in ``_samples`` by sample, and by product and lot."""
        named = self._samples.table[["sample", "product", "lot"]]
        lots = named[named["lot"].notna() & (named["lot"] != "")]
        lots, places = lots.assign(product=lots["product"].fillna("")), np.flatnonzero(named.index.isin(lots.index))
        of_lots = lots.groupby(["product", "lot"], sort=False, observed=True).indices
        samples = named.groupby("sample", sort=False, observed=True).indices
        return {**samples, **{key: places[at] for key, at in of_lots.items()}}

    def _history(self, rows: pd.DataFrame, begin: pd.Timestamp) -> pd.DataFrame:
        sample, product, lot = (first_text(rows[name]) for name in ("sample", "product", "lot"))
        positions = {*self._alike.get(sample, ()), *(self._alike.get((product, lot), ()) if lot else ())}
        end, run, runs = self._samples.place(begin), rows["run"].iloc[0], self._samples.runs
        others = [at for at in sorted(positions) if at < end and runs[at] != run]
        return self._samples.table.iloc[others].reset_index(drop=True)

    @cached_property
    def _by_product(self) -> dict[str, "_InTime"]:
        products = self._samples.table.groupby("product", sort=False, observed=True)
        return {str(name): _InTime(table) for name, table in products}

    def _peers(self, rows: pd.DataFrame, begin: pd.Timestamp) -> pd.DataFrame:
        found = self._by_product.get(first_text(rows["product"]), self._samples)
        last = found.place(begin) if found is not self._samples else 0
        columns = ["run", "temperature_C", *QUANTITY_COLUMNS.values()]
        return found.table.iloc[max(0, last - _PEERS) : last][columns].reset_index(drop=True)

    def _day(self, run: str, begin: pd.Timestamp) -> pd.DataFrame:
        if pd.isna(begin):
            return self._samples.table[:0]
        first, last = (self._samples.place(begin.normalize() + pd.Timedelta(days=more)) for more in (0, 1))
        others: pd.DataFrame = self._samples.table.iloc[first:last][self._samples.runs[first:last] != run]
        return others


@dataclass(frozen=True)
class _InTime:
    """Rows in the order of time."""

    table: pd.DataFrame

    @cached_property
    def moments(self) -> NDArray[np.datetime64]:
        return pd.DatetimeIndex(self.table["measured_at"]).tz_convert(None).to_numpy()

    @cached_property
    def runs(self) -> NDArray[np.object_]:
        return self.table["run"].to_numpy(object)

    def place(self, moment: pd.Timestamp, side: Literal["left", "right"] = "left") -> int:
        """Return how many rows are earlier than a moment, or with ``right`` not later; 0 for an unknown one."""
        return 0 if pd.isna(moment) else int(self.moments.searchsorted(moment.tz_convert(None).to_datetime64(), side))


@dataclass(frozen=True)
class _Instrument:
    """What the record holds of one instrument, and what it tells: worked out once, when it is asked for."""

    name: str
    places: NDArray[np.int64]  # of its dated rows in the record, in the order of time
    references: pd.DataFrame  # of ``Material.comparisons``
    material: Material

    @property
    def rows(self) -> pd.DataFrame:
        """Those rows, made anew for each who asks: kept, they are the record once more."""
        return self.material.record.iloc[self.places]

    @cached_property
    def charts(self) -> tuple[Chart, ...]:
        return control_charts(self.references, self.material.laboratory, self.material.decisions)

    @cached_property
    def streams(self) -> tuple[Stream, ...]:
        """What is watched for lasting shifts, from where charts tell of the exports at hand."""
        first = self.material.reading.table["measured_at"].min()
        return watched(self.charts, None if pd.isna(first) else first - pd.Timedelta(days=REFERENCE_DAYS))

    @cached_property
    def carry_over(self) -> InstrumentCarryOver | None:
        if not self.places.size:
            return None
        return carry_over_of(cell_sequence(self.name, self.rows, self.material.laboratory), self.material.excluded)

    @cached_property
    def fills(self) -> FillScatter | None:
        return fill_scatter(self.rows) if self.places.size else None

    @cached_property
    def check_fills(self) -> float:
        """Determinations behind a check at one temperature: their median."""
        if self.material.laboratory.report.replicates == "determinations":
            return 1.0
        checks = self.rows[self.rows["role"] == "reference"]
        sizes = checks.groupby(["run", checks["temperature_C"].round(1)]).size()
        return float(sizes.median()) if len(sizes) else 1.0

    @cached_property
    def _in_time(self) -> tuple[_InTime, _InTime]:
        return _InTime(self.material.record[["measured_at", "run"]].iloc[self.places]), _InTime(self.references)

    def references_until(self, end: pd.Timestamp, run: str) -> pd.DataFrame:
        """Return the references of ``REFERENCE_DAYS`` until a run's end, without the run."""
        if self.references.empty or pd.isna(end):
            return pd.DataFrame(columns=list(COMPARISON_COLUMNS))
        known = self._in_time[1]
        window = slice(known.place(end - pd.Timedelta(days=REFERENCE_DAYS)), known.place(end, "right"))
        others: pd.DataFrame = self.references.iloc[window][known.runs[window] != run]
        return others.reset_index(drop=True)

    def before(self, begin: pd.Timestamp) -> pd.DataFrame:
        """Return the rows of the run before one that began then."""
        end = self._in_time[0].place(begin) if self.places.size else 0
        tail = self._in_time[0].runs[max(0, end - _LONGEST_RUN) : end]
        last = self.places[end - len(tail) + np.flatnonzero(tail == tail[-1:])]
        return self.material.record.iloc[last].reset_index(drop=True)


def last_kept(report: Callable[Concatenate[Material, P], R]) -> Callable[Concatenate[Material, P], R]:
    """Keep a report's last answer with its material: the page that is rendered next asks for the same again."""

    @wraps(report)
    def asked(material: Material, *words: P.args, **named: P.kwargs) -> R:
        kept, key = vars(material).setdefault("_reports", {}), (words, tuple(named.items()))
        if report not in kept or kept[report][0] != key:
            kept[report] = key, report(material, *words, **named)
        return kept[report][1]  # type: ignore[no-any-return]

    return asked  # type: ignore[return-value]  # named or not, the material comes first


def _product(rows: pd.DataFrame, laboratory: Laboratory) -> Product | None:
    return product_of(laboratory, sample=first_text(rows["sample"]), product=first_text(rows["product"]))
