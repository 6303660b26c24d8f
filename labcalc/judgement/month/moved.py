"""What moved in a month, one finding a cause; the samples between good checks; whether corrective actions worked."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.judgement.control.attribution import Attribution, Deviation, attributed
from labcalc.judgement.control.charts import Chart
from labcalc.judgement.control.watch import Stream, without
from labcalc.judgement.period import Period
from labcalc.lab import Decision
from labcalc.statistics import PeriodComparison, compare_periods

_SAME_FAULT_RESULTS = 5  # results of a stream without a stop after which a further one is another finding: our own
_WHERE_ALIKE = 4.0  # how much larger a chance may be that takes alike days into account: their correlation is uncertain


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
        return self.stream.chance_at(self.clearest, likeness[self.stream.is_group]) < _WHERE_ALIKE * self.stream.limit

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
    """Return what moved, of what stops an instrument in a period, one for each cause, the clearest first.

    charts : Of all instruments: what is one's own fault is told by the others.
    likeness : Correlation of neighbouring days, of a chart's results and of an instrument's means, [-].
    """
    first, last = (one.tz_convert(None).to_datetime64() for one in (period.first, period.last))
    every = (one for some in streams.values() for one in some)
    inside = ((one, np.flatnonzero(one.stops & (one.moments >= first) & (one.moments < last))) for one in every)
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


_Cause = tuple[_Stopping, Attribution | None, list[_Stopping]]  # what told it, whose fault it is, what else it explains


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


@dataclass(frozen=True, eq=False)
class CheckedInstrument:
    """The checks of an instrument, and its samples."""

    instrument: str
    checks: NDArray[np.datetime64]  # when its runs of reference oils ended, in UTC, in the order of time
    is_good: NDArray[np.bool_]  # no chart signalled at them, within certified limits, and nothing had moved
    samples: pd.DataFrame  # its sample runs: ``run``, ``sample``, ``at`` in UTC, in the order of time

    def at_risk(self, began: pd.Timestamp, told: pd.Timestamp, until: pd.Timestamp) -> pd.DataFrame:
        """Return the samples from the last good check before something began to the next good one after it was told."""
        start, seen, end = (one.tz_convert(None).to_datetime64() for one in (began, told, until))
        good, at = self.checks[self.is_good], self.samples["at"]
        inside = at < min([*good[good > seen][:1], end])
        for before in good[good < start][-1:]:
            inside &= at > before
        found: pd.DataFrame = self.samples[inside]
        return found


@dataclass(frozen=True)
class Gap:
    """The longest time of an instrument without a good check, in which samples were measured."""

    instrument: str
    first: pd.Timestamp
    hours: float  # from the good check before it to its last sample, [h]
    days: int  # on which samples were measured in it: a weekend without work is none
    samples: int
    checks_a_day: float  # over the days on which it measured samples, [1/d]


def checked(
    rows: pd.DataFrame, comparisons: pd.DataFrame, charts: Sequence[Chart], streams: dict[str, tuple[Stream, ...]]
) -> dict[str, CheckedInstrument]:
    """Return the checks of each instrument of the record's rows, by all comparisons, charts and streams."""
    bad = {one.run for chart in charts for one in chart.signals if one.is_open}
    away = (comparisons["value"] - comparisons["certified"]).abs() > comparisons["limit"]
    bad |= set(comparisons.loc[away, "run"])
    last = ~rows["run"].duplicated(keep="last") & rows["measured_at"].notna() & rows["instrument"].notna()
    runs = rows.loc[last, ["instrument", "role", "run", "sample"]].assign(at=rows["measured_at"].dt.tz_convert(None))
    runs = runs.sort_values("at", kind="stable")
    found = {}
    for name, of in runs.groupby("instrument"):
        is_check = (of["role"] == "reference").to_numpy()
        moments = of.loc[is_check, "at"].to_numpy().astype("datetime64[us]")
        good = ~of.loc[is_check, "run"].isin(bad).to_numpy()
        for one in (some for some in streams.get(str(name), ()) if some.moments.size):
            # the day's result that it is part of
            place = np.minimum(one.moments.searchsorted(moments), one.moments.size - 1)
            same_day = one.moments[place].astype("datetime64[D]") == moments.astype("datetime64[D]")
            good &= ~(one.stops[place] & same_day)
        samples = of.loc[~is_check, ["run", "sample", "at"]].reset_index(drop=True)
        found[str(name)] = CheckedInstrument(str(name), moments, good, samples)
    return found


def longest_gaps(checked: dict[str, CheckedInstrument], period: Period, moved: Collection[str] = ()) -> tuple[Gap, ...]:
    """Return the longest gap of each instrument with samples in a period; of one that moved, between any checks."""
    own = [replace(one, is_good=one.is_good | (name in moved)) for name, one in checked.items()]
    return tuple(found for one in own for found in _longest(one, period))


def _longest(one: CheckedInstrument, period: Period) -> Iterator[Gap]:
    start, end = (moment.tz_convert(None).to_datetime64() for moment in (period.first, period.last))
    at = one.samples["at"].to_numpy().astype("datetime64[us]")
    at = at[(at >= start) & (at < end)]
    if not at.size:
        return
    good, days = one.checks[one.is_good], at.astype("datetime64[D]")
    # each sample lies in the gap before the next good check
    table = pd.DataFrame({"gap": good.searchsorted(at), "at": at, "day": days}).groupby("gap")
    gap = table.agg(end=("at", "max"), days=("day", "nunique"), samples=("at", "size"))
    opens = np.concatenate([[min(start, at[0])], good])[gap.index]
    gap["hours"] = (gap["end"] - opens) / np.timedelta64(1, "h")
    longest = int(np.lexsort([gap["hours"], gap["days"]])[-1])
    checks = one.checks[(one.checks >= start) & (one.checks < end)].size
    first = pd.Timestamp(opens[longest], tz="UTC").tz_convert(period.first.tz)
    hours, number, samples = (gap[name].iloc[longest] for name in ("hours", "days", "samples"))
    yield Gap(one.instrument, first, float(hours), int(number), int(samples), checks / np.unique(days).size)


_MOST, _FEWEST = 10, 3  # days before and after that are compared at most, and at the least: our own choice


@dataclass(frozen=True)
class Repair:
    """A corrective action, and what it changed for a quantity."""

    decision: Decision
    stream: Stream
    before: float  # mean from the centre over at most ten days, or since it was off, [unit of the charts]; NaN: none
    after: float  # the same after it, up to the next action
    change: PeriodComparison | None  # none with fewer than three results before or after
    was_off: bool = False  # the last result before it stopped the instrument

    @property
    def verdict(self) -> str:
        """Tell whether it worked."""
        if self.change is None:
            return "too few checks since to tell"
        before, after = abs(self.before), abs(self.after)
        if not self.change.mean_changed:
            low, high = self.change.interval
            off = self.was_off or before > (high - low) / 2.0
            return "no change that can be told from chance" if off else "nothing was off"
        if after > before:
            return "it made it worse"
        return "it worked" if after <= before / 2.0 else "better, but still off"


def repairs_of(streams: Sequence[Stream], period: Period) -> tuple[Repair, ...]:
    """Return the corrective actions of a period and of the month before it, on an instrument's whole quantities."""
    found: list[Repair] = []
    for stream in streams:
        alike = (one for one in streams if one.quantity == stream.quantity and one.since <= stream.since < one.until)
        if stream is max(alike, key=lambda one: len(one.charts)):  # the group, or the only chart
            found += _repairs(stream, period)
    return tuple(found)


def _repairs(stream: Stream, period: Period) -> Iterator[Repair]:
    decided = (one for chart in stream.charts for one in chart.instrument_decisions)
    actions = {one.when: one for one in decided if one.what == "corrective action"}
    moments = stream.moments[stream.moments < period.last.tz_convert(None).to_datetime64()]
    for when, decision in sorted(actions.items()):
        at = pd.Timestamp(when).tz_convert(None).to_datetime64()
        inside = period.first - pd.DateOffset(months=1) <= when < period.last
        if not (inside and stream.since <= at < stream.until):
            continue
        cut = int(moments.searchsorted(at))
        was_off = cut > 0 and bool(stream.stops[cut - 1])
        first = max(cut - _MOST, stream.began(cut - 1) if was_off else 0)
        stop = min([*stream.starts[stream.starts > cut], moments.size, cut + _MOST])
        before, after = stream.away[max(min(first, cut - _FEWEST), 0) : cut], stream.away[cut:stop]
        enough = min(before.size, after.size) >= _FEWEST and np.ptp(before) > 0.0 < np.ptp(after)
        change = compare_periods(before, after) if enough else None
        mean_before, mean_after = (float(some.mean()) if some.size else math.nan for some in (before, after))
        yield Repair(decision, stream, mean_before, mean_after, change, was_off)
