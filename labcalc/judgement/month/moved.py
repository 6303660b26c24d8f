"""What moved in a month: one finding a cause, from the day of its first signal, with the samples that it touches."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.judgement.control.attribution import Attribution, Deviation, attributed
from labcalc.judgement.control.charts import Chart
from labcalc.judgement.control.watch import Stream, without
from labcalc.judgement.period import Period

_SAME_FAULT_RESULTS = 5
"""Results of a stream without a stop after which a further one is another finding: our own choice."""

_WHERE_ALIKE = 4.0
"""How much larger a chance may be that takes alike days into account, [-], as their correlation is itself uncertain: by
simulation some one quiet instrument in twenty is stopped then, and few of those are lost that have moved."""


@dataclass(frozen=True, eq=False)
class Moved:
    """A lasting shift of an instrument or an oil, and what it does."""

    stream: Stream  # that holds what it moves and nothing else, and told it most clearly
    attribution: Attribution | None  # whose fault it is; None where nothing is clearly anybody's
    symptoms: tuple[Stream, ...]  # further streams that it explains
    since: pd.Timestamp  # first result of the shift, most likely
    earliest: pd.Timestamp
    latest: pd.Timestamp  # ends of its 95 % interval
    signalled: pd.Timestamp  # when it was told first
    lasts: bool  # the last result of the period still tells it
    clearest: int  # place of the stream at which it is clearest
    growth: float  # size of its last five results over that of its first five, [-]; NaN: no more than chance

    @property
    def touched(self) -> tuple[Chart, ...]:
        """The charts that it moves."""
        return self.stream.charts if self.attribution is None else self.attribution.charts

    def is_beyond(self, likeness: tuple[float, float]) -> bool:
        """Tell whether it stops the instrument also where neighbouring days are alike: of charts, of means, [-]."""
        chance = self.stream.chance_at(self.clearest, likeness[self.stream.is_group])
        return chance < _WHERE_ALIKE * self.stream.limit

    @property
    def instrument(self) -> str:
        """The instrument that it is about; empty where it is about an oil on all of them."""
        return self.stream.instrument if self.attribution is None else self.attribution.instrument


def moved_in(
    charts: Sequence[Chart],
    streams: Mapping[str, Sequence[Stream]],
    period: Period,
    likeness: tuple[float, float] = (0.0, 0.0),
) -> tuple[Moved, ...]:
    """Return what moved, one for each cause, the clearest first.

    charts : Of all instruments: what is one's own fault is told by the others.
    period : Something counts that stops an instrument in it.
    likeness : Correlation of neighbouring days, of a chart's results and of an instrument's means, [-].
    """
    first, last = (one.tz_convert(None).to_datetime64() for one in (period.first, period.last))
    inside = (
        (one, np.flatnonzero(one.stops & (one.moments >= first) & (one.moments < last)))
        for some in streams.values()
        for one in some
    )
    stopping = [_Stopping(one, int(at[one.shift.chance[at].argmin()])) for one, at in inside if at.size]
    stopping.sort(key=lambda one: one.chance)
    causes: list[_Cause] = []
    for stop in stopping:
        own = {id(one) for one in stop.stream.charts if one.between(period.first, period.last).any()}  # no lot before
        shares = [(len(own & _touched(seed, whose)) / len(own), symptoms) for seed, whose, symptoms in causes]
        share, symptoms = max(shares, key=lambda pair: pair[0], default=(0.0, list[_Stopping]()))
        if share < 0.5:  # a cause that is known moves few of its charts: is there one more?
            whose = attributed([*_deviations(charts, stop)], own, [of for _, of, _ in causes if of is not None])
            if whose is not None or not share:
                causes.append((stop, whose, []))
                continue
        symptoms.append(stop)
    touched = [_touched(seed, whose) for seed, whose, _ in causes]
    others = [set[int]().union(*touched[:at], *touched[at + 1 :]) for at in range(len(touched))]
    return tuple(_moved(cause, last, apart, likeness) for cause, apart in zip(causes, others, strict=True))


def _touched(seed: _Stopping, whose: Attribution | None) -> set[int]:
    """Return the identities of the charts that a cause moves."""
    return set(map(id, seed.stream.charts if whose is None else whose.charts))


class _Stopping(NamedTuple):
    """A stream that stops its instrument in a period, and the place of its clearest stop in it."""

    stream: Stream
    clearest: int

    @property
    def chance(self) -> float:
        """How rare it is at its clearest, in its limit, [-]."""
        return float(self.stream.shift.chance[self.clearest]) / self.stream.limit

    def share_of(self, touched: set[int]) -> tuple[float, int]:
        """Return the share of its charts that a cause moves, [-], and how many they are."""
        number = sum(id(one) in touched for one in self.stream.charts)
        return number / len(self.stream.charts), number


def _deviations(charts: Sequence[Chart], seed: _Stopping) -> Iterator[Deviation]:
    """Yield how far every chart with limits lay off over the days that tell the shift most clearly."""
    stream, place = seed
    start = stream.moments[stream.began(place)].astype("datetime64[D]")
    end = stream.moments[place].astype("datetime64[D]") + np.timedelta64(1, "D")
    for chart in charts:
        limits = chart.limits
        inside = chart.used & ~chart.in_baseline & (chart.moments >= start) & (chart.moments < end)
        number = int(inside.sum())
        if limits is not None and number:
            to_shown = 100.0 / limits.centre if chart.unit.startswith("mm²") else 1.0  # without a certificate
            uncertainty = limits.sigma * math.sqrt(1.0 / number + (1.0 / limits.number if limits.number else 0.0))
            size = float(chart.plotted[inside].mean()) - limits.centre
            yield Deviation(chart, size * to_shown, uncertainty * to_shown, number)


_Cause = tuple[_Stopping, Attribution | None, list[_Stopping]]
"""What told it most clearly, whose fault it is, and what else it explains."""


def _moved(cause: _Cause, last: np.datetime64, others: set[int], likeness: tuple[float, float]) -> Moved:
    """Put together what moved; it is dated without the charts of other causes."""
    seed, attribution, symptoms = cause
    touched = _touched(seed, attribution)
    own = max([seed, *symptoms], key=lambda one: (*one.share_of(touched - others), *one.share_of(touched)))
    stream = own.stream
    stops = np.flatnonzero(stream.stops)
    stops = stops[stops <= own.clearest]
    gaps = np.flatnonzero(np.diff(stops) > _SAME_FAULT_RESULTS)
    first = int(stops[gaps[-1] + 1] if gaps.size else stops[0])
    end, dated = last - np.timedelta64(1, "us"), without(stream, others)
    told, clearest = (dated.last_until(stream.moments[place]) for place in (first, own.clearest))
    onset = dated.onset(told, clearest, likeness[dated.is_group])
    growth = growth_of(dated.away[onset.place : dated.last_until(end) + 1], dated.scatter)
    further = tuple(one.stream for one in [seed, *symptoms] if one is not own)
    since, earliest, latest = (_local(dated, place) for place in (onset.place, onset.earliest, onset.latest))
    signalled, lasts = _local(stream, first), bool(stream.stops[stream.last_until(end)])
    return Moved(stream, attribution, further, since, earliest, latest, signalled, lasts, own.clearest, growth)


def growth_of(away: NDArray[np.float64], scatter: float) -> float:
    """Return the mean of the last five over that of the first five, [-]; NaN of less than ten, or within 95 %."""
    early, late = float(away[:5].mean()), float(away[-5:].mean())
    tells = away.size >= 10 and abs(late - early) > 1.96 * scatter * math.sqrt(2.0 / 5.0)
    return abs(late / early) if tells and early else math.nan


def _local(stream: Stream, place: int) -> pd.Timestamp:
    return pd.Timestamp(stream.moments[place], tz="UTC").tz_convert(stream.charts[0].measured_at.tz)
