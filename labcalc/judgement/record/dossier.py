"""The dossier of a run: its rows with all that judging them needs."""

import hashlib
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import timedelta
from functools import cached_property
from typing import cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.errors import DecisionError
from labcalc.exports import QUANTITY_COLUMNS, Refusal, SourceFile
from labcalc.exports.tidying.runs import LONGEST_STEP_US
from labcalc.judgement import certificates as certified
from labcalc.judgement.carry_over.shares import WITHIN_ONE, RunBefore
from labcalc.judgement.certificates import UNITS, Certificates, SuspectLot
from labcalc.judgement.control.panels import ChecksInControl
from labcalc.judgement.control.status import ChartState
from labcalc.judgement.precision import InForce, precision_by_own_record, precision_of_class
from labcalc.judgement.record.admission import Doubt
from labcalc.lab import Decision, Laboratory, Limit, Product, ProductClass, product_classes, quantities_of
from labcalc.wording import cut_short

_FEWEST, _MOST = 30, 300  # differences that tell a scatter, and the newest that count: our own choice
Key = tuple[str, str, float]  # product, quantity, temperature [°C]: what scatters alike, apart from all others
_NONE = np.array([], dtype="datetime64[us]"), np.array([])


@dataclass(frozen=True)
class OwnScatter:
    """Standard deviation of single fills, relative for viscosities [-], of densities [kg/m³], and what it rests on."""

    size: float
    number: int


@dataclass(frozen=True)
class FillScatter:
    """What some fills of an instrument show, each difference with its moment, in the order of time."""

    differences: Mapping[Key, tuple[NDArray[np.datetime64], NDArray[np.float64]]]

    def at(self, moment: pd.Timestamp, product: str, quantity: str, temperature_C: float) -> OwnScatter | None:
        """Return the scatter of a product's fills by the runs before a moment; None of too few, or by rounding."""
        until = moment.tz_convert(None).to_datetime64()
        moments, sizes = self.differences.get((product, quantity, round(temperature_C, 1)), _NONE)
        earlier = sizes[: moments.searchsorted(until, side="left")][-_MOST:]
        if earlier.size < _FEWEST:
            return None
        size = float(np.quantile(earlier, WITHIN_ONE)) / math.sqrt(2.0)
        return OwnScatter(size, earlier.size) if size > 0.0 else None


def fill_scatter(rows: pd.DataFrame) -> FillScatter:
    """Return how an instrument's fills differ, by its dated rows in the order of time."""
    found: dict[Key, tuple[NDArray[np.datetime64], NDArray[np.float64]]] = {}
    warm, moments = rows["temperature_C"].to_numpy(float).round(1), pd.DatetimeIndex(rows["measured_at"])
    temperatures, at = np.unique(warm, return_inverse=True)
    place = pd.factorize(rows["run"])[0] * temperatures.size + at
    for quantity, column in QUANTITY_COLUMNS.items():
        values = rows[column].to_numpy(float)
        known = np.flatnonzero((values > 0.0) & np.isfinite(warm))
        known = known[np.argsort(place[known], kind="stable")]
        goes_on = np.diff(place[known], prepend=-1, append=-1) == 0
        begins = np.flatnonzero(~goes_on[:-1] & goes_on[1:])
        begins = begins[np.argsort(known[begins])]  # in the order of time again
        first, later = known[begins], values[known[begins + 1]]
        apart = np.abs(later - values[first] if quantity == "density" else np.log(later / values[first]))
        when, products = moments[first].tz_convert(None).to_numpy(), rows["product"].iloc[first].astype(object)
        fills = pd.DataFrame({"product": products.fillna("").to_numpy(), "T": warm[first]})
        for key, where in fills.groupby(["product", "T"], sort=False).indices.items():
            product, T = cast("tuple[str, float]", key)
            found[str(product), quantity, float(T)] = when[where], apart[where]
    return FillScatter(found)


@dataclass(frozen=True, eq=False)
class Dossier:
    """One run with all that its judgement needs; nothing that it judges is later than the run."""

    run: str
    rows: pd.DataFrame  # the run's determinations, in the order of the tidy table
    references: pd.DataFrame  # the instrument's, 30 days up to the run's end, without it (``COMPARISON_COLUMNS``)
    elsewhere: Callable[[], pd.DataFrame]  # returns the same of every instrument, in those days
    charts: tuple[ChartState, ...]  # of the instrument at the run's end, worst first; with a reference oil's own result
    shifts: tuple[str, ...]  # what on the instrument had moved at the run's end and stayed away, the clearest first
    afterwards: str  # what later checks told of the instrument at the run; the judgement leaves it out
    before: pd.DataFrame  # the run before on the same instrument; empty where the record holds none
    in_sequence: RunBefore | None  # with the share that stays in the cell as known by then; None where it has no place
    product: Product | None
    laboratory: Laboratory
    sources: tuple[SourceFile, ...]  # the exports that the run's rows stand in
    refusals: tuple[Refusal, ...]  # what was refused in those exports
    history: pd.DataFrame  # earlier runs of the sample or its lot, without those that a decision excludes
    peers: pd.DataFrame  # earlier determinations of the product, the last 80: ``run``, temperature, the quantities
    day: pd.DataFrame  # the day's other samples on any instrument, later ones too: only to name an exchanged bottle
    decisions: tuple[Decision, ...] = ()  # what people decided about the run
    fills: FillScatter | None = None  # how far fills lie apart on the instrument; None without a dated run of it
    checks: tuple[ChecksInControl, ...] = ()  # the instrument's checks in control before it, where asked for
    doubts: tuple[Doubt, ...] = ()  # why the record doesn't hold the run until somebody decides
    waiting: tuple[Decision, ...] = ()  # decisions about it that a second person must confirm before they are applied
    unusable: tuple[DecisionError, ...] = ()  # lines of decisions that can't be used or were changed

    @cached_property
    def is_reference(self) -> bool:
        return bool((self.rows["role"] == "reference").all())

    @cached_property
    def own_comparisons(self) -> pd.DataFrame:
        """The run itself beside its certified values, where it is one of a reference oil."""
        return certified.compare_with_certificates(self.rows, self.laboratory)

    @cached_property
    def last_references(self) -> pd.DataFrame:
        """The last run of each reference oil in ``references``."""
        samples, runs = (self.references[name].tolist() for name in ("sample", "run"))
        last = dict(zip(samples, runs, strict=True))
        of_last = [last[sample] == run for sample, run in zip(samples, runs, strict=True)]
        return self.references[np.array(of_last, dtype=bool)]

    @cached_property
    def suspect_lot(self) -> SuspectLot | None:
        """The lot that is off on the run's instrument and reads the same on the others; None where there is none."""
        last = self.last_references
        if self.is_reference:
            last = pd.concat([one for one in (self.own_comparisons, last[last["sample"] != self.sample]) if len(one)])
        return certified.suspect_lot(last, self.elsewhere()) if len(last) and certified.is_beyond(last).any() else None

    @cached_property
    def certificates(self) -> Certificates:
        """What the certificates say of the reference oils last run on the run's instrument."""
        own = self.references.empty and self.is_reference
        return certified.certificates_in_use(self.rows if own else self.references, self.laboratory)

    @cached_property
    def sample(self) -> str:
        return str(self.rows["sample"].iloc[0])

    @cached_property
    def product_name(self) -> str:
        """Name of the product, by lab.toml or else by the export; empty where neither gives one."""
        return self.product.name if self.product else first_text(self.rows["product"])

    @cached_property
    def instrument(self) -> str:
        """Name of the instrument; empty where the export gives none."""
        return first_text(self.rows["instrument"])

    @property
    def why_no_references(self) -> str:
        """Why no reference oil speaks for the run, where none does."""
        if not self.instrument:
            return "the export names no instrument, so no reference oil speaks for this run"
        return "the record holds no reference-oil result of this instrument in 30 days"

    @property
    def commodity(self) -> str:
        """Commodity group for density: the product's, else lubricating oil."""
        return self.product.commodity if self.product else "lubricating oil"

    @property
    def precision_class(self) -> str:
        """Class that precision is stated for: the product's, base oils for a reference oil; empty where unknown."""
        if self.is_reference:
            return "base oils"
        return self.product.precision_class if self.product else ""

    @cached_property
    def earlier_means(self) -> pd.DataFrame:
        """Means of earlier runs of the product, oldest first: one a ``run``, quantity and ``temperature_C`` [°C]."""
        names = {QUANTITY_COLUMNS[quantity]: quantity for quantity in UNITS}
        long: pd.DataFrame = self.peers.rename(columns=names).assign(temperature_C=self.peers["temperature_C"].round(1))
        long = long.melt(["run", "temperature_C"], [*names.values()], "quantity").dropna(subset=["value"])
        keys = ["run", "quantity", "temperature_C"]
        return pd.DataFrame(long.groupby(keys, sort=False, as_index=False)["value"].mean())

    @property
    def own_refusals(self) -> tuple[Refusal, ...]:
        """The refused rows that may be of the run: of its sample, and as near in time as rows of a run are.
        Where no time can be read, every refused row of that name in the files may be."""
        longest, times = timedelta(microseconds=LONGEST_STEP_US), self.rows["measured_at"]
        first, last = times.min() - longest, times.max() + longest
        of_sample = [one for one in self.refusals if one.sample and one.sample == self.sample]
        if pd.isna(first):
            return tuple(of_sample)
        return tuple(one for one in of_sample if one.measured_at is None or first <= one.measured_at <= last)

    def own_scatter(self, quantity: str, temperature_C: float) -> OwnScatter | None:
        """Return how fills scattered on the instrument until the run began; None where the record doesn't tell."""
        began = self.rows["measured_at"].min()
        if self.fills is None or pd.isna(began) or self.product is None:
            return None
        return self.fills.at(began, self.product_name, quantity, temperature_C)

    def precision_in_force(self, quantity: str, temperature_C: float, value: float) -> InForce:
        """Return the precision statement that holds for a result of the run; it holds in its range only.
        Where none does, the scatter of the instrument's own fills stands in, and why there is none is kept."""
        asked = (quantity, temperature_C, value, self.instrument)
        found = precision_of_class(self.laboratory, self.precision_class, *asked)
        are_fills = self.laboratory.report.replicates == "fills"
        own = self.own_scatter(quantity, temperature_C) if found.statement is None and are_fills else None
        if own is None:
            return found
        of = f"{self.product_name} on {self.instrument}"
        return InForce(precision_by_own_record(quantity, own.size, own.number, of), found.why_not)

    @property
    def limits(self) -> tuple[Limit, ...]:
        return self.product.limits if self.product else ()

    @property
    def quantities(self) -> tuple[str, ...]:
        """What a report calculates: what the product's class names and lab.toml changes, and what its limits need."""
        product = self.product or Product("")
        places = {"density": " at {:g} °C"}
        needed = (f"+{one.quantity}{places.get(one.quantity, '').format(one.temperature_C)}" for one in self.limits)
        changes = (*self.laboratory.report.quantities, *product.quantities, *needed)
        return quantities_of(product.class_, self.commodity, changes)

    @property
    def liquid(self) -> str | None:
        """The kind of liquid that the product's class names; of none, line and expansion are least certain."""
        return self._class.liquid

    @property
    def _class(self) -> ProductClass:
        return product_classes().get(self.product.class_ if self.product else "", ProductClass())

    @property
    def temperatures_C(self) -> tuple[float, ...]:
        """Where the viscosity is given, measured or not, by [report] and by the product's class, [°C]."""
        return tuple(dict.fromkeys((*self.laboratory.report.temperatures_C, *self._class.temperatures_C)))

    @property
    def report_number(self) -> str:
        """Number of the report: the run, and the first digits of the digest of all that it rests on."""
        return f"{cut_short(self.run)} / {self.digest[:8]}"

    def number_after(self, replaced: str) -> str:
        """Return the number of the report that amends another; without one, the number of the report itself."""
        if not replaced:
            return self.report_number
        before = re.fullmatch(r".*, amendment (\d+)", replaced, re.DOTALL)
        return f"{self.report_number}, amendment {int(before[1]) + 1 if before else 1}"

    @cached_property
    def digest(self) -> str:
        """SHA-256 over everything that the report of the run depends on, beside the version of labcalc."""
        ink = hashlib.sha256(self.run.encode())
        for many in (self.references, self.peers):
            ink.update(pd.util.hash_pandas_object(many, index=False).to_numpy().tobytes())
        for few in (self.rows, self.before, self.history):  # of a handful of rows it is quicker to write all
            ink.update(repr(few.to_numpy().tolist()).encode())
        warm = self.rows["temperature_C"].unique()
        stated = (
            *(self.sources, self.refusals, self.laboratory.digest, self.product, self.charts, self.shifts),
            *(self.afterwards, self.in_sequence, self.decisions, self.doubts),
            *(self.own_scatter(quantity, at) for quantity in QUANTITY_COLUMNS for at in warm),
            *(self.waiting, [(one.line, one.problem) for one in self.unusable], *self.checks),
            *filter(None, [self.suspect_lot]),
        )
        ink.update(repr(stated).encode())
        return ink.hexdigest()


def first_text(column: pd.Series) -> str:
    """Return the first known text of a column; empty where there is none."""
    return next((str(one) for one in column if not pd.isna(one)), "")
