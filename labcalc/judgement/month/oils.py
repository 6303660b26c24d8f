"""Lines of a month's tables: each chart's bias and site precision, and what stays in each instrument's cell."""

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc import statistics
from labcalc.judgement.carry_over import effect
from labcalc.judgement.control.charts import Chart
from labcalc.judgement.control.status import ChartStatus, chart_status
from labcalc.judgement.duplicates.pairing import CONDITIONS
from labcalc.judgement.duplicates.sets import REFERENCE_CLASS, statement_for
from labcalc.judgement.period import Month
from labcalc.judgement.record.measurements import Material
from labcalc.lab import Laboratory, PrecisionStatement
from labcalc.statistics import BiasTest, CarriedShare, PerformanceIndex, SitePrecision


@dataclass(frozen=True, eq=False)
class OilSummary:
    """A chart over a month, in the unit of the chart; what can't be said is None."""

    chart: Chart
    since: pd.Timestamp
    until: pd.Timestamp  # the month's start and its end
    number: int  # results of the month that were used
    excluded: int  # results of the month that a decision left out
    mean: float
    deviation: float  # standard deviation; NaN of fewer than two results
    bias: BiasTest | None
    site: SitePrecision | None
    index: PerformanceIndex | None
    precision: PrecisionStatement | None  # the published statement that the index compares with
    status: ChartStatus

    @property
    def offset(self) -> float:
        """Mean less the certified value, without one less the chart's centre, [unit of the chart]; NaN without both."""
        if self.chart.certified == self.chart.certified:
            return self.mean
        return self.mean - self.chart.limits.centre if self.chart.limits else math.nan

    @property
    def published_over_site(self) -> float:
        """Performance index, [-]; NaN where there is none."""
        return math.nan if self.index is None else self.index.index

    @cached_property
    def inside(self) -> NDArray[np.bool_]:
        """Tell which results of the chart are of the month and used."""
        return self.chart.between(self.since, self.until) & self.chart.used

    @property
    def judged(self) -> int:
        """Results that the chart's limits judge: those of a baseline set them."""
        return int((self.inside & ~self.chart.in_baseline).sum())

    @property
    def alarms(self) -> int:
        """Alarms begun among them: results that signal after one that doesn't."""
        chart, places = self.chart, np.flatnonzero(self.chart.used)
        signals = np.isin(places, [one.position for one in chart.signals])
        begins = places[signals & ~np.concatenate([[False], signals[:-1]])]
        return int((self.inside & ~chart.in_baseline)[begins].sum())

    @property
    def last_signals(self) -> bool:
        """The last result used of the month signals, and nobody accepted it."""
        inside = np.flatnonzero(self.inside)
        signals = {signal.position for signal in self.status.signals if signal.is_open}
        return bool(inside.size) and int(inside[-1]) in signals


def summarise_oils(charts: tuple[Chart, ...], month: Month, laboratory: Laboratory) -> tuple[OilSummary, ...]:
    """Return a line for each chart that has a result in the month."""
    return tuple(_summary(chart, month, laboratory) for chart in charts if chart.between(month.first, month.last).any())


def _summary(chart: Chart, month: Month, laboratory: Laboratory) -> OilSummary:
    inside = chart.between(month.first, month.last)
    results = chart.plotted[inside & chart.used]
    site = statistics.site_precision(results) if results.size > 1 else None
    certified = not np.isnan(chart.certified) and not np.isnan(chart.certified_uncertainty)
    bias = statistics.bias_test(results, 0.0, chart.certified_uncertainty / 2.0) if certified and site else None
    number, excluded = int(results.size), int((inside & ~chart.used).sum())
    mean, deviation = float(np.mean(results)) if number else math.nan, site.sigma if site else math.nan
    precise, status = _index(chart, site, laboratory), chart_status(chart, month.first, month.last)
    return OilSummary(chart, month.first, month.last, number, excluded, mean, deviation, bias, site, *precise, status)


def _index(
    chart: Chart, site: SitePrecision | None, laboratory: Laboratory
) -> tuple[PerformanceIndex | None, PrecisionStatement | None]:
    """Compare with the published reproducibility; a laboratory's own statement that gives none is passed over."""
    level = chart.certified if not np.isnan(chart.certified) else float(np.mean(chart.values))
    asked = laboratory, REFERENCE_CLASS, chart.quantity, chart.temperature_C, CONDITIONS[2]
    statement = statement_for(*asked, chart.instrument)
    if statement is None or np.isnan(statement.reproducibility.factor):
        return None, None
    if site is None:
        return None, statement
    to_chart = 100.0 / level if chart.unit == "%" else 1.0
    large, small = (to_chart * float(one.at(level)) for one in (statement.reproducibility, statement.repeatability))
    return statistics.performance_index(large, small, site, laboratory.control.performance), statement


@dataclass(frozen=True, eq=False)
class CarryOver:
    """What stays in an instrument's cell from the sample before, from half a year up to the end of a month."""

    instrument: str
    shares: tuple[CarriedShare, ...]  # after a thicker and after a thinner sample, from viscosity
    followed: int  # runs of the month that came within hours after another one
    at_risk: tuple[effect.RunAtRisk, ...]  # those that the sample before is expected to have moved beyond the limit
    unsure: int  # those of which it can't be told

    def ratio_at(self, effect_percent: float) -> float:
        """Return from which ratio of viscosities on a thicker sample moves a result by an effect [%]; inf where none
        does."""
        share = self.shares[0]
        return math.exp(min(math.log1p(effect_percent / 100.0) / share.value, 700.0)) if share.shows else math.inf


def month_carry_overs(material: Material, record: pd.DataFrame, month: Month) -> tuple[CarryOver, ...]:
    """Return the carry-over of every instrument that ran in a month.

    month : Shares are those at its end; each run is judged by the share as known when it ran.
    """
    found, laboratory = [], material.laboratory
    for name in sorted(map(str, record.loc[record["measured_at"].notna(), "instrument"].dropna().unique())):
        if (carried := material.carry_over(name)) is not None:
            places = [one for one in carried.runs_between(month.first, month.last) if one.followed]
            known = (effect.expected_effects(one, effect.class_in_force(one, laboratory)) for one in places)
            unsure = sum(worst is None or worst.state == "not checked" for worst in map(effect.worst_effect, known))
            shares, at_risk = carried.shares_at(month.last), effect.runs_at_risk(places, laboratory)
            found.append(CarryOver(name, shares, len(places), at_risk, unsure))
    return tuple(found)


def with_carried(comparisons: pd.DataFrame, material: Material) -> pd.DataFrame:
    """Return comparisons with ``carried`` and ``carried_u``: what the run before is expected to have added to each, by
    the share as known when it ran, and its standard uncertainty, [unit of the quantity]; 0 where no share is certain.
    """
    found = effect.certain_effects(comparisons, material.carry_over)
    to_unit = np.where(comparisons["quantity"] == "density", 1.0, comparisons["value"].to_numpy(float) / 100.0)
    return comparisons.assign(carried=found[:, 0] * to_unit, carried_u=found[:, 1] * to_unit)
