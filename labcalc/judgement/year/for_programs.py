"""A month, a year or duplicates as other programs read them: a document by ``data/quality.schema.json``, a table."""

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

import pandas as pd

from labcalc.judgement.checks import IMPORTANT, SEVERITIES, URGENT, Action
from labcalc.judgement.duplicates.precision import DuplicateSummary
from labcalc.judgement.duplicates.report import REVIEW, DuplicateReport
from labcalc.judgement.duplicates.sets import SetBeyond
from labcalc.judgement.month.report import MonthReport
from labcalc.judgement.run.reported import made_by, number

FORMAT = "labcalc quality 1"

_TEXTS = ("instrument", "operator", "oil", "quantity", "cause", "unit", "since", "earliest", "latest")
_NUMBERS = ("temperature_C", "limit", "shift")
"""What is known of an action beside its sentences; what isn't is null."""


def quality_for_programs(report: MonthReport | DuplicateReport) -> dict[str, Any]:
    """Return what a quality report asks for as JSON can carry it: what is unknown is null, no number is rounded.

    report : Of a month, of a year, or of duplicates.
    """
    duplicates = report.duplicates if isinstance(report, MonthReport) else report
    found = report.actions if isinstance(report, MonthReport) else _of_repeats(report)
    return {
        "format": FORMAT,
        **made_by(report.laboratory),
        "period": duplicates.period.name,
        "only": {name: value for name, value in duplicates.only.items() if value},
        "verdict": report.verdict,
        "reason": report.reason,
        "notices": list(report.notices) if isinstance(report, MonthReport) else [],
        "actions": [_action(one) for one in found],
        "precision": [*_precision(duplicates)],
    }


def quality_table(document: Mapping[str, Any]) -> pd.DataFrame:
    """Return what ``quality_for_programs`` returned as a table: a row an action."""
    listed = [{**one, **{name: "; ".join(one[name]) for name in ("runs", "details")}} for one in document["actions"]]
    return pd.DataFrame(listed, columns=[*_action(Action("", "", ""))])


def _action(one: Action) -> dict[str, Any]:
    facts = one.facts
    return {
        "rank": one.rank,
        "severity": SEVERITIES[one.severity],
        **{name: getattr(one, name) for name in ("about", "finding", "what_to_do")},
        **{name: str(facts[name]) if facts.get(name) else None for name in _TEXTS},
        **{name: number(facts.get(name, math.nan)) for name in _NUMBERS},
        "size": number(one.size),
        "runs": list(filter(None, str(facts.get("runs", "")).split(", "))),
        "details": list(one.details),
        "followed": one.followed or None,
        "overdue": one.overdue,
        "key": one.key or None,
    }


def _of_repeats(report: DuplicateReport) -> list[Action]:
    """Return what repeats ask for: precision worse than its limit, who stands out, repeats beyond, what differs."""
    worse = [
        Action(one.name, one.compared, REVIEW, URGENT, one.precision.limit, facts=_where(one, one.limit_in_force))
        for one in report.summaries
        if one.is_worse
    ]
    outstanding = [
        Action(
            *(one.title, one.finding, one.what_to_do, URGENT, one.deviation),
            facts={"quantity": one.quantity, "unit": one.unit, one.factor: one.name},
        )
        for one in report.spreads
        if one.stands_out
    ]
    beyond = [
        Action(
            *(one.name, one.apart, one.what_to_do, URGENT if one.is_gross else IMPORTANT, one.spread),
            facts={"runs": one.runs, "instrument": one.instruments, "since": f"{one.measured_at:%Y-%m-%d}"}
            | _where(one, one.limit),
        )
        for one in report.beyond
    ]
    found = (*worse, *outstanding, *beyond, *report.carried_over, *report.biased)
    return [replace(one, rank=rank) for rank, one in enumerate(sorted(found, key=lambda one: one.severity), 1)]


def _where(one: DuplicateSummary | SetBeyond, limit: float) -> dict[str, str | float]:
    return {"quantity": one.quantity, "temperature_C": one.temperature_C, "unit": one.unit, "limit": limit}


def _precision(report: DuplicateReport) -> Iterator[dict[str, Any]]:
    """Yield how well results repeat, each class, quantity and temperature beside its limit."""
    for one in report.summaries:
        low, high = one.precision.limit_interval
        yield {
            "condition": one.condition,
            "changed": list(one.changed),
            **{name: getattr(one, name) for name in ("precision_class", "quantity", "temperature_C", "unit")},
            "instruments": one.instruments or None,
            "sets": one.precision.number,
            "limit_found": number(one.precision.limit),
            "interval": [number(low), number(high)],
            "limit_in_force": number(one.limit_in_force),
            "beyond": list(one.beyond),
            "verdict": one.verdict,
        }
