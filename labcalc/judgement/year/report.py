"""The quality of a year, as one long month and its months beside each other; quality as other programs read it."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from labcalc.judgement.checks import HOW_SOON, IMPORTANT, URGENT, Action
from labcalc.judgement.control.panels import Panel, panels_of
from labcalc.judgement.control.status import sight_of
from labcalc.judgement.duplicates.precision import DuplicateSummary
from labcalc.judgement.duplicates.report import REVIEW, DuplicateReport
from labcalc.judgement.duplicates.sets import SetBeyond
from labcalc.judgement.month.actions import ranked
from labcalc.judgement.month.oils import OilSummary, summarise_oils
from labcalc.judgement.month.report import MonthReport, report_period
from labcalc.judgement.month.whose_fault import moved
from labcalc.judgement.period import Month, month_of
from labcalc.judgement.record.measurements import Material, last_kept
from labcalc.judgement.run.reported import made_by, number
from labcalc.lab import ControlChoices
from labcalc.statistics import Drift, drift_of, holm_adjusted
from labcalc.wording import signed

_FAMILY = 0.05  # chance that any drift is named where none drifts, [-] (Holm)
_DAYS_A_YEAR = 365.25


@dataclass(frozen=True, eq=False)
class OilTrend:
    """An oil on an instrument over a year, for one quantity and temperature."""

    panel: Panel
    months: tuple[OilSummary, ...]  # its months in order, each of its lots
    drift: Drift | None  # a year, each lot with its own level, [unit of its charts]; None of too few months
    drifts: bool = False  # more than chance explains among all trends of the year

    @property
    def words(self) -> str:
        """Slope and interval, [unit of the charts a year]."""
        if self.drift is None:
            return "too few months"
        low, high = self.drift.interval
        return f"{signed(self.drift.slope)} ({signed(low)} to {signed(high)}){' *' * self.drifts}"


class Alarms(NamedTuple):
    """Alarms of an instrument in a month."""

    month: str  # as ``2026-03``
    instrument: str
    begun: int
    expected: float  # by chance alone, [-]


@dataclass(frozen=True, eq=False, repr=False)
class YearReport(MonthReport):
    """Everything that a yearly quality report says."""

    trends: tuple[OilTrend, ...]
    alarms: tuple[Alarms, ...]
    ended: tuple[Action, ...]  # what moved in it and was back before its end


@last_kept
def report_year(material: Material, year: str) -> YearReport:
    """Put together the quality of a year, such as ``2026``: what a month's report says, trends and alarms by month.

    Raises MonthError : The year is none.
    """
    laboratory = material.laboratory
    period = month_of(year, laboratory.time_zone, 12)
    of_year = report_period(material, period)
    panels = panels_of(material.charts, period)
    charts = tuple(chart for panel in panels for chart in panel.charts)
    months = [one for month in period.parts for one in summarise_oils(charts, month, laboratory)]
    trends = [_trend(panel, months, period) for panel in panels]
    adjusted = iter(holm_adjusted([one.drift.p_value for one in trends if one.drift is not None]))
    told = tuple(replace(one, drifts=one.drift is not None and bool(next(adjusted) < _FAMILY)) for one in trends)
    drifting = [
        f"{of.instrument}, {one.panel.name} drifts by {one.words.rstrip(' *')} {of.unit} a year."
        for one, of in ((one, one.panel.first) for one in told if one.drifts)
    ]
    facts = vars(of_year) | {"notices": (*drifting, *of_year.notices)}
    alarms, ended = _alarms(months, laboratory.control), tuple(moved(of_year.checks, ended=True))
    return YearReport(**facts, trends=told, alarms=alarms, ended=ended)


def _trend(panel: Panel, oils: Sequence[OilSummary], year: Month) -> OilTrend:
    mine, lots = set(map(id, panel.charts)), [one.lot for one in panel.charts]  # other limits of a lot: the same level
    inside = [(one, one.between(year.first, year.last) & one.used) for one in panel.charts]
    days = ((one.measured_at[which] - year.first) / np.timedelta64(1, "D") for one, which in inside)
    drift = drift_of(
        np.concatenate([np.asarray(some, float) / _DAYS_A_YEAR for some in days]),
        np.concatenate([one.plotted[which] for one, which in inside]),
        np.concatenate([one.measured_at[which].month for one, which in inside]),
        np.concatenate([np.full(int(which.sum()), lots.index(one.lot)) for one, which in inside]),
    )
    return OilTrend(panel, tuple(one for one in oils if id(one.chart) in mine), drift)


def _alarms(oils: Sequence[OilSummary], control: ControlChoices) -> tuple[Alarms, ...]:
    """Add up the alarms of all charts with limits, a month and an instrument."""
    counts = [
        (f"{one.since:%Y-%m}", one.chart.instrument, one.alarms, one.judged * sight_of(control, limits).begun)
        for one in oils
        if (limits := one.chart.limits) is not None
    ]
    table = pd.DataFrame(counts, columns=[*Alarms._fields]).groupby(["month", "instrument"], as_index=False).sum()
    return tuple(map(Alarms._make, table.itertuples(index=False, name=None)))


FORMAT = "labcalc quality 1"
_TEXTS = ("instrument", "operator", "oil", "quantity", "cause", "unit", "since", "earliest", "latest")
_NUMBERS = ("temperature_C", "limit", "shift")  # what is known of an action beside its sentences; what isn't is null


def quality_for_programs(report: MonthReport | DuplicateReport) -> dict[str, Any]:
    """Return what a report asks for (of a month, a year, duplicates) as JSON has it: unknown is null, none rounded."""
    duplicates = report.duplicates if isinstance(report, MonthReport) else report
    found = report.actions if isinstance(report, MonthReport) else ranked(_repeats(report), lambda one: (one.severity,))
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
        "severity": HOW_SOON[one.severity],
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


def _repeats(report: DuplicateReport) -> Iterator[Action]:
    """Yield what repeats ask for: precision worse than its limit, who stands out, repeats beyond, what differs."""
    for worse in (one for one in report.summaries if one.is_worse):
        facts = _where(worse, worse.limit_in_force)
        yield Action(worse.name, worse.compared, REVIEW, URGENT, worse.precision.limit, facts=facts)
    for out in (one for one in report.spreads if one.stands_out):
        facts = {"quantity": out.quantity, "unit": out.unit, out.factor: out.name}
        yield Action(out.title, out.finding, out.what_to_do, URGENT, out.deviation, facts=facts)
    for one in report.beyond:
        facts = {"runs": one.runs, "instrument": one.instruments, "since": f"{one.measured_at:%Y-%m-%d}"}
        severity, facts = URGENT if one.is_gross else IMPORTANT, facts | _where(one, one.limit)
        yield Action(one.name, one.apart, one.what_to_do, severity, one.spread, facts=facts)
    yield from (*report.carried_over, *report.biased)


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
