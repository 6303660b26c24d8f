"""What lies between checks: an instrument's longest gap, samples at risk, whether a corrective action worked."""

import math
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.judgement.control.charts import Chart
from labcalc.judgement.control.watch import Stream
from labcalc.judgement.period import Period
from labcalc.lab import Decision
from labcalc.statistics import PeriodComparison, compare_periods


@dataclass(frozen=True, eq=False)
class CheckedInstrument:
    """The checks of an instrument, and its samples."""

    instrument: str
    checks: NDArray[np.datetime64]  # when its runs of reference oils ended, in UTC, in the order of time
    is_good: NDArray[np.bool_]
    """No chart signalled at them, within their limits of the certificate, and nothing had moved."""
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
    actions = {
        one.when: one
        for chart in stream.charts
        for one in chart.instrument_decisions
        if one.what == "corrective action" and period.first - pd.DateOffset(months=1) <= one.when < period.last
        if stream.since <= pd.Timestamp(one.when).tz_convert(None).to_datetime64() < stream.until
    }
    moments = stream.moments[stream.moments < period.last.tz_convert(None).to_datetime64()]
    for when, decision in sorted(actions.items()):
        cut = int(moments.searchsorted(pd.Timestamp(when).tz_convert(None).to_datetime64()))
        was_off = cut > 0 and bool(stream.stops[cut - 1])
        first = max(cut - _MOST, stream.began(cut - 1) if was_off else 0)
        stop = min([*stream.starts[stream.starts > cut], moments.size, cut + _MOST])
        before, after = stream.away[max(min(first, cut - _FEWEST), 0) : cut], stream.away[cut:stop]
        enough = min(before.size, after.size) >= _FEWEST and np.ptp(before) > 0.0 < np.ptp(after)
        change = compare_periods(before, after) if enough else None
        mean_before, mean_after = (float(some.mean()) if some.size else math.nan for some in (before, after))
        yield Repair(decision, stream, mean_before, mean_after, change, was_off)
