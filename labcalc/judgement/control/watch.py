"""Has an instrument moved, and stayed away? Each of its charts, and all charts of a quantity together day by day."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import stdtr, stdtrit

from labcalc.judgement.control.charts import Chart, restarts
from labcalc.statistics import ChartLimits, Onset, SustainedShift, onset_of, sustained_shift
from labcalc.wording import at_celsius, signed

_OF_GROUPS, _OF_CHARTS = 2.1e-4, 2.4e-4
"""Chance of a mean as far out, [-], below which it stops an instrument, for a sigma that is known: shared out over the
quantities of its groups, and over its charts. In a month without fault 2 to 6 % of instruments are stopped by either:
by simulation, tests/judgement/test_watch.py."""
_AT_ONE_TEMPERATURE = 3.0  # how much rarer a mean of one temperature's charts has to be: all share their results
_LOOK_AHEAD = 30  # later results of a chart that may tell of a run, [-]: more than the longest mean
_LOOK_BACK = 100  # results before the first stop that date what it tells, [-]: our own choice
_FEWEST_DAYS = 5  # days of baseline below which charts are not taken together: our own choice
_EVER, _FOREVER = np.datetime64("1900-01-01", "us"), np.datetime64("2900-01-01", "us")


@dataclass(frozen=True, eq=False)
class Stream:
    """A chart, or several of one instrument together, and when it was found to have moved for longer than a result."""

    instrument: str
    quantity: str
    temperature_C: float  # [°C]; NaN where the stream takes all temperatures together
    charts: tuple[Chart, ...]  # one, or all that are taken together
    moments: NDArray[np.datetime64]  # of its results after the baseline, or the last of each day, in UTC
    away: NDArray[np.float64]  # how far each lies from the centre, [unit of the charts]; of several charts the mean
    shift: SustainedShift
    limit: float  # chance below which it stops the instrument, [-]
    scatter: float  # standard deviation of ``away`` by the baseline, [unit of the charts]
    number: float  # results that set the centre, [-]
    degrees_of_freedom: float  # of the scatter, [-]
    starts: NDArray[np.intp]  # places of the first results after corrective actions
    since: np.datetime64 = _EVER
    until: np.datetime64 = _FOREVER  # over which moments the limits that it counts by are in force

    @property
    def is_group(self) -> bool:
        """Tell whether several charts are taken together."""
        return len(self.charts) > 1

    @cached_property
    def stops(self) -> NDArray[np.bool_]:
        """Tell at which results it stops the instrument."""
        return self.shift.chance < self.limit

    def last_until(self, moment: np.datetime64) -> int:
        """Return the place of its last result until a moment; -1 before the first."""
        return int(self.moments.searchsorted(moment, side="right")) - 1

    def began(self, place: int) -> int:
        """Return the place of the first result that the mean at a place rests on: since when it lies away."""
        return place + 1 - int(self.shift.window[place])

    def chance_at(self, place: int, likeness: float) -> float:
        """Return the chance at a place, [-], where neighbouring days are as like each other as a correlation says."""
        m = int(self.shift.window[place])
        terms = [_grown(number, likeness) / number for number in (m, self.number)]
        widened = math.sqrt(sum(terms) / (1.0 / m + 1.0 / self.number))
        t = float(stdtrit(self.degrees_of_freedom, self.shift.chance[place] / 2.0))
        return float(2.0 * stdtr(self.degrees_of_freedom, t / widened))

    def onset(self, told: int, clearest: int, likeness: float = 0.0) -> Onset:
        """Date what was told first at a place and is clearest at one: its places of beginning, nothing before a repair
        or an earlier stop counted; days that are alike date it less."""
        ends = [*self.starts[self.starts <= told], *(np.flatnonzero(self.stops[:told])[-1:] + 1), told - _LOOK_BACK, 0]
        first = int(max(ends))
        scatter = self.scatter * math.sqrt((1.0 + likeness) / (1.0 - likeness))
        found = onset_of(self.away[first : clearest + 1], scatter, self.number, self.degrees_of_freedom)
        return Onset(*(first + place for place in (found.place, found.earliest, found.latest)))

    @property
    def means(self) -> NDArray[np.float64]:
        """The mean that the judgement of each result rests on, [unit of the charts]."""
        total, after = np.concatenate([[0.0], np.cumsum(self.away)]), np.arange(1, self.away.size + 1)
        window = np.maximum(self.shift.window, 1)
        return np.asarray((total[after] - total[after - window]) / window)

    def words(self, place: int) -> str:
        """Say what moved at a place, since when and how far."""
        number, (first, *_) = len({(one.oil, one.temperature_C) for one in self.charts}), self.charts
        together = f"{at_celsius(self.quantity, self.temperature_C)} of {number} charts together"
        what = together if self.is_group else first.name
        of, since = place + 1 - self.began(place), pd.Timestamp(self.moments[self.began(place)])
        over = f"on average of the last {of} {'days' if self.is_group else 'results'}" if of > 1 else "on the last day"
        return f"{what}: {signed(self.size(place))} {first.unit} {over} (since {since:%Y-%m-%d})"

    def size(self, place: int) -> float:
        """Return how far it lay from the centre on average at a place since ``began``, [unit of the charts]."""
        return float(np.mean(self.away[self.began(place) : place + 1]))


def _grown(number: float, likeness: float) -> float:
    """Return how much the variance of a mean grows by neighbours that are alike (autoregression of the first order)."""
    if likeness == 0.0 or math.isinf(number):
        return 1.0
    rest = (1.0 - likeness**number) / (number * (1.0 - likeness))
    return float((1.0 + likeness - 2.0 * likeness * rest) / (1.0 - likeness))


def watched(charts: Sequence[Chart], since: pd.Timestamp | None = None) -> tuple[Stream, ...]:
    """Return the streams of one instrument: first those of charts taken together, then each chart with limits and a
    result since then: a lot that is used up is not watched alone."""
    earliest = np.datetime64(0, "us") if since is None else since.tz_convert(None).to_datetime64()
    known = [one for one in charts if one.limits is not None]
    streams = list(dict.fromkeys((one.oil, one.temperature_C) for one in known))
    days = {id(one): _standardised(one, streams.index((one.oil, one.temperature_C))) for one in known}
    current = len({(one.oil, one.quantity, one.temperature_C) for one in known})
    alone = [_alone(one, _OF_CHARTS / current) for one in known if one.moments[-1] >= earliest]
    ends = sorted({_EVER, _FOREVER, *(end for one in known for end in _in_force(one))})
    # between signed limits: what charts told together before them stays as it was
    groups = [one for span in pairwise(ends) for one in _groups_in(span, known, days)]
    return (*groups, *(one for one in alone if one.moments.size))


def _in_force(chart: Chart) -> tuple[np.datetime64, np.datetime64]:
    """Return from when until when the limits of a chart hold."""
    since, until = (None if at is None else at.tz_convert(None).to_datetime64() for at in (chart.since, chart.until))
    return (_EVER if since is None else since), (_FOREVER if until is None else until)


def _groups_in(
    span: tuple[np.datetime64, np.datetime64], charts: Sequence[Chart], days: Mapping[int, _Days]
) -> Iterator[Stream]:
    """Yield the streams of charts taken together under the limits of one stretch of time."""
    since, until = span
    held = [one for one in charts if _in_force(one)[0] < until and _in_force(one)[1] > since]
    groups = [found for some in _groups(held) if (found := _together(some, days, span)) is not None]
    quantities = len({one.quantity for one in groups})
    for one in groups:  # the chance is shared out
        is_part = any(of.quantity == one.quantity and len(of.charts) > len(one.charts) for of in groups)
        yield replace(one, limit=one.limit / (quantities * (_AT_ONE_TEMPERATURE if is_part else 1.0)))


def without(stream: Stream, others: Collection[int]) -> Stream:
    """Return a stream without the charts of some identities; itself where none of its own would go, or all."""
    left = [one for one in stream.charts if id(one) not in others]
    return watched(left)[0] if 0 < len(left) < len(stream.charts) else stream


def stopping_at(streams: Sequence[Stream], moment: pd.Timestamp, *, days: float = 30.0) -> tuple[str, ...]:
    """Say which of an instrument's streams stop it at a moment, the rarest first; older than some days, none does."""
    until = moment.tz_convert(None).to_datetime64()
    earliest = until - np.timedelta64(pd.Timedelta(days=days))
    held = (one for one in streams if until < one.until and one.moments[-1] >= earliest)
    places = [(one, place) for one in held if (place := one.last_until(until)) >= 0]
    found = [(one, at) for one, at in places if one.moments[at] >= earliest and one.stops[at]]
    return tuple(one.words(at) for one, at in sorted(found, key=lambda pair: pair[0].shift.chance[pair[1]]))


def told_afterwards(streams: Sequence[Stream], moment: pd.Timestamp) -> str:
    """Say what later checks told of a moment: that the instrument had moved by then, or may have, after the last check
    before a shift and before the first of it; empty where nothing did."""
    until = moment.tz_convert(None).to_datetime64()
    found = []
    for one in streams:
        if until < one.since or one.moments[-1] <= until:
            continue
        after = one.last_until(until) + 1
        stops = np.flatnonzero(one.stops[after : after + _LOOK_AHEAD]) + after
        told = next((at for at in stops.tolist() if one.began(at) <= after <= at), None)
        if told is not None:
            found.append((float(one.shift.chance[told]), one, told))
    if not found:
        return ""
    _, one, at = min(found, key=lambda each: each[0])
    return f"told on {pd.Timestamp(one.moments[at]):%Y-%m-%d}, after this run: {one.words(at)}; it may carry as much"


def _groups(charts: Sequence[Chart]) -> Iterator[list[Chart]]:
    """Yield the charts of each quantity, and of each of its temperatures where several oils share it."""
    for quantity in dict.fromkeys(one.quantity for one in charts):
        of_quantity = [one for one in charts if one.quantity == quantity]
        yield of_quantity
        temperatures = dict.fromkeys(one.temperature_C for one in of_quantity)
        if len(temperatures) > 1:
            yield from ([one for one in of_quantity if one.temperature_C == at] for at in temperatures)


def _after(chart: Chart) -> NDArray[np.bool_]:
    return np.asarray(chart.used & ~chart.in_baseline)


def _alone(chart: Chart, limit: float) -> Stream:
    limits, after = chart.limits, _after(chart)
    assert limits is not None
    # several results of one day share what the day does: their mean counts as one
    _, first = np.unique(chart.days[after], return_index=True)
    many = np.diff([*first, int(after.sum())])
    away = np.add.reduceat(chart.plotted[after] - limits.centre, first) / many if first.size else np.zeros(0)
    moments, number = chart.moments[after][first + many - 1], limits.number or np.inf
    starts = _starts([chart], moments)
    sigma, degrees = math.hypot(limits.sigma, chart.rounding), limits.tail_degrees_of_freedom
    known = sigma, number, degrees
    shift = sustained_shift(_counted(away / sigma, limits) * sigma, *known, fewest=2, starts=starts)
    about = chart.instrument, chart.quantity, chart.temperature_C, (chart,)
    return Stream(*about, moments, away, shift, limit * _with_few(degrees), *known, starts, *_in_force(chart))


def _with_few(degrees_of_freedom: float) -> float:
    """Return how much larger a chance may be where sigma rests on few results: looks that share it say less each."""
    return 1.0 + 22.0 / degrees_of_freedom


def _counted(z: NDArray[np.float64], limits: ChartLimits) -> NDArray[np.float64]:
    """Let a single result count as far as its limit at most: beyond, as with heavy tails, it is told by its chart."""
    most = replace(limits, as_known=False).reach()
    return np.asarray(np.clip(z, -most, most))


def _starts(charts: Sequence[Chart], moments: NDArray[np.datetime64]) -> NDArray[np.intp]:
    decided = {one.when: one for chart in charts for one in chart.instrument_decisions}
    return restarts([*decided.values()], pd.DatetimeIndex(moments, tz="UTC"))


_Days = tuple[NDArray[Any], ...]


def _together(
    charts: Sequence[Chart], results_of: Mapping[int, _Days], span: tuple[np.datetime64, np.datetime64]
) -> Stream | None:
    """Take charts together: the mean of their standardised results of a day, as it varied in their baselines."""
    if len(charts) < 2:
        return None
    columns = [np.concatenate(one) for one in zip(*(results_of[id(chart)] for chart in charts), strict=True)]
    counted = columns[0] | ((columns[2] >= span[0]) & (columns[2] < span[1]))
    in_baseline, day, at, stream, *numbers = (one[counted] for one in columns)
    if in_baseline.all() or not in_baseline.any():
        return None
    # several results of one oil on one day tell of that day once
    order = np.lexsort((stream, day, in_baseline))
    in_baseline, day, stream, ticks = (one[order] for one in (in_baseline, day, stream, at.astype(np.int64)))
    first = _beginnings(in_baseline, day, stream)
    ticks, z, rounding, away, number = (_means(one, first) for one in (ticks, *(one[order] for one in numbers)))
    in_baseline, day, stream = (one[first] for one in (in_baseline, day, stream))
    first = _beginnings(in_baseline, day)
    before = in_baseline[first]
    count, total = np.diff([*first, z.size]), np.add.reduceat(z, first)
    if before.sum() < _FEWEST_DAYS or not (count[~before] > 1).any():
        return None
    squares, (away, rounding) = np.add.reduceat(z**2, first), (_means(one, first) for one in (away, rounding))
    pairs = (count * (count - 1))[before].sum()
    together = float(np.clip((total**2 - squares)[before].sum() / pairs, 0.0, 1.0)) if pairs else 0.0
    z = total / np.sqrt(count * (1.0 + (count - 1) * together))
    of_streams = np.unique(stream[in_baseline], return_counts=True)[1]  # charts of other days may share none
    degrees = min(int(before.sum()), int(of_streams.min())) - 1.0
    sigma = float(np.sqrt((z[before] ** 2).sum() / (before.sum() - 1) + rounding[before].mean()))
    if not sigma > 0.0:
        return None
    moments = np.maximum.reduceat(ticks, first)[~before].astype(np.int64).astype(at.dtype).astype("datetime64[us]")
    number = np.minimum.reduceat(number, first)[~before]
    starts = _starts(charts, moments)
    shift = sustained_shift(z[~before], sigma, number, degrees, starts=starts)
    one, limit = charts[0], _OF_GROUPS * min(_with_few(degrees), 1.75)
    temperature = one.temperature_C if len({one.temperature_C for one in charts}) == 1 else math.nan
    about = one.instrument, one.quantity, temperature, tuple(charts)
    known = max(float(away[before].std(ddof=1)), 1e-9), float(number.min()), degrees, starts
    return Stream(*about, moments, away[~before], shift, limit, *known, *span)


def _beginnings(*keys: NDArray[Any]) -> NDArray[np.intp]:
    """Return where each group of rows of equal keys begins; rows of a group stand together."""
    return np.flatnonzero([True, *np.any([one[1:] != one[:-1] for one in keys], axis=0)])


def _means(values: NDArray[Any], first: NDArray[np.intp]) -> NDArray[np.float64]:
    return np.asarray(np.add.reduceat(values, first) / np.diff([*first, values.size]))


def _standardised(chart: Chart, stream: int) -> _Days:
    """Return what a chart's used results add to those of their days, in the columns that ``_together`` takes;
    ``stream``: its oil's number."""
    limits, rounding = chart.limits, chart.rounding
    assert limits is not None
    parts = [*((part, which, True) for part, which in chart.rests_on), (chart, _after(chart), False)]
    before = np.concatenate([np.full(int(which.sum()), is_before) for _, which, is_before in parts])
    names = ("days", "moments", "plotted")
    days, at, plotted = (np.concatenate([getattr(part, name)[of] for part, of, _ in parts]) for name in names)
    away, sigma = plotted - limits.centre, math.hypot(limits.sigma, rounding)
    same = (stream, (rounding / sigma) ** 2, float(limits.number or np.inf))
    streams, roundings, numbers = (np.full(away.size, one) for one in same)
    return before, days, at, streams, _counted(away / sigma, limits), roundings, away, numbers
