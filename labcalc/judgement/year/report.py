"""The quality of a year: taken as one long month, with its months beside each other."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from labcalc.judgement.checks import Action
from labcalc.judgement.control.panels import Panel, panels_of
from labcalc.judgement.month.oils import OilSummary, summarise_oils
from labcalc.judgement.month.report import MonthReport, report_period
from labcalc.judgement.month.whose_fault import moved
from labcalc.judgement.period import Month, month_of
from labcalc.judgement.record.measurements import Material
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


@dataclass(frozen=True, eq=False, repr=False)
class YearReport(MonthReport):
    """Everything that a yearly quality report says."""

    trends: tuple[OilTrend, ...]
    ended: tuple[Action, ...]  # what moved in it and was back before its end


def report_year(material: Material, year: str) -> YearReport:
    """Put together the quality of a year, such as ``2026``: what a month's report says, trends by month.

    Raises MonthError : The year is none.
    """
    laboratory = material.laboratory
    period = month_of(year, laboratory.time_zone, 12)
    of_year = report_period(material, period)
    panels = panels_of(material.charts, period)
    charts = tuple(chart for panel in panels for chart in panel.charts)
    by_month = [(month, summarise_oils(charts, month, laboratory)) for month in period.parts]
    trends = _told([_trend(panel, [one for _, some in by_month for one in some], period) for panel in panels])
    drifting = [
        f"{of.instrument}, {one.panel.name} drifts by {one.words.rstrip(' *')} {of.unit} a year."
        for one in trends
        for of in (one.panel.first,)
        if one.drifts
    ]
    facts = vars(of_year) | {"notices": (*drifting, *of_year.notices)}
    return YearReport(**facts, trends=trends, ended=tuple(moved(of_year.checks, ended=True)))


def _trend(panel: Panel, oils: Sequence[OilSummary], year: Month) -> OilTrend:
    mine = set(map(id, panel.charts))
    times, results, months, lots = [], [], [], []
    names = [chart.lot for chart in panel.charts]  # other limits of a lot are no other level
    for lot, chart in zip(map(names.index, names), panel.charts, strict=True):
        which = chart.between(year.first, year.last) & chart.used
        days = (chart.measured_at[which] - year.first) / np.timedelta64(1, "D")
        times.append(np.asarray(days, float) / _DAYS_A_YEAR)
        results.append(chart.plotted[which])
        months.append(chart.measured_at[which].month)
        lots.append(np.full(int(which.sum()), lot))
    drift = drift_of(*(np.concatenate(some) for some in (times, results, months, lots)))
    return OilTrend(panel, tuple(one for one in oils if id(one.chart) in mine), drift)


def _told(trends: Sequence[OilTrend]) -> tuple[OilTrend, ...]:
    known = [one.drift.p_value for one in trends if one.drift is not None]
    adjusted = iter(holm_adjusted(known))
    return tuple(replace(one, drifts=one.drift is not None and bool(next(adjusted) < _FAMILY)) for one in trends)
