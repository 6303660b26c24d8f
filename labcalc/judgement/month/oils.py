"""The reference oils of a month: a line for each chart, with bias and site precision."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.judgement.control.charts import Chart
from labcalc.judgement.control.status import ChartStatus, chart_status
from labcalc.judgement.duplicates.pairing import CONDITIONS
from labcalc.judgement.duplicates.sets import REFERENCE_CLASS, statement_for
from labcalc.judgement.period import Month
from labcalc.lab import Laboratory, PrecisionStatement
from labcalc.statistics import BiasTest, PerformanceIndex, SitePrecision, bias_test, performance_index, site_precision


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
        return self.mean - self.chart.limits.centre if self.chart.limits else float("nan")

    @property
    def published_over_site(self) -> float:
        """Performance index, [-]; NaN where there is none."""
        return float("nan") if self.index is None else self.index.index

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
    site = site_precision(results) if results.size > 1 else None
    certified = not np.isnan(chart.certified) and not np.isnan(chart.certified_uncertainty)
    index, statement = _index(chart, site, laboratory)
    return OilSummary(
        chart=chart,
        since=month.first,
        until=month.last,
        number=int(results.size),
        excluded=int((inside & ~chart.used).sum()),
        mean=float(np.mean(results)) if results.size else float("nan"),
        deviation=site.sigma if site else float("nan"),
        bias=bias_test(results, 0.0, chart.certified_uncertainty / 2.0) if certified and site else None,
        site=site,
        index=index,
        precision=statement,
        status=chart_status(chart, month.first, month.last),
    )


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
    return performance_index(large, small, site, laboratory.control.performance), statement
