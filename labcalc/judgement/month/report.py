"""The quality of a month: reference oils, second fills, carry-over, refusals, workload, and what is to be done."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from labcalc.errors import ExportError, MonthError
from labcalc.exports import Refusal, SourceFile
from labcalc.judgement.control.detection import Sight, sight_of, sights_of
from labcalc.judgement.duplicates.report import DuplicateReport, duplicates_between
from labcalc.judgement.month.actions import ranked_actions
from labcalc.judgement.month.carry_over import CarryOver, month_carry_overs
from labcalc.judgement.month.checks import Checks, checks_of
from labcalc.judgement.month.follow_up import Action, followed
from labcalc.judgement.month.notices import notices_of
from labcalc.judgement.month.oils import OilSummary
from labcalc.judgement.month.spread import month_spreads
from labcalc.judgement.month.workload import workload_of
from labcalc.judgement.period import Month, month_of
from labcalc.judgement.record.admission import Doubt
from labcalc.judgement.record.measurements import Material
from labcalc.judgement.variance.components import ComponentsOfVariance
from labcalc.lab import Decision, Laboratory, certificates
from labcalc.showing import Shown

MONTH_VERDICTS = ("nothing to do", "to be watched", "needs action")  # from best to worst


@dataclass(frozen=True, eq=False, repr=False)
class MonthReport(Shown):
    """Everything that a monthly quality report says."""

    month: Month
    laboratory: Laboratory
    runs: int  # runs of samples
    reference_runs: int
    oils: tuple[OilSummary, ...]
    checks: Checks  # what moved, gaps between good checks, corrective actions
    sights: tuple[Sight, ...]  # what the charts give and see, by the size of their baselines
    spreads: tuple[ComponentsOfVariance, ...]
    """What the results of the month's reference oils spread by, with those of the same lots before."""
    duplicates: DuplicateReport  # of repeats whose last result lies in the month
    carry_overs: tuple[CarryOver, ...]
    certificates: tuple[dict[str, Any], ...]
    """Of the lots that were measured in the month, as ``labcalc.lab.certificates`` says them."""
    workload: pd.DataFrame
    decisions: tuple[Decision, ...]  # those about runs of the month, and those written in it
    notices: tuple[str, ...]
    """What has to be known beside the numbers: an empty month, a change of lot, a certificate that runs out."""
    refusals: tuple[Refusal, ...]  # rows that were refused in the exports that hold rows of the month
    failures: tuple[ExportError, ...]  # exports of the record that could not be read
    sources: tuple[SourceFile, ...]  # the exports that hold rows of the month
    limit_sources: tuple[SourceFile, ...]  # those that hold the baselines of its charts
    actions: tuple[Action, ...]
    digest: str  # SHA-256 over everything that the report depends on, beside the version of labcalc

    @property
    def rank(self) -> int:
        """0 nothing to do, 1 to be watched, 2 needs action."""
        return max((2 if one.urgent else 1 for one in self.actions), default=0)

    @property
    def verdict(self) -> str:
        """One of ``MONTH_VERDICTS``."""
        return MONTH_VERDICTS[self.rank]

    @property
    def reason(self) -> str:
        """The first sentence of the first action, and how many more actions there are."""
        if not self.actions:
            return f"{self.reference_runs} reference-oil runs and {self.runs} sample runs: nothing stands out"
        more = f" (and {len(self.actions) - 1} more)" if len(self.actions) > 1 else ""
        return f"{self.actions[0].about}: {re.split('[.;] ', self.actions[0].finding)[0]}{more}"

    def facts(self) -> Iterator[tuple[str, str]]:
        """Return what is shown of it, each fact with its name."""
        yield self.month.name, f"{self.verdict}. {self.reason}"
        yield "runs", f"{self.runs} of samples, {self.reference_runs} of reference oils"
        yield from ((one.about, one.finding) for one in self.actions)

    @property
    def for_programs(self) -> dict[str, Any]:
        """The action list for other programs: only what JSON can carry."""
        actions = [one.for_programs for one in self.actions]
        return {"month": self.month.name, "verdict": self.verdict, "actions": actions}

    @property
    def expected_false_alarms(self) -> float:
        """Alarms that chance alone begins, as is to be expected of the month's results, [-]."""
        choices, oils = self.laboratory.control, [one for one in self.oils if one.chart.limits is not None]
        return sum(one.number * sight_of(choices, one.chart.limits).begun for one in oils if one.chart.limits)


def report_month(material: Material, month: str = "") -> MonthReport:
    """Put together the quality of a month.

    material : Material The record, as ``gather_record`` returns it.
    month : str, optional Such as ``2026-03``; none: the last month with a run.
    Returns : With a ranked list of what is to be done.
    Raises MonthError The month is none, or the record holds no dated run.
    """
    name = month or _last_month(material.record)
    return report_period(material, month_of(name, material.laboratory.time_zone))


def report_period(material: Material, period: Month) -> MonthReport:
    """Put together the quality of a month, or of a year as one long month."""
    laboratory, record = material.laboratory, material.record
    rows = record[period.holds(record["measured_at"])]
    names = set(rows["source_file"])
    checks = checks_of(material, period)
    duplicates = duplicates_between(material, period)
    carry_overs = month_carry_overs(material, rows, period)
    refusals = tuple(one for one in material.reading.refusals if one.file in names)
    failures = (*material.reading.failures, *material.record_failures)
    found = ranked_actions(
        *(rows, checks, duplicates, carry_overs, refusals, failures, period),
        *(_doubts(material, names), material.unusable, material.waiting),
    )
    actions = followed(found, material.assignments, period)
    measured = {(one.chart.oil, one.chart.lot) for one in checks.oils}
    held = tuple(one for one in certificates(laboratory) if (one["oil"], one["lot"]) in measured)
    return MonthReport(
        month=period,
        laboratory=laboratory,
        runs=int(rows.loc[rows["role"] != "reference", "run"].nunique()),
        reference_runs=int(rows.loc[rows["role"] == "reference", "run"].nunique()),
        oils=checks.oils,
        checks=checks,
        sights=sights_of(laboratory.control, [one.chart.limits for one in checks.oils if one.chart.limits]),
        spreads=month_spreads(material, rows, period),
        duplicates=duplicates,
        carry_overs=carry_overs,
        certificates=held,
        workload=workload_of(rows),
        decisions=_decisions(material, rows, period),
        notices=notices_of(rows, record, checks.oils, material, period),
        refusals=refusals,
        failures=failures,
        sources=material.sources_of(rows),
        limit_sources=material.sources_of(record[record["run"].isin(_baseline_runs(checks.oils))]),
        actions=actions,
        digest=_digest(material, period, (actions, held)),
    )


def _last_month(record: pd.DataFrame) -> str:
    last = record["measured_at"].max()
    if pd.isna(last):
        raise MonthError("the record holds no dated run: there is no month to report on")
    return f"{last:%Y-%m}"


def _baseline_runs(oils: Sequence[OilSummary]) -> set[str]:
    return {run for one in oils for run, held in zip(one.chart.runs, one.chart.in_baseline, strict=True) if held}


def _doubts(material: Material, names: set[str]) -> tuple[Doubt, ...]:
    """Return the doubts about files that hold rows of the month, and about those that may, as none of theirs counts."""
    others = (set(material.record["source_file"]) if material.doubts else set()) - names
    return tuple(one for one in material.doubts if one.file not in others)


def _decisions(material: Material, rows: pd.DataFrame, month: Month) -> tuple[Decision, ...]:
    runs = set(rows["run"])
    return tuple(one for one in material.decisions if one.run in runs or month.first <= one.when < month.last)


def _digest(material: Material, month: Month, beside: object) -> str:
    stated = (month.name, material.laboratory.sha256, material.decisions, material.reading.sources)
    ink = hashlib.sha256(repr(stated).encode())
    unread = [str(one) for one in (*material.reading.failures, *material.unusable)]
    ink.update(repr((material.reading.refusals, unread, material.doubts, material.repeated, beside)).encode())
    return ink.hexdigest()
