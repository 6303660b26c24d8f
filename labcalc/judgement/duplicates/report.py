"""The precision of duplicate runs: of a period, a product or class, an operator, an instrument."""

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import pandas as pd

from labcalc.errors import PeriodError
from labcalc.exports import SourceFile
from labcalc.judgement.checks import Action
from labcalc.judgement.duplicates.comparison import NamedSpread, biases_of, compare_spreads
from labcalc.judgement.duplicates.pairing import repeated_results
from labcalc.judgement.duplicates.precision import DuplicateSummary, summarise_sets
from labcalc.judgement.duplicates.sets import SetBeyond, sets_beyond, sets_of, with_carry_over
from labcalc.judgement.period import Period, days_of
from labcalc.judgement.record.measurements import Material, last_kept
from labcalc.lab import Laboratory, nearest
from labcalc.wording import at_celsius, counted, first_of

DUPLICATE_VERDICTS = ("as it should be", "to be watched", "needs action")  # from best to worst
REVIEW = "Review how the method is run: filling, temperature, cleaning."
_MEASURE = "Measure again, as told for each; look for bubbles, residue of the sample before, swapped bottles."
_RINSE = "Rinse once more after a thicker sample, or run from thin to thick."


@dataclass(frozen=True, eq=False)
class DuplicateReport:
    """Everything that is said about the repeats of a period."""

    laboratory: Laboratory
    period: Period
    only: Mapping[str, str]  # what they are narrowed to: ``product`` (or class), ``operator``, ``instrument``
    sets: pd.DataFrame  # ``SET_COLUMNS``, with what carry-over is expected to do (``carried``, ``carried_over``)
    summaries: tuple[DuplicateSummary, ...]
    spreads: tuple[NamedSpread, ...]  # operators, instruments, lots, days beside the rest; who stands out first
    biased: tuple[Action, ...]  # what differs on the whole: first and second results, or two instruments
    beyond: tuple[SetBeyond, ...]  # in the order of time
    sources: tuple[SourceFile, ...]  # the exports of the period's results, and of those that they may repeat
    digest: str  # SHA-256 over everything that the report depends on, beside the version of labcalc

    @property
    def number(self) -> str:
        """Number of the report: what it is about, and the first digits of the digest of all that it rests on."""
        return f"{self.about} / {self.digest[:8]}"

    @property
    def rank(self) -> int:
        """2: worse than a limit, somebody stands out, or a gross difference; 1: else a set beyond, or a bias."""
        if any(one.is_worse for one in self.summaries) or any(one.is_gross for one in self.beyond) or self.named:
            return 2
        return int(bool(self.beyond or self.biased))

    @property
    def verdict(self) -> str:
        """One of ``DUPLICATE_VERDICTS``."""
        return DUPLICATE_VERDICTS[self.rank]

    @property
    def reason(self) -> str:
        """What to do, in a sentence, and how many sets are beyond their limit."""
        if self.sets.empty:
            return "no sample was measured twice"
        own = (one for one in self.beyond if not one.carried)
        again = list(dict.fromkeys(one.sample for one in sorted(own, key=lambda one: -one.spread / one.limit)))
        worse = [one.name for one in self.summaries if one.is_worse]
        parts = [
            *(f"look at {one.about[0].lower()}{one.about[1:]}" for one in self.named),
            *([f"review how {first_of(worse)} is run (worse than its limit)"] if worse and not self.named else []),
            *([f"measure {first_of(again)} again"] if again else []),
            *(["rinse once more after thicker samples"] if self.carried_over else []),
            *(f"see why they differ: {one.about}, {one.finding.partition(' (')[0]}" for one in self.biased),
        ]
        limited = int(self.sets["limit"].notna().sum())
        count = f"{len(self.beyond)} of {limited} sets of repeats beyond their limit"
        without = [f"{len(self.sets) - limited} without a limit"] if limited < len(self.sets) else []
        return "; ".join([*(parts or ["nothing to do"]), count, *without])

    @property
    def named(self) -> tuple[Action, ...]:
        """Operators, instruments, lots and days that repeat less well than the rest, with what to do."""
        of_title: dict[str, list[NamedSpread]] = {}
        for one in (each for each in self.spreads if each.stands_out):
            of_title.setdefault(one.title, []).append(one)
        said = ((title, "; ".join(one.finding for one in some), some[0].what_to_do) for title, some in of_title.items())
        return tuple(Action(*one) for one in said)

    @property
    def carried_over(self) -> tuple[Action, ...]:
        """How many sets carry-over holds apart; none where there are none."""
        apart = self.sets[self.sets["carried_over"]]
        if apart.empty:
            return ()
        sets, beyond = counted(len(apart), "set"), int(apart["beyond"].sum())
        found = f"holds {sets} apart, {beyond} beyond the limit: {first_of(apart['sample'])}"
        return (Action("Carry-over", found, _RINSE),)

    @property
    def findings(self) -> tuple[Action, ...]:
        """What needs action: precision worse than its limit, who stands out, repeats beyond, pairs that differ."""
        worse = "; ".join(f"{one.name}, {one.compared}" for one in self.summaries if one.is_worse)
        apart: dict[str, list[str]] = {}
        for one in self.beyond:
            apart.setdefault(one.sample, []).append(f"{at_celsius(one.quantity, one.temperature_C)} {one.apart}")
        beyond = "; ".join(f"{sample}: {', '.join(said)}" for sample, said in apart.items())
        return (
            *([Action("Precision of duplicates", f"worse than its limit: {worse}", REVIEW)] if worse else []),
            *self.named,
            *([Action("Repeats", f"beyond their limit: {beyond}", _MEASURE)] if beyond else []),
            *self.biased,
        )

    @property
    def about(self) -> str:
        """What the report is about: period, product, operator, instrument."""
        return ", ".join(filter(None, (self.period.name, *self.only.values())))


@last_kept
def report_duplicates(
    material: Material,
    first_day: str = "",
    last_day: str = "",
    *,
    product: str = "",
    operator: str = "",
    instrument: str = "",
) -> DuplicateReport:
    """Put together the precision of duplicate runs: of the sets whose last result lies in the period.

    first_day, last_day : Such as ``2026-03-31``, both included; none: from the first or to the last dated run.
    product : Only this product or precision class; case ignored.
    operator, instrument : Only sets in which this person, or this instrument, measured; case ignored.
    Raises PeriodError : A day is none, the record holds no dated run, or none of that product, operator or instrument.
    """
    record = material.record
    dated = record["measured_at"].dropna()
    if dated.empty:
        raise PeriodError("the record holds no dated run: there is nothing to look at")
    days = [first_day or f"{dated.min():%Y-%m-%d}", last_day or f"{dated.max():%Y-%m-%d}"]
    products = [name for one in material.laboratory.products for name in (one.name, one.precision_class) if name]
    only = {
        "product": _known(product, "product or class", [*products, *record["product"].dropna().astype(str)]),
        "operator": _known(operator, "operator", record["operator"].dropna().astype(str)),
        "instrument": _known(instrument, "instrument", record["instrument"].dropna().astype(str)),
    }
    return duplicates_between(material, days_of(days[0], days[1], material.laboratory.time_zone), **only)


def duplicates_between(material: Material, period: Period, **only: str) -> DuplicateReport:
    """Put together the precision of duplicate runs of a period; ``only``: a ``product`` (or class), ``operator`` or
    ``instrument``, as the record writes them."""
    laboratory, record = material.laboratory, material.record
    began = period.first - pd.Timedelta(days=laboratory.duplicates.intermediate_window_d + 1.0)
    near = record[(record["measured_at"] >= began) & (record["measured_at"] < period.last)]
    results = repeated_results(near, record, laboratory, material.decisions)
    sets = sets_of(results, laboratory)
    sets = sets[period.holds(sets["ended"])]
    if product := only.get("product"):
        sets = sets[(sets["product"] == product) | (sets["precision_class"] == product)]
    for who in ("operator", "instrument"):
        if name := only.get(who):
            sets = sets[[name in names.split(", ") for names in sets[f"{who}s"]]]
    results = results[results["set"].isin(sets.index)]
    sets, results = with_carry_over(sets, results, material, period.last)
    told = summarise_sets(results, sets, laboratory), compare_spreads(results, sets), biases_of(results, sets)
    beyond, sources = sets_beyond(results, sets), material.sources_of(near)
    return DuplicateReport(laboratory, period, only, sets, *told, beyond, sources, _digest(material, period, only))


def _known(asked: str, what: str, names: Iterable[str]) -> str:
    """Return the name as it is written."""
    by_folded, folded = {name.casefold(): name for name in names}, asked.strip().casefold()
    if folded and folded not in by_folded:
        raise PeriodError(f"the record holds no {what} '{asked}'{nearest(asked.strip(), by_folded.values())}")
    return by_folded[folded] if folded else ""


def _digest(material: Material, period: Period, only: Mapping[str, str]) -> str:
    narrowed = [f"{name}={value}" for name, value in only.items() if value]
    stated = (period.name, narrowed, material.laboratory.digest, material.decisions, material.reading.sources)
    return hashlib.sha256(repr((stated, material.doubts, material.repeated)).encode()).hexdigest()
