"""The reference oils of a month: what moved, gaps between good checks, corrective actions."""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import pandas as pd
from scipy.special import stdtr

from labcalc.judgement.control.attribution import Attribution, Deviation, attributed, pattern_of
from labcalc.judgement.control.charts import FEWEST_TO_SCREEN, Chart
from labcalc.judgement.control.panels import neighbouring_days, panels_of
from labcalc.judgement.control.watch import Stream, watched
from labcalc.judgement.month.moved import (
    CheckedInstrument,
    Gap,
    Moved,
    Repair,
    checked,
    longest_gaps,
    moved_in,
    repairs_of,
)
from labcalc.judgement.month.oils import LimitsDue, OilSummary, limits_due, summarise_oils, with_carried
from labcalc.judgement.period import Month
from labcalc.judgement.record.measurements import Material
from labcalc.lab import Laboratory
from labcalc.statistics import BiasTest, holm_adjusted, serial_dependence

_FAMILY = 0.05  # chance that any of the month's tests of bias, or of its baselines, finds what isn't there, [-] (Holm)
_SLIP, _QUARTILE, _RANGE = 8.0, 0.6745, 3.472
"""Robust standard deviations beyond which a result is a slip, heavy tails allowed for (our own choice); quartile of a
normal distribution, and the mean range of 15 of its results (d2, memory): rounding can't make that nothing."""
_ALIKE = "neighbours resemble each other"
_OF_CHART, _OF_RESULT = ("instrument", "sample", "quantity", "temperature_C"), ("run", "quantity", "temperature_C")
CARRIED_COLUMNS = ("carried", "carried_u")  # added by the run before, and its standard uncertainty


@dataclass(frozen=True, eq=False)
class Biased:
    """Charts that are biased against their certificates by one cause."""

    oils: tuple[OilSummary, ...]
    attribution: Attribution | None  # none where nothing explains them together

    @property
    def charts_of_paper(self) -> tuple[Chart, ...]:
        """The charts that lie off because their certificate does."""
        whose = self.attribution
        return whose.charts if whose is not None and whose.cause == "certificate" else ()


@dataclass(frozen=True, eq=False)
class Checks:
    """The reference oils of a month."""

    month: Month
    laboratory: Laboratory
    oils: tuple[OilSummary, ...]
    comparisons: pd.DataFrame  # ``COMPARISON_COLUMNS`` and ``CARRIED_COLUMNS``, without what a decision excludes
    moved: tuple[Moved, ...]
    biased: tuple[Biased, ...]
    instruments: dict[str, CheckedInstrument]
    gaps: tuple[Gap, ...]
    repairs: tuple[Repair, ...]
    charts: tuple[Chart, ...] = ()  # all of the laboratory
    streams: Mapping[str, tuple[Stream, ...]] = field(default_factory=dict)  # watched for lasting shifts, by instrument
    carried: tuple[OilSummary, ...] = ()  # biased by what the sample before leaves in the cell, and by nothing else
    unfit: Mapping[int, str] = field(default_factory=dict)  # identities of charts with an unfit baseline, and why
    likeness: tuple[float, float] = (0.0, 0.0)  # correlation of neighbouring days: of a chart's results, of means

    @property
    def explained(self) -> set[int]:
        """Identities of the charts that something moved explains."""
        return {id(chart) for one in self.moved for chart in one.touched}

    @cached_property
    def due(self) -> tuple[LimitsDue, ...]:
        """The limits that are due at its end, without those of charts that something moved, and of lots given up."""
        panels, last = panels_of(self.charts, self.month), self.month.last
        charts = [chart for panel in panels for chart in panel.in_use(last) if id(chart) not in self.explained]
        return limits_due(charts, self.month, self.laboratory.control)

    def at_risk(self, one: Moved, began: pd.Timestamp | None = None) -> pd.DataFrame:
        """Return the samples that something moved may have touched: ``run``, ``sample``, ``at`` in UTC."""
        of = self.instruments.get(one.instrument)
        if of is None:
            return pd.DataFrame({"run": [], "sample": [], "at": []})
        told = self.month.last if one.lasts else one.signalled  # a good check between proves nothing of what lasts
        return of.at_risk(began or one.earliest, told, self.month.last)

    def is_proven_since(self, one: Moved) -> bool:
        """Tell whether something moved is over, by a good check of the month after it was told."""
        of = self.instruments.get(one.instrument)
        if one.lasts or of is None:
            return False
        told, end = (at.tz_convert(None).to_datetime64() for at in (one.signalled, self.month.last))
        return bool((of.is_good & (of.checks > told) & (of.checks < end)).any())

    @property
    def unexplained(self) -> pd.DataFrame:
        """Comparisons of charts that nothing moved, and whose certificate is none that is biased by itself."""
        of_paper = [chart for one in self.biased for chart in one.charts_of_paper]
        moved = [chart for one in self.moved for chart in one.touched]
        return _without(self.comparisons, _keys([*of_paper, *moved]), _OF_CHART)


def checks_of(material: Material, month: Month) -> Checks:
    """Return the reference oils of a month."""
    charts, since = material.charts, month.first - pd.DateOffset(years=1)
    by_instrument: dict[str, list[Chart]] = {}
    for chart in charts:
        by_instrument.setdefault(chart.instrument, []).append(chart)
    watched_streams = {name: watched(own, since) for name, own in by_instrument.items()}
    streams = dict(watched_streams)
    comparisons = material.comparisons
    left_out = ((one, place) for one in charts for place in np.flatnonzero(~one.used))
    excluded: set[tuple[object, ...]] = {(one.runs[place], one.quantity, one.temperature_C) for one, place in left_out}
    inside = comparisons[month.holds(comparisons["measured_at"])]
    of_month = with_carried(_without(inside, excluded, _OF_RESULT), material)
    oils = summarise_oils(charts, month, material.laboratory)
    unfit = unfit_baselines([one.chart for one in oils])
    likeness = neighbouring_days([one.chart for one in oils if id(one.chart) not in unfit])
    moved = tuple(_moved(charts, streams, month, likeness))
    of_moved = {id(chart) for by in moved for chart in by.touched}
    biased, carried = biased_of([one for one in oils if id(one.chart) not in of_moved], of_month, moved)
    right = _without(comparisons, _keys(chart for one in biased for chart in one.charts_of_paper), _OF_CHART)
    # what an oil does on every instrument is no instrument's: its checks stand, and so does what a repair changed
    # and a chart whose limits rest on a slip or a drift tells nothing of either
    of_oils = {id(chart) for one in moved if not one.instrument for chart in one.touched} | set(unfit)
    charts = tuple(one for one in charts if id(one) not in of_oils)
    for name, own in by_instrument.items():
        if not of_oils.isdisjoint(map(id, own)):
            streams[name] = watched([one for one in own if id(one) not in of_oils], since)
    instruments = checked(material.record, right, charts, streams)
    gaps = longest_gaps(instruments, month, {one.instrument for one in moved})
    repairs = tuple(one for some in streams.values() if some for one in repairs_of(some, month))
    told = oils, of_month, moved, biased, instruments, gaps, repairs
    return Checks(month, material.laboratory, *told, material.charts, watched_streams, carried, unfit, likeness)


def _keys(charts: Iterable[Chart]) -> set[tuple[object, ...]]:
    return {tuple(getattr(one, name) for name in _OF_CHART) for one in charts}


def _without(comparisons: pd.DataFrame, keys: set[tuple[object, ...]], names: Sequence[str]) -> pd.DataFrame:
    """Return the comparisons that stand on none of some charts, or results."""
    of = zip(*(comparisons[name] for name in names), strict=True)
    found: pd.DataFrame = comparisons[np.array([one not in keys for one in of], bool)] if keys else comparisons
    return found


def unfit_baselines(charts: Sequence[Chart]) -> dict[int, str]:
    """Return why limits should not rest on some baselines, by the identity of the chart."""
    tested = [one for one in charts if one.limits is not None and one.in_baseline.sum() >= FEWEST_TO_SCREEN]
    results = (one.plotted[one.in_baseline] for one in tested)
    p = holm_adjusted([serial_dependence(one).p_value if np.ptp(one) > 0.0 else 1.0 for one in results])
    found = {id(one): _ALIKE for one, adjusted in zip(tested, p, strict=True) if adjusted < _FAMILY}
    return found | {id(one): f"{run} lies far from the others" for one in tested if (run := _far(one))}


def _far(chart: Chart) -> str:
    """Name the run of a baseline's farthest result where it is a slip; empty where it isn't."""
    results = chart.plotted[chart.in_baseline]
    away = np.abs(results - np.median(results))
    scale = max(float(np.median(away)) / _QUARTILE, np.ptp(np.delete(results, away.argmax())) / _RANGE)
    return chart.runs[int(np.flatnonzero(chart.in_baseline)[away.argmax()])] if away.max() > _SLIP * scale else ""


def _moved(
    charts: Sequence[Chart], streams: Mapping[str, Sequence[Stream]], month: Month, likeness: tuple[float, float]
) -> Iterator[Moved]:
    """Yield what moved; in a year what each of its months told first, and whether it lasts to the year's end."""
    for part in month.parts:
        for one in moved_in(charts, streams, part, likeness):
            if month.months == 1:
                yield one
            elif one.signalled >= part.first:
                end = one.stream.last_until(month.last.tz_convert(None).to_datetime64())
                yield replace(one, lasts=bool(one.stream.stops[end]))


def biased_of(
    oils: Sequence[OilSummary], comparisons: pd.DataFrame, moved: Sequence[Moved] = ()
) -> tuple[tuple[Biased, ...], tuple[OilSummary, ...]]:
    """Return the biased charts among some, by cause, and those that carry-over explains; what moved instruments is
    taken off the charts of lots too young to have told it themselves."""
    known = [one for one in oils if one.bias is not None]
    tests = [_less(one, comparisons) for one in known]
    p, raw = (holm_adjusted([one.p_value for one in some if one]) for some in (tests, [one.bias for one in known]))
    carried = tuple(one for one, left, was in zip(known, p, raw, strict=True) if was < _FAMILY <= left)
    off = _moved_off(known, moved)
    tests = [_taken_off(one, *by) if by[0] else one for one, by in zip(tests, off, strict=True)]
    known = [replace(one, bias=test) if by[0] else one for one, test, by in zip(known, tests, off, strict=True)]
    both, p = list(zip(known, tests, strict=True)), holm_adjusted([one.p_value for one in tests])
    left = {id(one.chart): one for one, adjusted in zip(known, p, strict=True) if adjusted < _FAMILY}
    deviations = []
    for one, test in both:
        u = max(one.deviation / math.sqrt(one.number), test.standard_uncertainty / 2.0)
        deviations.append(Deviation(one.chart, test.bias, u, one.number))
    found = []
    while left:
        whose = attributed(deviations, left, from_certificate=True)
        explained = set(left) if whose is None else {id(one) for one in whose.charts}
        found.append(Biased(tuple(one for key, one in left.items() if key in explained), whose))
        left = {key: one for key, one in left.items() if key not in explained}
        deviations = [one for one in deviations if id(one.chart) not in explained]
    return tuple(found), carried


def _less(one: OilSummary, comparisons: pd.DataFrame) -> BiasTest:
    """Return the test of a chart's bias less what the runs before its results are expected to have added."""
    chart, bias = one.chart, one.bias
    assert bias is not None
    of_chart = [comparisons[name].to_numpy() == getattr(chart, name) for name in _OF_CHART]
    of_chart.append(comparisons["lot"].fillna("").to_numpy() == chart.lot)
    added = comparisons.loc[np.logical_and.reduce(of_chart), list(CARRIED_COLUMNS)].mean().fillna(0.0)
    to_chart = 100.0 / chart.certified if chart.unit == "%" else 1.0
    mean, u = (float(added[name]) * to_chart for name in CARRIED_COLUMNS)
    less = bias if mean == 0.0 else _taken_off(bias, mean, u)
    return bias if abs(less.t) > abs(bias.t) else less  # it explains a bias, and never makes one


def _taken_off(bias: BiasTest, mean: float, u: float) -> BiasTest:
    """Return a test less what is known to have been added, of a standard uncertainty, [unit of the chart]."""
    uncertainty = math.hypot(bias.standard_uncertainty, u)
    t = (bias.bias - mean) / uncertainty
    chance = 2.0 * float(stdtr(bias.degrees_of_freedom, -abs(t)))
    return replace(bias, bias=bias.bias - mean, standard_uncertainty=uncertainty, t=t, p_value=chance)


def _moved_off(oils: Sequence[OilSummary], moved: Sequence[Moved]) -> list[tuple[float, float]]:
    """Return what instruments' lasting shifts added to the means of some charts, and its standard uncertainty."""
    off = np.zeros((len(oils), 2))
    for one in moved:
        whose = one.attribution
        if whose is not None and one.instrument and one.lasts:  # when the others ended nobody knows
            after = [(of.chart.between(one.since, of.until) & of.inside).sum() / max(of.number, 1) for of in oils]
            added = pattern_of(whose, [of.chart for of in oils]) * after
            off += np.column_stack([added * whose.size, np.abs(added) * whose.expanded_uncertainty / 2.0])
    return [(mean, u) for mean, u in off.tolist()]
