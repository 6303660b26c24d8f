"""The precision of duplicate runs: of a period, a product or class, or an operator."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from labcalc.errors import PeriodError
from labcalc.exports import SourceFile
from labcalc.judgement.duplicates.bias import DuplicateFinding, biases_of
from labcalc.judgement.duplicates.exceedances import SetBeyond, sets_beyond
from labcalc.judgement.duplicates.level import LevelStudy, study_levels
from labcalc.judgement.duplicates.pairing import repeated_results
from labcalc.judgement.duplicates.precision import DuplicateSummary, summarise_sets
from labcalc.judgement.duplicates.sets import sets_of
from labcalc.judgement.period import Period, days_of
from labcalc.judgement.record.measurements import Material
from labcalc.lab import Laboratory, nearest
from labcalc.statistics import pairs_needed
from labcalc.wording import at_celsius

DUPLICATE_VERDICTS = ("as it should be", "to be watched", "needs action")
"""From best to worst."""

_REVIEW = (
    "Where single samples do it, settle these first. Where it stays without them, review how the method is run: "
    "filling, temperature, cleaning."
)
_MEASURE = (
    "Measure again, as the report says for each; look for bubbles, residue of the sample before, swapped bottles."
)


@dataclass(frozen=True, eq=False)
class DuplicateReport:
    """Everything that is said about the repeats of a period."""

    laboratory: Laboratory
    period: Period
    product: str
    """Only this product or class; empty: all."""
    operator: str
    """Only sets in which this person measured; empty: all."""
    sets: pd.DataFrame
    """``SET_COLUMNS``."""
    summaries: tuple[DuplicateSummary, ...]
    levels: tuple[LevelStudy, ...]
    biased: tuple[DuplicateFinding, ...]
    """What differs on the whole between first and second results, or between two instruments."""
    beyond: tuple[SetBeyond, ...]
    """In the order of time."""
    sources: tuple[SourceFile, ...]
    """The exports that the results of the period, and those that they may repeat, stand in."""
    digest: str
    """SHA-256 over everything that the report depends on, beside the version of labcalc."""

    @property
    def rank(self) -> int:
        """2: a precision is worse than its limit; 1: a set is beyond it, or pairs differ on the whole; else 0."""
        if any(one.is_worse for one in self.summaries):
            return 2
        return int(bool(self.beyond or self.biased))

    @property
    def verdict(self) -> str:
        """One of ``DUPLICATE_VERDICTS``."""
        return DUPLICATE_VERDICTS[self.rank]

    @property
    def reason(self) -> str:
        """What the verdict rests on, in a sentence."""
        if self.sets.empty:
            return "no sample was measured twice"
        worse = [one for one in self.summaries if one.is_worse]
        parts = [
            *([f"worse than its limit: {_named(worse)}"] if worse else []),
            *(f"{one.about}: {one.finding}" for one in self.biased),
            f"{len(self.beyond)} of {len(self.sets)} sets of repeats beyond their limit",
        ]
        return "; ".join(parts)

    @property
    def findings(self) -> tuple[DuplicateFinding, ...]:
        """What needs action: precision worse than its limit, repeats beyond it, pairs that differ on the whole."""
        worse = [one for one in self.summaries if one.is_worse]
        found = [
            *([DuplicateFinding("Precision of duplicates", _compared(worse), _REVIEW)] if worse else []),
            *([DuplicateFinding("Repeats", _apart(self.beyond), _MEASURE)] if self.beyond else []),
        ]
        return (*found, *self.biased)

    @property
    def pairs_needed(self) -> tuple[tuple[float, int], ...]:
        """How many pairs bring the upper end of the interval of s how near to s, relative, [-]."""
        return tuple((width, int(pairs_needed(width))) for width in (0.5, 0.25, 0.1))

    @property
    def about(self) -> str:
        """What the report is about: period, product, operator."""
        return ", ".join(filter(None, (self.period.name, self.product, self.operator)))

    @property
    def for_programs(self) -> dict[str, Any]:
        """The verdict for other programs: only what JSON can carry."""
        return {"about": self.about, "verdict": self.verdict, "reason": self.reason, "sets": len(self.sets)}


def report_duplicates(
    material: Material, first_day: str = "", last_day: str = "", *, product: str = "", operator: str = ""
) -> DuplicateReport:
    """Put together the precision of duplicate runs.

    Parameters
    ----------
    material : Material
        The record, as ``gather_record`` returns it.
    first_day, last_day : str, optional
        Such as ``2026-03-31``, both included; none: from the first or to the last dated run of the record.
    product : str, optional
        Only this product or precision class; case ignored.
    operator : str, optional
        Only sets in which this person measured; case ignored.

    Returns
    -------
    DuplicateReport
        Sets whose last result lies in the period.

    Raises
    ------
    PeriodError
        A day is none, the record holds no dated run, or none of that product or operator.
    """
    dated = material.record["measured_at"].dropna()
    if dated.empty:
        raise PeriodError("the record holds no dated run: there is nothing to look at")
    days = [first_day or f"{dated.min():%Y-%m-%d}", last_day or f"{dated.max():%Y-%m-%d}"]
    period = days_of(days[0], days[1], material.laboratory.time_zone)
    return duplicates_between(
        material,
        period,
        product=_known(product, "product or class", _products(material)),
        operator=_known(operator, "operator", material.record["operator"].dropna().astype(str)),
    )


def duplicates_between(material: Material, period: Period, *, product: str = "", operator: str = "") -> DuplicateReport:
    """Put together the precision of duplicate runs of a period; names as the record and lab.toml write them."""
    laboratory, record = material.laboratory, material.record
    began = period.first - pd.Timedelta(days=laboratory.duplicates.intermediate_window_d + 1.0)
    near = record[(record["measured_at"] >= began) & (record["measured_at"] < period.last)]
    results = repeated_results(near, record, laboratory, material.decisions)
    sets = sets_of(results, laboratory)
    sets = sets[period.holds(sets["ended"])]
    if product:
        sets = sets[(sets["product"] == product) | (sets["precision_class"] == product)]
    if operator:
        sets = sets[[operator in names.split(", ") for names in sets["operators"]]]
    results = results[results["set"].isin(sets.index)]
    summaries, levels = summarise_sets(results, sets, laboratory), study_levels(results, sets)
    return DuplicateReport(
        laboratory=laboratory,
        period=period,
        product=product,
        operator=operator,
        sets=sets,
        summaries=summaries,
        levels=levels,
        biased=tuple(biases_of(levels, summaries)),
        beyond=sets_beyond(results, sets),
        sources=material.sources_of(near),
        digest=_digest(material, period, product, operator),
    )


def _products(material: Material) -> list[str]:
    products = material.laboratory.products
    named = [name for one in products for name in (one.name, one.precision_class)]
    return [*filter(None, named), *material.record["product"].dropna().astype(str).unique()]


def _known(asked: str, what: str, names: Iterable[str]) -> str:
    """Return the name as it is written."""
    by_folded = {name.casefold(): name for name in names}
    if not asked.strip():
        return ""
    folded = asked.strip().casefold()
    if folded not in by_folded:
        raise PeriodError(f"the record holds no {what} '{asked}'{nearest(asked.strip(), by_folded.values())}")
    return by_folded[folded]


def _compared(worse: Sequence[DuplicateSummary]) -> str:
    return "worse than its limit: " + "; ".join(f"{one.name}, {one.compared}" for one in worse)


def _apart(beyond: Sequence[SetBeyond]) -> str:
    """Say how far apart the repeats of each sample are."""
    of_sample: dict[str, list[str]] = {}
    for one in beyond:
        of_sample.setdefault(one.sample, []).append(f"{at_celsius(one.quantity, one.temperature_C)} {one.apart}")
    return "beyond their limit: " + "; ".join(f"{sample}: {', '.join(said)}" for sample, said in of_sample.items())


def _named(worse: Sequence[DuplicateSummary]) -> str:
    """Name the precisions that are worse than their limit, and the samples beyond it that are part of them."""
    beyond = (f" (with {', '.join(one.beyond)})" if one.beyond else "" for one in worse)
    return "; ".join(f"{one.name}{samples}" for one, samples in zip(worse, beyond, strict=True))


def _digest(material: Material, period: Period, product: str, operator: str) -> str:
    stated = (period.name, product, operator, material.laboratory.sha256, material.decisions, material.reading.sources)
    ink = hashlib.sha256(repr((stated, material.doubts, material.repeated)).encode())
    return ink.hexdigest()
