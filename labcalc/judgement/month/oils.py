"""Lines of a month's tables: each chart's bias and precision, limits due to be signed, what stays in each cell."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc import statistics
from labcalc.judgement.carry_over import effect
from labcalc.judgement.certificates import SAME_TEMPERATURE_K
from labcalc.judgement.control.chart_making import baseline_limits
from labcalc.judgement.control.charts import Chart
from labcalc.judgement.control.status import ChartStatus, chart_status
from labcalc.judgement.duplicates.pairing import CONDITIONS
from labcalc.judgement.duplicates.sets import REFERENCE_CLASS, statement_for
from labcalc.judgement.period import Month
from labcalc.judgement.record.measurements import Material
from labcalc.lab import ControlChoices, Laboratory, PrecisionStatement
from labcalc.statistics import BiasTest, CarriedShare, ChartLimits, PerformanceIndex, PeriodComparison, SitePrecision
from labcalc.wording import counted, numeral, signed


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
        """Return the ratio of viscosities from which a thicker sample moves a result by an effect [%]; inf: none."""
        share = self.shares[0]
        return math.exp(min(math.log1p(effect_percent / 100.0) / share.value, 700.0)) if share.shows else math.inf


def month_carry_overs(material: Material, record: pd.DataFrame, month: Month) -> tuple[CarryOver, ...]:
    """Return the carry-over of every instrument at the end of a month; each run is judged by the share as known when it
    ran."""
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
    """Return comparisons with ``carried`` and ``carried_u``: what the run before is expected to have added by the share
    known when it ran, and its standard uncertainty, [unit of the quantity]; 0 where no share is certain."""
    found = effect.certain_effects(comparisons, material.carry_over)
    to_unit = np.where(comparisons["quantity"] == "density", 1.0, comparisons["value"].to_numpy(float) / 100.0)
    return comparisons.assign(carried=found[:, 0] * to_unit, carried_u=found[:, 1] * to_unit)


_FIRST, _THEN = 30, 20  # results when limits are due, then how many more: practice (ASTM D6299 [memory])
_FAMILY = 0.05  # chance that any of the month's charts is said to differ from its limits where none does, [-] (Holm)


@dataclass(frozen=True, eq=False)
class LimitsDue:
    """A chart that holds enough results in control for other limits than those in force."""

    chart: Chart
    number: int  # its results in control up to the end of the month, those that set the limits in force included
    later: int  # those of them that came since
    comparison: PeriodComparison | None  # they against those that set the limits, F and Welch; None without a spread
    differs: bool  # more than chance explains among all charts that are due
    tests: int  # of all charts that are due, among which its own are judged
    proposed: ChartLimits | None  # from all in control, or, where they differ, from those since; None of too few

    @property
    def in_force(self) -> ChartLimits:
        """The limits that hold."""
        assert self.chart.limits is not None
        return self.chart.limits

    @property
    def compared(self) -> str:
        """What the tests say."""
        one = self.comparison
        if one is None:
            return "no spread to compare"
        among = f", as p is judged among {self.tests} tests" * (min(one.f_p_value, one.t_p_value) < _FAMILY)
        return "they differ" if self.differs else f"no difference beyond chance{among}"

    @property
    def change(self) -> str:
        """Centre and limit of an individual result, as they are and as proposed, [unit of the chart]."""
        old, new, unit = self.in_force, self.proposed, self.chart.unit
        if new is None:
            return f"none proposed: {counted(self.later, 'result')} since, {_THEN} are needed where they differ"
        centre = " → ".join(signed(one.centre, 3) for one in (old, new))
        return f"centre {centre} {unit}, limit ±{numeral(old.half_width, 3)} → ±{numeral(new.half_width, 3)} {unit}"

    @property
    def words(self) -> str:
        """All of it in a line."""
        head = f"{self.chart.instrument}, {self.chart.name}"
        number = f"{counted(self.number, 'result')} in control, {self.in_force.number} set the limits"
        return f"{head}: {number}; {self.compared}; {self.change}"

    def is_about(self, instrument: str = "", oil: str = "", quantity: str = "", temperature_C: float = np.nan) -> bool:
        """Tell whether its chart is one of those named; an empty text and NaN, [°C], name all."""
        pairs = ((instrument, self.chart.instrument), (oil, self.chart.oil), (quantity, self.chart.quantity))
        named = all(not asked or asked.casefold() == own.casefold() for asked, own in pairs)
        return named and not abs(self.chart.temperature_C - temperature_C) > SAME_TEMPERATURE_K

    def decided(self) -> dict[str, Any]:
        """Return what a decision says that signs it, beside who, why, month and the day from which it holds."""
        assert self.proposed is not None
        names = ("instrument", "oil", "lot", "quantity", "temperature_C")
        numbers = {name: getattr(self.proposed, name) for name in ("centre", "sigma", "sigma_from")}
        return {name: getattr(self.chart, name) for name in names} | numbers | {"results": self.proposed.number}


def limits_due(charts: Sequence[Chart], month: Month, control: ControlChoices) -> tuple[LimitsDue, ...]:
    """Return the limits due at the end of a month, or a year, of charts that haven't moved: that asks for a repair."""
    end = month.last.tz_convert(None).to_datetime64()
    held = [(one, *_parts(one, end)) for one in charts if one.limits is not None and one.holds_at(month.last)]
    due = [
        (one, old, new)
        for one, old, new in held
        for number in (one.limits.number if one.limits else 0,)
        if old.shape[1] + new.shape[1] >= (_FIRST if number < _FIRST else number + _THEN)
    ]
    tests = [_compared(basis[0], since[0]) for _, basis, since in due]
    p = [value for one in tests if one is not None for value in (one.f_p_value, one.t_p_value)]
    adjusted = iter(statistics.holm_adjusted(p))
    found = []
    for (chart, basis, since), one in zip(due, tests, strict=True):
        differs = one is not None and min(next(adjusted), next(adjusted)) < _FAMILY
        new, both = since if differs else np.concatenate([basis, since], axis=1), basis.shape[1] + since.shape[1]
        enough = not differs or since.shape[1] >= _THEN
        proposed = baseline_limits(new[0], new[1], None, control)[0] if enough else None
        found.append(LimitsDue(chart, both, since.shape[1], one, differs, len(p), proposed))
    return tuple(found)


def _parts(chart: Chart, end: np.datetime64) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the results that set its limits, and those in control since: as plotted, and as measured."""
    basis = [(part, which & (part.moments < end)) for part, which in chart.rests_on]
    last = max((part.moments[which][-1] for part, which in basis if which.any()), default=None)
    sets_them = {id(part): which for part, which in chart.rests_on}
    later = []
    for part in chart.of_lot:
        since = part.in_control & (part.moments < end) & ~sets_them.get(id(part), np.zeros(part.used.size, bool))
        later.append((part, since & (part.moments > last) if chart.signed and last is not None else since))
    found = ([np.array([part.plotted[which], part.values[which]]) for part, which in some] for some in (basis, later))
    before, after = (np.concatenate([np.zeros((2, 0)), *some], axis=1) for some in found)
    return before, after


def _compared(basis: NDArray[np.float64], since: NDArray[np.float64]) -> PeriodComparison | None:
    enough = min(basis.size, since.size) > 1 and np.ptp(basis) > 0.0 < np.ptp(since)
    return statistics.compare_periods(basis, since) if enough else None
