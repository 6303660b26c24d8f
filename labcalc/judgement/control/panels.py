"""Charts taken together: the lots of one oil on one axis of time, and how like neighbouring days are."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import pandas as pd

from labcalc.judgement.control.charts import Chart
from labcalc.judgement.control.watch import Stream
from labcalc.judgement.period import Period
from labcalc.wording import at_celsius


@dataclass(frozen=True, eq=False)
class Panel:
    """The charts of one oil's lots on an instrument, for one quantity and temperature, in one unit."""

    charts: tuple[Chart, ...]  # in the order of their first results; lots that ran side by side overlap

    @property
    def first(self) -> Chart:
        """A chart that says of all what it is about."""
        return self.charts[0]

    @property
    def name(self) -> str:
        """Oil, quantity and temperature."""
        return f"{self.first.oil}, {at_celsius(self.first.quantity, self.first.temperature_C)}"

    def in_use(self, end: pd.Timestamp) -> tuple[Chart, ...]:
        """Return the charts of the lots that were measured on the last day with any of them before a moment."""
        days = [one.measured_at[one.measured_at < end][-1].date() for one in self.charts]
        return tuple(one for one, day in zip(self.charts, days, strict=True) if day == max(days))


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


def neighbouring_days(charts: Sequence[Chart]) -> tuple[float, float]:
    """Return how like neighbouring days are in the baselines of some charts, [-]: of a chart's results, and of an
    instrument's mean of a quantity; 0 where a correlation is less than twice its standard error."""
    series = [
        pd.DataFrame(
            {
                "chart": number,
                "instrument": one.instrument,
                "quantity": one.quantity,
                "day": one.days[one.in_baseline],
                "z": (one.plotted[one.in_baseline] - one.limits.centre) / one.limits.sigma,
            }
        )
        for number, one in enumerate(charts)
        if one.limits is not None
    ]
    if not series:
        return 0.0, 0.0
    table = pd.concat(series)
    return _likeness(table, ["chart"]), _likeness(table, ["instrument", "quantity"])


def _likeness(table: pd.DataFrame, keys: list[str]) -> float:
    days = table.groupby([*keys, "day"], sort=True)["z"].mean()
    of = days.groupby(level=keys)
    product = (days * of.shift(-1)).dropna()
    if not product.size:
        return 0.0
    correlation = float(product.mean() / days.pow(2).mean()) + float((1.0 / of.size()).mean())  # n - 1 of n pairs
    return correlation if correlation > 2.0 / math.sqrt(product.size) else 0.0
