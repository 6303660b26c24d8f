"""Did a corrective action work? What an instrument's oils read before it and after it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from labcalc.judgement.control.watch import Stream
from labcalc.judgement.period import Period
from labcalc.lab import Decision
from labcalc.statistics import PeriodComparison, compare_periods

_MOST, _FEWEST = 10, 3  # days before and after that are compared at most, and at the least: our own choice


@dataclass(frozen=True)
class Repair:
    """A corrective action, and what it changed for a quantity."""

    decision: Decision
    stream: Stream
    before: float
    """Mean distance from the centre over at most ten days before, or since it was off, [unit of the charts]; NaN
    without any."""
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
    return tuple(one for stream in streams if _is_whole(stream, streams) for one in _repairs(stream, period))


def _is_whole(stream: Stream, streams: Sequence[Stream]) -> bool:
    """Tell the stream that holds most of its quantity: the group, or the only chart."""
    alike = (one for one in streams if one.quantity == stream.quantity and one.since <= stream.since < one.until)
    largest = max(alike, key=lambda one: len(one.charts))
    return stream is largest


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
        yield Repair(decision, stream, _mean(before), _mean(after), change, was_off)


def _mean(values: np.ndarray) -> float:
    return float(values.mean()) if values.size else float("nan")
