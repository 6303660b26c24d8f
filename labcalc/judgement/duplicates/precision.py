"""How well one class of products repeats in one quantity at one temperature, and how that compares with its limit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from labcalc.judgement.duplicates.pairing import CONDITIONS
from labcalc.judgement.duplicates.sets import SHOWN_UNITS, figures_of, limit_function, shown_values, statement_for
from labcalc.judgement.precision import precision_of_class
from labcalc.lab import Laboratory, PrecisionStatement
from labcalc.statistics import (
    DuplicatePrecision,
    OrderEffect,
    RepeatabilityComparison,
    compare_repeatability,
    duplicate_precision,
    holm_adjusted,
    order_effect,
    pooled_precision,
    share_beyond,
)

SIGNIFICANCE = 0.05
"""How often chance alone may find something in all summaries of a report together, [-]."""

FIRST_MINUS_SECOND = "first minus second"

STATEMENT_DEGREES = 30
"""Degrees of freedom that a statement of precision is to rest on (ISO 4259-1 [memory]), [-]."""

_LETTERS = {CONDITIONS[0]: "d", CONDITIONS[1]: "r", CONDITIONS[2]: "R"}


@dataclass(frozen=True)
class DuplicateSummary:
    """The precision of one class, quantity and temperature under one kind of conditions, in the shown unit."""

    condition: str
    """One of ``CONDITIONS``."""
    changed: tuple[str, ...]
    """The factors that an intermediate precision is about."""
    precision_class: str
    quantity: str
    temperature_C: float
    unit: str
    """``%`` (viscosity, by logarithms) or ``kg/m³``."""
    precision: DuplicatePrecision
    """From every set, those beyond the limit included."""
    contrast: str
    """What the order effect compares, ``FIRST_MINUS_SECOND`` or two instruments; empty where nothing is compared."""
    order: OrderEffect | None
    statement: PrecisionStatement | None
    why_not: str
    """Why there is no limit."""
    limit_in_force: float
    """d, r or R at these levels; NaN where none is stated."""
    comparison: RepeatabilityComparison | None
    beyond: tuple[str, ...]
    """Samples beyond the limit."""
    without_beyond: DuplicatePrecision | None
    """What would be found without them; None where none is beyond, or none would be left."""
    order_p: float = math.nan
    """p-value of the order effect, [-], adjusted for all summaries of the report."""
    worse_p: float = math.nan
    """p-value of a scatter larger than the limit allows, [-], likewise."""

    @property
    def name(self) -> str:
        """Class, quantity and temperature, as a person writes them."""
        return f"{self.precision_class}, {self.quantity} at {self.temperature_C:g} °C"

    @property
    def letter(self) -> str:
        """d, r or R: which limit holds."""
        return _LETTERS[self.condition]

    @property
    def is_about_the_mean(self) -> bool:
        """First and second differ on the whole: the scatter is that of the differences about their mean."""
        return self.precision.order is not None and self.precision.order.significant

    @property
    def expected_beyond(self) -> float:
        """How many sets the scatter of those within the limit makes likely beyond it, [-]; NaN without a limit."""
        usual = self.without_beyond or self.precision
        return self.precision.number * float(share_beyond(usual.deviation, self.limit_in_force))

    @property
    def verdict(self) -> str:
        """How the scatter compares with its limit, in a few words; intermediate precision has only to be within R."""
        if self.comparison is None:
            return "no limit"
        if self.condition == CONDITIONS[2]:
            return "beyond R" if self.comparison.verdict.startswith("worse") else "within R"
        own = self.statement is not None and self.statement.mark == "laboratory"
        return self.comparison.verdict.replace("published", "stated" if own else "published")

    @property
    def is_worse(self) -> bool:
        """The scatter is larger than its limit allows; chance alone does that in at most one report of twenty."""
        return self.worse_p < SIGNIFICANCE

    @property
    def is_biased(self) -> bool:
        """What is compared differs on the whole; chance alone does that in at most one report of twenty."""
        return self.order_p < SIGNIFICANCE

    @property
    def is_enough_for_a_statement(self) -> bool:
        """There are as many degrees of freedom as a statement of precision is to rest on."""
        return self.precision.degrees_of_freedom >= STATEMENT_DEGREES

    @property
    def compared(self) -> str:
        """What was found beside its limit, as short as can be."""
        found = f"2.77 s {figures_of(self.precision.limit)} {self.unit} against {self.letter}"
        beyond = f" with {', '.join(self.beyond)}" if self.beyond else ""
        without = "" if self.without_beyond is None else f", {figures_of(self.without_beyond.limit)} without"
        return f"{found} {figures_of(self.limit_in_force)}{beyond}{without}"

    @property
    def sentence(self) -> str:
        """The verdict in words, with its numbers."""
        low, high = self.precision.limit_interval
        found = f"2.77 s = {figures_of(self.precision.limit)} {self.unit} ({figures_of(low)} to {figures_of(high)})"
        if self.is_about_the_mean and self.order is not None:
            found += f" about a difference of {figures_of(self.order.mean, signed=True)} {self.unit}"
        if self.comparison is None:
            new = f"a new pair may lie {figures_of(self.precision.limit_for_a_new_pair)} {self.unit} apart"
            return f"{found}; {self.why_not}: by these alone {new}"
        said = f"{found} against {self.letter} = {figures_of(self.limit_in_force)} {self.unit}: {self.verdict}"
        if self.without_beyond is None:
            return said
        return (
            f"{said}; without {', '.join(self.beyond)} it would be {figures_of(self.without_beyond.limit)} {self.unit}"
        )


def summarise_sets(results: pd.DataFrame, sets: pd.DataFrame, laboratory: Laboratory) -> tuple[DuplicateSummary, ...]:
    """Summarise sets of repeats by conditions, class, quantity and temperature.

    Parameters
    ----------
    results, sets : pandas.DataFrame
        ``RESULT_COLUMNS`` and ``SET_COLUMNS`` of the same sets.
    laboratory : Laboratory
        Its precision statements.

    Returns
    -------
    tuple of DuplicateSummary
        Repeatability first, viscosity before density.
    """
    results = results.assign(shown=shown_values(results))
    keys = ["condition", "changed", "quantity", "precision_class", "temperature_C"]
    groups = list(sets.groupby(keys, sort=False))
    of_set = dict(results.groupby("set", sort=False).indices.items())
    found = [
        _summary(group, results.iloc[np.concatenate([of_set[one] for one in group.index])], laboratory)
        for _, group in groups
    ]
    ranked = sorted(found, key=_place)
    return _adjusted(ranked)


def _place(one: DuplicateSummary) -> tuple[object, ...]:
    rank = CONDITIONS.index(one.condition)
    return rank, one.changed, one.quantity == "density", one.precision_class, one.temperature_C


def _summary(sets: pd.DataFrame, results: pd.DataFrame, laboratory: Laboratory) -> DuplicateSummary:
    first = sets.iloc[0]
    name, quantity, temperature = str(first["precision_class"]), str(first["quantity"]), float(first["temperature_C"])
    condition, changed = str(first["condition"]), tuple(filter(None, str(first["changed"]).split(", ")))
    statement = statement_for(laboratory, name, quantity, temperature, condition)
    limit = float(np.sqrt(np.nanmean(sets["pair_limit"] ** 2))) if sets["pair_limit"].notna().any() else math.nan
    precision, contrast, order = _precision(sets, results, condition)
    kept = sets[~sets["beyond"]]
    without = (
        _precision(kept, results[results["set"].isin(kept.index)], condition)[0] if 0 < len(kept) < len(sets) else None
    )
    return DuplicateSummary(
        condition=condition,
        changed=changed,
        precision_class=name,
        quantity=quantity,
        temperature_C=temperature,
        unit=SHOWN_UNITS[quantity],
        precision=precision,
        contrast=contrast,
        order=order,
        statement=statement,
        why_not="" if limit > 0.0 else _why_not(laboratory, statement, sets),
        limit_in_force=limit,
        comparison=_comparison(precision, limit, statement),
        beyond=tuple(dict.fromkeys(sets.loc[sets["beyond"], "sample"].astype(str))),
        without_beyond=without,
    )


def _precision(
    sets: pd.DataFrame, results: pd.DataFrame, condition: str
) -> tuple[DuplicatePrecision, str, OrderEffect | None]:
    """Return the precision, and what is compared in pairs: the order, or the two instruments.

    Where conditions change the difference between them is part of the scatter and is never taken out.
    """
    pairs = results.sort_values("set", kind="stable") if (sets["number"] == 2).all() else results.iloc[:0]
    first, second = pairs.iloc[0::2], pairs.iloc[1::2]
    if condition != CONDITIONS[2] and len(pairs):
        found = duplicate_precision(first["shown"], second["shown"])
        return found, FIRST_MINUS_SECOND if found.order else "", found.order
    pooled = pooled_precision(results["shown"], results["set"])
    names = sorted(set(pairs["instrument"]))
    if len(names) != 2 or len(first) < 2 or not sets["changed"].str.contains("equipment").all():
        return pooled, "", None
    turned = np.where(first["instrument"].to_numpy() == names[0], 1.0, -1.0)
    difference = turned * (first["shown"].to_numpy() - second["shown"].to_numpy())
    return pooled, f"{names[0]} minus {names[1]}", order_effect(difference, np.zeros(difference.size))


def _comparison(
    precision: DuplicatePrecision, limit: float, statement: PrecisionStatement | None
) -> RepeatabilityComparison | None:
    if statement is None or not limit > 0.0:
        return None
    # a published limit is what is to be met; a laboratory's own is an estimate as this one is
    known = statement.degrees_of_freedom if statement.mark == "laboratory" else math.inf
    return compare_repeatability(
        precision.deviation, precision.degrees_of_freedom, limit, published_degrees_of_freedom=known
    )


def _why_not(laboratory: Laboratory, statement: PrecisionStatement | None, sets: pd.DataFrame) -> str:
    first = sets.iloc[0]
    name, condition = str(first["precision_class"]), str(first["condition"])
    if statement is not None and math.isnan(limit_function(statement, condition, laboratory).factor):
        return f"{statement.method} states no {_LETTERS[condition]}"
    level = float(sets["mean"].median())
    asked = precision_of_class(laboratory, name, str(first["quantity"]), float(first["temperature_C"]), level)
    return asked.why_not or "no limit at these levels"


def _adjusted(summaries: Sequence[DuplicateSummary]) -> tuple[DuplicateSummary, ...]:
    """Give each summary its p-values adjusted for being one of several that are read together."""
    orders = [math.nan if one.order is None else one.order.p_value for one in summaries]
    worse = [math.nan if one.comparison is None else one.comparison.p_worse for one in summaries]
    return tuple(
        replace(one, order_p=order, worse_p=p)
        for one, order, p in zip(summaries, _holm(orders), _holm(worse), strict=True)
    )


def _holm(p_values: Sequence[float]) -> list[float]:
    p = np.array(p_values, dtype=float)
    known = np.isfinite(p)
    p[known] = holm_adjusted(p[known])
    return [float(one) for one in p]
