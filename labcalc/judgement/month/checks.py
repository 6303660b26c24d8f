"""The reference oils of a month: what moved, gaps between good checks, corrective actions."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import pandas as pd

from labcalc.judgement.control.attribution import Attribution, Deviation, attributed
from labcalc.judgement.control.charts import Chart
from labcalc.judgement.control.panels import panels_of
from labcalc.judgement.control.watch import Stream, watched
from labcalc.judgement.month.due import LimitsDue, limits_due
from labcalc.judgement.month.gaps import CheckedInstrument, Gap, checked, longest_gaps
from labcalc.judgement.month.moved import Moved, moved_in
from labcalc.judgement.month.oils import OilSummary, summarise_oils
from labcalc.judgement.month.repairs import Repair, repairs_of
from labcalc.judgement.period import Month
from labcalc.judgement.record.measurements import Material
from labcalc.lab import Laboratory
from labcalc.statistics import holm_adjusted

_FAMILY = 0.05
"""Chance that any of the month's tests of bias finds what isn't there, [-] (Holm)."""


@dataclass(frozen=True, eq=False)
class Biased:
    """Charts that are biased against their certificates by one cause."""

    oils: tuple[OilSummary, ...]
    attribution: Attribution | None
    """None where nothing explains them together."""

    @property
    def charts_of_paper(self) -> tuple[Chart, ...]:
        """The charts that lie off because their certificate does."""
        of_paper = self.attribution is not None and self.attribution.cause == "certificate"
        return self.attribution.charts if self.attribution is not None and of_paper else ()


@dataclass(frozen=True, eq=False)
class Checks:
    """The reference oils of a month."""

    month: Month
    laboratory: Laboratory
    oils: tuple[OilSummary, ...]
    comparisons: pd.DataFrame
    """``COMPARISON_COLUMNS`` of the month."""
    moved: tuple[Moved, ...]
    biased: tuple[Biased, ...]
    instruments: dict[str, CheckedInstrument]
    gaps: tuple[Gap, ...]
    repairs: tuple[Repair, ...]
    charts: tuple[Chart, ...] = ()
    """All of the laboratory."""
    streams: Mapping[str, tuple[Stream, ...]] = field(default_factory=dict)
    """What is watched for lasting shifts, by instrument."""

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

    def at_risk(self, one: Moved) -> pd.DataFrame:
        """Return the samples that something moved may have touched: ``run``, ``sample``, ``at`` in UTC."""
        of = self.instruments.get(one.instrument)
        if of is None:
            return pd.DataFrame({"run": [], "sample": [], "at": []})
        return of.at_risk(one.since, one.signalled, self.month.last)

    @property
    def unexplained(self) -> pd.DataFrame:
        """Comparisons of charts that nothing moved, and whose certificate is none that is biased by itself."""
        of_paper = [chart for one in self.biased for chart in one.charts_of_paper]
        return _apart(self.comparisons, [*of_paper, *(chart for one in self.moved for chart in one.touched)])


def checks_of(material: Material, month: Month) -> Checks:
    """Return the reference oils of a month."""
    charts, streams = material.charts, material.streams
    comparisons = material.comparisons
    oils, moved = summarise_oils(charts, month, material.laboratory), tuple(_moved(charts, streams, month))
    biased = biased_of([one for one in oils if not any(one.chart is chart for by in moved for chart in by.touched)])
    right = _apart(comparisons, [chart for one in biased for chart in one.charts_of_paper])
    # what an oil does on every instrument is no instrument's: its checks stand, and so does what a repair changed
    of_oils = {id(chart) for one in moved if not one.instrument for chart in one.touched}
    if of_oils:
        charts = tuple(one for one in charts if id(one) not in of_oils)
        streams = {name: watched([one for one in charts if one.instrument == name]) for name in streams}
    instruments = checked(material.record, right, charts, streams)
    return Checks(
        month,
        material.laboratory,
        oils,
        comparisons[month.holds(comparisons["measured_at"])],
        moved,
        biased,
        instruments,
        longest_gaps(instruments, month, {one.instrument for one in moved}),
        tuple(one for some in streams.values() if some for one in repairs_of(some, month)),
        material.charts,
        material.streams,
    )


def _moved(charts: Sequence[Chart], streams: Mapping[str, Sequence[Stream]], month: Month) -> Iterator[Moved]:
    """Yield what moved; in a year what each of its months told first, and whether it lasts to the year's end."""
    for part in month.parts:
        for one in moved_in(charts, streams, part):
            if month.months == 1:
                yield one
            elif one.signalled >= part.first:
                end = one.stream.last_until(month.last.tz_convert(None).to_datetime64())
                yield replace(one, lasts=bool(one.stream.stops[end]))


def _apart(comparisons: pd.DataFrame, charts: Sequence[Chart]) -> pd.DataFrame:
    """Return the comparisons that stand on none of some charts."""
    names = ["instrument", "sample", "quantity", "temperature_C"]
    of = {tuple(getattr(one, name) for name in names) for one in charts}
    keys = zip(*(comparisons[name] for name in names), strict=True)
    found: pd.DataFrame = comparisons[np.array([key not in of for key in keys], bool)]
    return found


def biased_of(oils: Sequence[OilSummary]) -> tuple[Biased, ...]:
    """Return the biased charts among some, by cause."""
    known = [one for one in oils if one.bias is not None]
    p = holm_adjusted([one.bias.p_value for one in known if one.bias]) if known else np.zeros(0)
    left = {id(one.chart): one for one, adjusted in zip(known, p, strict=True) if adjusted < _FAMILY}
    found = []
    while left:
        whose = attributed([_bias_of(one) for one in known if one.bias], left, from_certificate=True)
        explained = set(left) if whose is None else {id(one) for one in whose.charts}
        found.append(Biased(tuple(one for key, one in left.items() if key in explained), whose))
        left = {key: one for key, one in left.items() if key not in explained}
        known = [one for one in known if id(one.chart) not in explained]
    return tuple(found)


def _bias_of(one: OilSummary) -> Deviation:
    assert one.bias is not None
    of_mean = one.deviation / math.sqrt(one.number)
    return Deviation(one.chart, one.bias.bias, max(of_mean, one.bias.standard_uncertainty / 2.0), one.number)
