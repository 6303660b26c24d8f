"""The laboratory as lab.toml describes it: plain frozen records, no files, no judgement."""

import hashlib
import math
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Annotated

import numpy as np
from numpy.typing import ArrayLike, NDArray

import labcalc.lab._tables as toml
from labcalc import statistics
from labcalc.exports.profile import Profile
from labcalc.exports.table import QUANTITY_COLUMNS
from labcalc.formulae import COMMODITIES
from labcalc.lab.record.chain import Head

INDICES = {"viscosity index": "the viscosity index", "CCAI": "CCAI"}  # what has no temperature, as a message calls it
_NAN = float("nan")
_Measured = Annotated[str, toml.Key(toml.choice(QUANTITY_COLUMNS))]
_Judged = Annotated[str, toml.Key(toml.choice((*QUANTITY_COLUMNS, *INDICES)))]
_Rule = Annotated[str, toml.Key(toml.choice(statistics.DECISION_RULES))]
_Constants = Annotated[str, toml.Key(toml.choice(statistics.CHART_CONSTANTS))]
_FIRST_RULE = next(iter(statistics.DECISION_RULES))


@dataclass(frozen=True)
class Instrument:
    """An instrument, under the name that the exports give it."""

    name: toml.Text  # as the exports write it
    description: toml.Text = ""  # maker, type, serial number: whatever a report should name
    methods: toml.Patterns = ()
    """The methods by which it measures, as ``method_names`` writes them; the first that states a quantity holds."""
    thermostats: Annotated[int | None, toml.Key(toml.whole_number(1, 2))] = None
    """1: one cell temperature for viscosity and density; 2: each has its own; None where lab.toml doesn't say."""


@dataclass(frozen=True)
class CertifiedValue:
    """One certified value of a reference oil: ``quantity`` at ``temperature_C`` [°C], in the unit of the tidy table."""

    quantity: _Measured
    temperature_C: toml.Celsius
    value: toml.Positive  # as the certificate has it, [mm²/s], [mPa·s] or [kg/m³]
    expanded_uncertainty: toml.NotNegative  # expanded uncertainty, in the unit of the value
    coverage_factor: Annotated[float, toml.Key(toml.number(above=0), None)] = 2.0  # k of that uncertainty, [-]
    k_is_stated: bool = True  # false where nothing says k, and 2 is taken


@dataclass(frozen=True)
class ReferenceLot:
    """One lot of a reference oil with its certificate; the dates are the first and the last day of its use.

    What isn't known of the certificate is empty.
    """

    lot: toml.Text  # as the exports or the bottle name it
    valid_from: toml.Day
    valid_to: toml.Day
    certified: tuple[CertifiedValue, ...]  # a table a quantity and temperature
    certificate: toml.Text = ""  # number of the certificate
    producer: toml.Text = ""  # who made and certified it
    accreditation: toml.Text = ""  # of the producer, such as the number under which it is accredited to ISO 17034
    coverage_factor: Annotated[float | None, toml.Key(toml.number(above=0))] = None
    """What the certificate says of k for all its values."""
    file: toml.Text = ""  # the certificate as a file, relative to lab.toml


@dataclass(frozen=True)
class ReferenceMaterial:
    """A reference oil, told by its sample names."""

    name: toml.Text  # as reports show it
    samples: toml.Patterns  # Shell-style patterns on the sample name, case ignored
    lots: Annotated[tuple[ReferenceLot, ...], "lot"]


@dataclass(frozen=True)
class Limit:
    """A specification limit; NaN where a side is open. ``decimals``: as the specification writes it."""

    quantity: _Judged  # ``kinematic viscosity``, ``dynamic viscosity``, ``density``, ``viscosity index`` or ``CCAI``
    temperature_C: toml.OpenCelsius  # temperature, [°C]; NaN for an index
    lowest: toml.OpenNumber  # the result is to be this or more; a side without a limit is left out
    highest: toml.OpenNumber  # the result is to be this or less
    decimals: Annotated[int, toml.Key(toml.whole_number(0, 6))]  # as the specification writes its limit, [-]
    decision_rule: _Rule = ""  # name in ``DECISION_RULES``; empty: the laboratory's rule
    source: str = ""
    """Standard with edition, where lab.toml asks for a standard's limits; empty: the product's specification."""
    mark: str = ""  # ``seen`` or ``memory`` of a standard's limit


@dataclass(frozen=True)
class TypicalValue:
    """What the product usually shows: mean and standard deviation of a quantity at a temperature."""

    quantity: _Judged
    temperature_C: toml.OpenCelsius
    mean: toml.Number  # what good runs show, in the unit of the tidy table
    standard_deviation: toml.Positive  # how far single good runs scatter about it


@dataclass(frozen=True)
class Product:
    """A product of the house, told by its product name or by sample names."""

    name: toml.Text  # as the exports, or else the reports, name it
    samples: toml.Patterns = ()
    """Shell-style patterns on the sample name, case ignored, for exports that name no product."""
    class_: Annotated[str, "class"] = field(default="", kw_only=True)
    """Class of products, a key of ``product_classes``; empty where lab.toml gives none."""
    precision_class: toml.Text = ""  # class for the precision statements, such as ``base oils``
    commodity: str = next(iter(COMMODITIES))  # commodity group for density: a key of ``formulae.COMMODITIES``
    standard: toml.Text = ""  # published limits that it is held to, a key of ``standard_limits``
    quantities: tuple[str, ...] = ()
    """What its reports calculate beside (``+``) or without (``-``) what its class names."""
    specification: toml.Text = ""  # title of the specification that the limits are taken from
    customer: toml.Text = ""  # as a report names it
    sampling: toml.Text = ""  # plan or place of sampling, as a report names it
    limits: Annotated[tuple[Limit, ...], "limit"] = ()
    """Of its specification, and of the standard where the specification has none for the quantity."""
    typical: tuple[TypicalValue, ...] = ()


@dataclass(frozen=True)
class PrecisionFunction:
    """How a difference limit grows with the result x: factor · (x + offset) ** exponent; a NaN factor: not stated."""

    factor: toml.Positive = _NAN  # of factor · (x + offset) ** exponent
    offset: toml.Number = 0.0  # added to the result x
    exponent: toml.Number = 1.0  # 0: the same at every level; 1: in proportion

    def at(self, x: ArrayLike) -> NDArray[np.float64]:
        """Return the limit [unit of the quantity] at ``x`` [unit of the quantity], any shape; NaN below -offset."""
        base = np.asarray(x, dtype=float) + self.offset
        power = np.where(base < 0.0, np.nan, base) ** self.exponent
        return np.asarray(self.factor * power, dtype=float)


@dataclass(frozen=True)
class Precision:
    """A laboratory's own precision statement, 95 %; it takes the place of a published one."""

    precision_class: Annotated[str, toml.Key(toml.text), "class"]  # the class of products that it holds for
    quantity: _Measured
    temperature_C: toml.OpenCelsius  # temperature, [°C]; NaN for any
    determinability: PrecisionFunction = field(default=PrecisionFunction(), kw_only=True)  # d
    repeatability: PrecisionFunction  # r
    reproducibility: PrecisionFunction = field(default=PrecisionFunction(), kw_only=True)  # R
    lowest: toml.Number = field(default=_NAN, kw_only=True)  # begin of its range, [unit of the quantity]
    highest: toml.Number = field(default=_NAN, kw_only=True)  # its end; NaN where none is stated
    degrees_of_freedom: Annotated[float, toml.Key(toml.number(1))] = field(default=math.inf, kw_only=True)
    """How many differences stand behind the repeatability, [-]; infinite where it is taken as known."""
    source: toml.Text  # method and edition, or the laboratory's own study


@dataclass(frozen=True)
class Uncertainty:
    """What a budget needs beside certificates and precision: standard uncertainties and steps; NaN where not stated."""

    temperature_K: toml.NotNegative = _NAN  # standard uncertainty of the cell's temperature, [K]
    adjustment_percent: toml.NotNegative = _NAN
    """Standard uncertainty of viscosity that adjustment and drift leave between reference-oil checks, [%]."""
    adjustment_density_kg_m3: toml.NotNegative = _NAN  # the same for density, [kg/m³]
    resolution_percent: toml.NotNegative = _NAN  # step of a viscosity that is not printed but follows from others, [%]
    resolution_density_kg_m3: toml.NotNegative = _NAN  # the same for density, [kg/m³]
    from_control: Annotated[bool, toml.Key(toml.yes_or_no)] = False
    """Let the instrument's checks in control, by level, stand for temperature, repeatability, resolution and
    adjustment."""


@dataclass(frozen=True)
class ReportChoices:
    """What reports show and by which limits a run is looked at."""

    statement: toml.Text = ""  # what the laboratory states on each of them, beneath the signatures
    translation: toml.Text = ""  # file of ``labcalc sentences`` with the language of the pages, relative to lab.toml
    method_pages: toml.Text = ""
    """Folder of the pages of ``labcalc methods`` as a report sees it; empty: no links to them."""
    temperatures_C: toml.Temperatures = ()
    """Temperatures at which the viscosity is reported beside the measured ones, [°C]."""
    quantities: tuple[str, ...] = ()
    """What all reports calculate beside (``+``) or without (``-``) what the class of the product names."""
    expanded_uncertainty_percent: toml.Positive = _NAN
    """The laboratory's own relative expanded uncertainty (95 %) of viscosity, [%]; NaN if it states none."""
    expanded_uncertainty_density_kg_m3: toml.Positive = _NAN  # the same for density, [kg/m³]
    reference_age_h: toml.Positive = 24.0  # how old the last reference-oil check of the instrument may be, [h]
    reference_viscosity_percent: toml.NotNegative = 0.5
    """How far a reference oil may be from its certified viscosity, beside the certificate's own uncertainty, [%]."""
    reference_density_kg_m3: toml.NotNegative = 0.3  # the same for density, [kg/m³]
    replicates: Annotated[str, toml.Key(toml.choice(("fills", "determinations")))] = "fills"
    """What the replicates of a run are: ``fills``, results of their own that the repeatability r holds for, or
    ``determinations`` of one fill, that the determinability d holds for."""


@dataclass(frozen=True)
class ConformityChoices:
    """How results are held against specification limits, where a limit states no rule of its own."""

    decision_rule: _Rule = _FIRST_RULE  # name in ``DECISION_RULES``
    guard_band: Annotated[float, toml.Key(toml.number(0, 5))] = 1.0
    """Guard band of the rules that have one, in expanded uncertainties, [-]."""


@dataclass(frozen=True)
class Baseline:
    """The period whose results set the limits of control charts, first and last day included; empty texts: of any."""

    first_day: Annotated[date, toml.Key(toml.day), "from"]
    last_day: Annotated[date, toml.Key(toml.day), "to"]
    lot: toml.Text = ""  # only of this lot
    instrument: toml.Text = ""  # only on this instrument


_Results = Annotated[int, toml.Key(toml.whole_number(5, 1000))]
LIMIT_KINDS = ("by baseline size", "three sigma")  # how far out the limits of a control chart stand


@dataclass(frozen=True)
class ControlChoices:
    """How control charts are set up and read.

    The limits of a chart come from the first baseline here in which it has results, or else from the first
    ``baseline_results`` of its lot. By default a signal is a result beyond three sigma, or an EWMA beyond its own
    limits: ISO 4259-4 has charts of individuals with either an EWMA or run rules beside them.
    """

    baselines: Annotated[tuple[Baseline, ...], "baseline"] = ()
    rules: tuple[statistics.RunRule, ...] = statistics.RULE_SETS["limits only"]
    ewma_weight: Annotated[float, toml.Key(toml.number(0, 1))] = 0.4
    """Weight of the newest result, [-]; 0: no EWMA. The default is common in petroleum testing [memory]."""
    ewma_multiple: toml.Positive = 3.0  # half width of the EWMA's limits in its standard deviations, [-]
    limits: Annotated[str, toml.Key(toml.choice(LIMIT_KINDS))] = LIMIT_KINDS[0]
    """One of ``LIMIT_KINDS``: further out the fewer results set them, so that a result without fault lies beyond them
    as seldom as the figures say (``ChartLimits``), or at three sigma in any case."""
    constants: _Constants = "trade"  # name in ``CHART_CONSTANTS``
    baseline_results: _Results = 20  # first results of a lot that set its limits, [-]
    fewest_results: _Results = 8
    """Results below which no limits are set, [-]: our own choice; with fewer, sigma is known to no better than 30 %."""
    settled_results: _Results = 30  # results below which limits are provisional, [-]
    performance: statistics.PerformanceThresholds = statistics.PERFORMANCE_THRESHOLDS


@dataclass(frozen=True)
class DecisionChoices:
    """How decisions are taken."""

    second_person: date | None = None
    """Decisions from this day on are applied once another person has confirmed them; None: at once."""


REPEAT_KINDS = ("within a run", "between runs", "reference oils between runs")  # of a run's fills, a sample's, an oil's
_REPEATS = toml.Key(toml.listed(toml.choice(REPEAT_KINDS), ", ".join(map(toml.shown, REPEAT_KINDS))))


@dataclass(frozen=True)
class DuplicateChoices:
    """Which results of one sample are repeats of each other, and under which conditions.

    Repeatability: same instrument, operator and lots of reference oils, within the shorter window. Intermediate
    precision: any of these changed, or the time, within the longer one. Each window begins with its first result.
    """

    count: Annotated[tuple[str, ...], _REPEATS] = REPEAT_KINDS[:2]
    """Some of ``REPEAT_KINDS``; reference oils between runs have their control charts, and count on request only."""
    second_fill_endings: Annotated[tuple[str, ...], toml.Key(toml.listed(toml.text, "endings", may_be_empty=True))] = ()
    """Endings of a sample's name that mark a second fill or bottle, such as ``/2``; case ignored."""
    repeatability_window_h: toml.Positive = 8.0
    """A working day, [h]: our own choice of the short interval that ISO 3534-2 asks for."""
    intermediate_window_d: toml.Positive = 31.0  # how long a sample is taken to stay the same, [d]: our own choice


@dataclass(frozen=True)
class RecordPlace:
    """Where the record is kept: a SQLite file, relative to lab.toml, or a PostgreSQL database by its URL."""

    file: toml.Text = ""  # SQLite file, relative to lab.toml
    url: str = ""  # PostgreSQL database, without a password


@dataclass(frozen=True)
class Laboratory:
    """The whole of lab.toml. Without a file: sensible defaults that read any self-describing export."""

    name: str = "Laboratory without a lab.toml"  # as reports show it
    address: toml.Text = ""  # as reports show it
    logo: toml.Text = ""  # a picture, relative to lab.toml
    logo_uri: str = ""  # the same as a ``data:`` URI, once the file was read
    translation: str = ""  # text of the file that ``report.translation`` names, once it was read
    time_zone: str = "UTC"
    instruments: tuple[Instrument, ...] = ()
    profiles: tuple[Profile, ...] = ()
    references: tuple[ReferenceMaterial, ...] = ()
    products: tuple[Product, ...] = ()
    precision: tuple[Precision, ...] = ()
    report: ReportChoices = field(default_factory=ReportChoices)
    uncertainty: Uncertainty = field(default_factory=Uncertainty)
    control: ControlChoices = field(default_factory=ControlChoices)
    conformity: ConformityChoices = field(default_factory=ConformityChoices)
    duplicates: DuplicateChoices = field(default_factory=DuplicateChoices)
    decisions: DecisionChoices = field(default_factory=DecisionChoices)
    earlier_exports: Annotated[tuple[str, ...], toml.Key(toml.listed(toml.text, "patterns", may_be_empty=True))] = ()
    """Patterns, relative to lab.toml, of the exports that make up the laboratory's record: where earlier runs and
    reference-oil results are looked up."""
    proficiency_rounds: toml.Text = ""  # file of rounds of proficiency tests, relative to lab.toml; empty without one
    record: RecordPlace | None = None  # None: ``earlier_exports`` and the lines of ``decisions.jsonl`` are the record
    recorded: Head | None = None  # of the record, or of the chained file of decisions, when it was read; else None
    file: Path | None = None
    sha256: str = ""  # digest of lab.toml; empty without one

    @property
    def rounds_file(self) -> Path | None:
        """The file of ``proficiency_rounds``; None without one."""
        return self.file.parent / self.proficiency_rounds if self.file and self.proficiency_rounds else None

    @property
    def files_beside(self) -> tuple[Path, ...]:
        """What a month's page tells of and is no export: the rounds, and the certificates as files."""
        certificates = (lot.file for oil in self.references for lot in oil.lots if lot.file)
        beside = tuple(self.file.parent / one for one in certificates) if self.file else ()
        return (self.rounds_file, *beside) if self.rounds_file else beside

    @property
    def digest(self) -> str:
        """SHA-256 over lab.toml, the logo and the translation, [hex]."""
        beside = f"{self.logo_uri}{self.translation}"
        return hashlib.sha256(f"{self.sha256}{beside}".encode()).hexdigest() if beside else self.sha256
