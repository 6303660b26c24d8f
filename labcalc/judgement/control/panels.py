"""The lots of one oil on one axis of time: what a small chart shows, and what a year is told of."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from labcalc.judgement.control.charts import Chart
from labcalc.judgement.control.watch import Stream
from labcalc.judgement.period import Period
from labcalc.wording import at_celsius, counted


@dataclass(frozen=True, eq=False)
class Panel:
    """The charts of one oil's lots on an instrument, for one quantity and temperature, in one unit."""

    charts: tuple[Chart, ...]
    """In the order of their first results; lots that ran side by side overlap."""

    @property
    def first(self) -> Chart:
        """A chart that says of all what it is about."""
        return self.charts[0]

    @property
    def name(self) -> str:
        """Oil, quantity and temperature."""
        return f"{self.first.oil}, {at_celsius(self.first.quantity, self.first.temperature_C)}"


def panels_of(charts: Iterable[Chart], period: Period) -> tuple[Panel, ...]:
    """Return the panels with a result in a period, lots without one left out: by oil and temperature, density last."""
    found: dict[tuple[str, str, float, str, str], list[Chart]] = {}
    for one in charts:
        if one.between(period.first, period.last).any():
            key = (one.instrument, one.oil, one.temperature_C, one.quantity, one.unit)
            found.setdefault(key, []).append(one)
    ordered = sorted(found, key=lambda key: (*key[:3], key[3] == "density", key[4]))
    return tuple(Panel(tuple(sorted(found[key], key=lambda one: one.moments[0]))) for key in ordered)


def groups_of(streams: Sequence[Stream]) -> tuple[Stream, ...]:
    """Return the streams that take all charts of a quantity together, one a quantity and stretch of limits."""
    together = [one for one in streams if one.is_group]
    widest = {(one.quantity, one.since): one for one in sorted(together, key=lambda one: len(one.charts))}
    return tuple(sorted(widest.values(), key=lambda one: (one.quantity == "density", one.since)))


def earlier_words(charts: Iterable[Chart], moment: pd.Timestamp) -> str:
    """Say in a line what lies before a moment; an empty text where nothing does."""
    end = moment.tz_convert(None).to_datetime64()
    before = [(one, int(np.searchsorted(one.moments, end))) for one in charts]
    held = [(one, number) for one, number in before if number]
    if not held:
        return ""
    since = min(one.measured_at[0] for one, _ in held)
    signals = sum(signal.position < number for one, number in held for signal in one.signals)
    results = f"{counted(sum(number for _, number in held), 'result')} on {counted(len(held), 'chart')}"
    return f"Before {moment:%Y-%m-%d}, since {since:%Y-%m-%d}: {results}, {counted(signals, 'signal')}."
