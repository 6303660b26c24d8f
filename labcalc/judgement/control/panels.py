"""Charts taken together: an oil's lots on one axis of time, likeness of days, and a year's checks in control."""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.judgement.control.charts import Chart
from labcalc.judgement.control.watch import Stream
from labcalc.judgement.period import Period
from labcalc.statistics import PeriodComparison, compare_periods, holm_adjusted
from labcalc.wording import at_celsius, counted, numeral, plain, signed

_FAMILY = 0.05  # chance that any lot of an instrument is said to differ from the one before where none does, [-] (Holm)


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


@dataclass(frozen=True, eq=False)
class LotsCompared:
    """A new lot of an oil against the one before, by the days on which both were measured."""

    old: Chart
    new: Chart
    days: int  # on which both were measured
    last: pd.Timestamp  # the last of them, or the first result of the new lot
    comparison: PeriodComparison | None  # new less old, means of a day; None of fewer than two days, or without spread
    differs: bool  # more than chance explains among all lots of the instrument

    @property
    def words(self) -> str:
        """How far the lots lie apart, [unit of the charts], and whether chance and certificates allow it."""
        if not self.days:
            lots = f"lot {self.new.lot} against lot {self.old.lot}"
            return f"{self.new.oil}, {lots}: no day on which both were measured, only certificates compare them"
        head = f"{self.new.name} against lot {self.old.lot}, {counted(self.days, 'day')} with both"
        if self.comparison is None:
            return f"{head}: too few, or no spread, to compare them"
        one, unit = self.comparison, self.new.unit
        low, high = one.interval
        test = f"Welch t {numeral(one.t, 2)} of {numeral(one.degrees_of_freedom, 1)} degrees of freedom"
        size = f"{signed(one.difference)} {unit} ({signed(low)} to {signed(high)}"
        return f"{head}: {size}; {test}, p {numeral(one.t_p_value)}), {self.verdict}"

    @property
    def verdict(self) -> str:
        """Whether the difference is more than chance, and more than both certificates, allow."""
        assert self.comparison is not None
        if not self.differs:
            return "no difference beyond chance"
        half = (self.comparison.interval[1] - self.comparison.interval[0]) / 2.0
        allowed = math.hypot(self.old.certified_uncertainty, self.new.certified_uncertainty)
        if math.isnan(allowed) or math.isnan(self.new.certified):
            return "more than chance makes"
        beyond = abs(self.comparison.difference) > math.hypot(half, allowed)
        against = "and more than" if beyond else "within what"
        return f"more than chance makes, {against} both certificates allow (±{numeral(allowed)})"


def lots_compared(panels: Sequence[Panel]) -> tuple[LotsCompared, ...]:
    """Return each lot of an instrument's oils against the one before it."""
    # the last chart of each lot, the first measured lot first: it knows those before
    lots = [[*{one.lot: one for one in panel.charts}.values()] for panel in panels]
    found = [_side_by_side(old, new) for some in lots for old, new in pairwise(some)]
    known = [one.comparison.t_p_value for one in found if one.comparison is not None]
    adjusted = iter(holm_adjusted(known) if known else ())
    return tuple(replace(one, differs=one.comparison is not None and bool(next(adjusted) < _FAMILY)) for one in found)


def _side_by_side(old: Chart, new: Chart) -> LotsCompared:
    before, since = _daily(old), _daily(new)
    both = before.index.intersection(since.index)
    one, other = before[both].to_numpy(), since[both].to_numpy()
    enough = len(both) > 1 and np.ptp(one) > 0.0 < np.ptp(other)
    comparison = compare_periods(one, other) if enough else None
    return LotsCompared(old, new, len(both), both.max() if len(both) else since.index[0], comparison, False)


def _daily(chart: Chart) -> pd.Series:
    """Return the mean of each day of a lot, whatever the limits, [unit of the chart]."""
    used = [pd.Series(one.plotted[one.used], one.measured_at[one.used].normalize()) for one in chart.of_lot]
    return pd.concat(used).groupby(level=0).mean()


def groups_of(streams: Sequence[Stream]) -> tuple[Stream, ...]:
    """Return the streams that take all charts of a quantity together, one a quantity and stretch of limits."""
    together = [one for one in streams if one.is_group]
    widest = {(one.quantity, one.since): one for one in sorted(together, key=lambda one: len(one.charts))}
    return tuple(sorted(widest.values(), key=lambda one: (one.quantity == "density", one.since)))


def neighbouring_days(charts: Sequence[Chart]) -> tuple[float, float]:
    """Return how like neighbouring days are in the baselines of some charts, [-]: of a chart's results, and of an
    instrument's mean of a quantity; 0 where a correlation is less than twice its standard error."""
    series = []
    for number, one in enumerate(charts):
        if one.limits is not None:
            about = {"chart": number, "instrument": one.instrument, "quantity": one.quantity}
            z = (one.plotted[one.in_baseline] - one.limits.centre) / one.limits.sigma
            series.append(pd.DataFrame({**about, "day": one.days[one.in_baseline], "z": z}))
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


FEWEST_CHECKS = 15  # checks in control below which they say nothing, [-]: common practice (ASTM D6299 [memory])
_BACK_DAYS = 365  # how far back they reach, [d]: our own choice, so that every season counts once
_Part = tuple[Chart, NDArray[np.bool_]]


@dataclass(frozen=True)
class ChecksInControl:
    """The checks of an instrument with one reference oil, for one quantity and temperature, before a moment: each lot
    about its own mean, and by its own certified value; a check is the mean of its fills."""

    instrument: str
    oil: str
    quantity: str
    temperature_C: float
    level: float  # certified value of the last lot, [unit of the quantity]
    number: int
    since: date
    fills: float  # determinations behind a check, [-]: their median
    sigma: float  # standard deviation of a check, [%] of a viscosity, [kg/m³] of a density; R' is 2.77 times as large
    degrees_of_freedom: float  # days less lots, [-]: checks of one day share what the day does, and count once
    bias: float  # mean distance from the certified values, [unit of sigma]

    @property
    def bias_uncertainty(self) -> float:
        """Standard uncertainty that an uncorrected bias leaves beside the certificate's, [unit of sigma]: root mean
        square of the bias and of what so few days say of it, by Nordtest TR 537 [memory]."""
        return math.hypot(self.bias, self.sigma / math.sqrt(self.degrees_of_freedom + 1.0))

    def words(self, unit: str) -> str:
        """Say which checks they are."""
        checks = f"{counted(self.number, 'check')} of {self.instrument} in control since {self.since}"
        return f"from {checks}, {self.oil}, {plain(self.level)} {unit}"


def checks_in_control(charts: Sequence[Chart], moment: pd.Timestamp, fills: float) -> tuple[ChecksInControl, ...]:
    """Return what an instrument's checks, each of some fills [-], say in the year before a moment; none of too few."""
    end = moment.tz_convert(None).to_datetime64()
    levels: dict[tuple[str, str, float], list[_Part]] = {}
    for one in charts:
        which = _in_control_at(one, end) & (one.moments < end)
        which &= one.moments >= end - np.timedelta64(_BACK_DAYS, "D")
        if which.any() and not math.isnan(one.certified):
            levels.setdefault((one.oil, one.quantity, one.temperature_C), []).append((one, which))
    return tuple(found for parts in levels.values() for found in _of_level(parts, fills))


def _in_control_at(chart: Chart, end: np.datetime64) -> NDArray[np.bool_]:
    """Tell which results didn't signal; by limits whose baseline wasn't complete then, none did."""
    last = chart.baseline_end
    if last is None or last.tz_convert(None).to_datetime64() < end:
        return chart.in_control
    found = chart.used.copy()
    found[[one.position for one in chart.signals if one.early]] = False
    return found


def _of_level(parts: Sequence[_Part], fills: float) -> Iterator[ChecksInControl]:
    lots: dict[str, list[NDArray[np.float64]]] = {}
    for one, which in parts:
        lots.setdefault(one.lot, []).append(one.plotted[which])
    results = [np.concatenate(some) for some in lots.values()]
    days = {(one.lot, day) for one, which in parts for day in one.measured_at[which].date}
    number, degrees = sum(some.size for some in results), len(days) - len(lots)
    squares = sum(float(np.sum((some - some.mean()) ** 2)) for some in results)
    if number < FEWEST_CHECKS or degrees < 1 or not squares > 0.0:
        return
    last = max((one for one, _ in parts), key=lambda one: one.moments[-1])
    about = last.instrument, last.oil, last.quantity, last.temperature_C, last.certified
    since = min(one.measured_at[which][0] for one, which in parts).date()
    sigma, bias = math.sqrt(squares / (number - len(lots))), float(np.concatenate(results).mean())
    yield ChecksInControl(*about, number, since, fills, sigma, float(degrees), bias)
