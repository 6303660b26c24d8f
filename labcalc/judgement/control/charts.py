"""Control charts: each instrument, reference oil, lot, quantity and temperature against its own baseline."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc import statistics
from labcalc.judgement.certificates import SAME_TEMPERATURE_K
from labcalc.lab import Decision
from labcalc.statistics import ChartLimits, EwmaChart, RunRule
from labcalc.statistics.charts.normality import NORMALITY_LIMIT
from labcalc.wording import at_celsius

FEWEST_TO_SCREEN = 8  # results of a baseline below which tests of it say next to nothing: our own choice


@dataclass(frozen=True)
class ChartSignal:
    """A result at which the chart signals; it stays a signal, whatever was decided about it."""

    position: int  # place of the result in the chart, counted from 0
    run: str
    measured_at: pd.Timestamp
    rules: tuple[RunRule, ...]  # run rules that are complete here
    ewma: bool  # the EWMA lies beyond its limits here
    in_baseline: bool
    early: bool  # by the self-starting chart, which stands in until the baseline is there
    decision: Decision | None  # the decision that accepts it, where there is one

    @property
    def what(self) -> str:
        """The patterns, as they are said at the bench."""
        others = (("EWMA beyond its limits", self.ewma), ("unlike the results before it", self.early))
        return "; ".join([*map(str, self.rules), *(words for words, is_so in others if is_so)])

    @property
    def is_open(self) -> bool:
        """Nobody has accepted it, and it is no result that only the baseline which it belongs to finds odd."""
        return self.decision is None and (self.early or not self.in_baseline)


@dataclass(frozen=True, eq=False)
class Chart:
    """One control chart: every result in the order of time, what the limits rest on, and the signals.

    ``plotted`` is what it shows: viscosity in percent from the certified value, density in kg/m³ from it, the result
    itself without one. An excluded result stays in its place, ``used`` False: limits, EWMA and rules pass over it.
    """

    instrument: str
    oil: str
    quantity: str
    temperature_C: float
    lot: str
    sample: str  # the oil as exports write it
    unit: str
    certified: float  # in the unit of the quantity; NaN where no certificate gives it
    certified_uncertainty: float  # expanded (k = 2), in the unit of the chart; NaN where unknown
    valid_to: date | None  # last day of the lot's certificate
    runs: tuple[str, ...]
    measured_at: pd.DatetimeIndex
    values: NDArray[np.float64]
    plotted: NDArray[np.float64]
    used: NDArray[np.bool_]
    in_baseline: NDArray[np.bool_]
    baseline: str  # the period or the results that set the limits, in words
    limits: ChartLimits | None
    no_limits: str  # why there are no limits
    ewma: EwmaChart | None  # over the results used; None without limits, or where the settings ask for none
    signals: tuple[ChartSignal, ...]
    decisions: tuple[tuple[int, Decision], ...]  # decisions about results of this chart, with the place of each
    instrument_decisions: tuple[Decision, ...]  # about it as a whole, as corrective actions, in the order of time
    before: Chart | None = None  # the chart of the same lot under the limits before; None where these are its first
    signed: Decision | None = None  # the decision that set the limits; None where nobody signed them
    next_signed: Decision | None = None  # the decision that sets the limits after these

    @property
    def name(self) -> str:
        """Quantity, temperature, oil and lot, without the instrument."""
        lot = f" lot {self.lot}" if self.lot else ""
        return f"{self.oil}{lot}, {at_celsius(self.quantity, self.temperature_C)}"

    @cached_property
    def moments(self) -> NDArray[np.datetime64]:
        """``measured_at`` in UTC, as NumPy searches it: in microseconds, whose sums and furthest days 64 bits hold."""
        return self.measured_at.tz_convert(None).as_unit("us").to_numpy()

    @cached_property
    def days(self) -> NDArray[np.datetime64]:
        """The day of each result; what comes after a corrective action is a day of its own."""
        days = self.measured_at.tz_localize(None).normalize().to_numpy().astype("datetime64[us]")
        actions = restarts(self.instrument_decisions, self.measured_at)
        after = np.searchsorted(actions, np.arange(days.size), side="right")
        return np.asarray(days + after.astype("timedelta64[us]"))

    @cached_property
    def rounding(self) -> float:
        """What coarse rounding may hide of the spread, [unit of the chart]: few of its results differ at all."""
        found, to_chart = statistics.resolution(self.values), 100.0 / self.certified if self.unit == "%" else 1.0
        return found.step * to_chart / math.sqrt(12.0) if found.coarse and math.isfinite(found.step) else 0.0

    @property
    def since(self) -> pd.Timestamp | None:
        """When signed limits came into force; None of others."""
        return comes_into_force(self.signed, self.measured_at) if self.signed is not None else None

    @property
    def until(self) -> pd.Timestamp | None:
        """When other limits take the place of these; None where nobody signed any."""
        return comes_into_force(self.next_signed, self.measured_at) if self.next_signed is not None else None

    @property
    def is_part(self) -> bool:
        """Tell whether the lot has other charts beside it, under other limits."""
        return self.before is not None or self.next_signed is not None

    def holds_at(self, moment: pd.Timestamp) -> bool:
        """Tell whether its limits are the last that are in force before a moment."""
        return self.until is None or self.until >= moment

    @property
    def limits_rest_on(self) -> str:
        """What the limits rest on, and who signed them, in words."""
        return f"{self.baseline}, not signed" if self.signed is None else self.baseline

    @cached_property
    def of_lot(self) -> tuple[Chart, ...]:
        """The charts of its lot up to this one, in the order of time: each under its own limits."""
        return (*(self.before.of_lot if self.before is not None else ()), self)

    @cached_property
    def in_control(self) -> NDArray[np.bool_]:
        """Tell which results are used and don't signal."""
        found = self.used.copy()
        found[[one.position for one in self.signals]] = False
        return found

    @cached_property
    def rests_on(self) -> tuple[tuple[Chart, NDArray[np.bool_]], ...]:
        """The charts, and which of their results, that the limits were set by."""
        if self.signed is None:
            return ((self, self.in_baseline),)
        month = pd.Timestamp(f"{self.signed.month}-01", tz=self.measured_at.tz)
        end = (month + pd.DateOffset(months=1)).tz_convert(None).to_datetime64()
        found, left = list[tuple[Chart, NDArray[np.bool_]]](), self.signed.results
        for part in self.of_lot[-2::-1]:
            held = part.in_control & (part.moments < end)
            which = held & (held[::-1].cumsum()[::-1] <= left)  # the last of them
            left -= int(which.sum())
            found.insert(0, (part, which))
        return tuple(found)

    @cached_property
    def baseline_end(self) -> pd.Timestamp | None:
        """When the last result of the baseline was measured; None without one."""
        return self.measured_at[self.in_baseline].max() if self.in_baseline.any() else None

    @property
    def moving_ranges(self) -> NDArray[np.float64]:
        """How far each used result lies from the used one before; NaN where there is none."""
        return self._in_place(statistics.moving_ranges(self.plotted[self.used]))

    @property
    def averages(self) -> NDArray[np.float64]:
        """The EWMA at each result, [unit of the chart]; NaN where a decision excludes it, or without limits."""
        return self._in_place(np.nan if self.ewma is None else self.ewma.values)

    def _in_place(self, of_used: NDArray[np.float64] | float) -> NDArray[np.float64]:
        found = np.full(self.used.size, np.nan)
        found[self.used] = of_used
        return found

    @property
    def screening(self) -> tuple[str, ...]:
        """What speaks against the baseline: coarse rounding, results that are not normal, neighbours that resemble each
        other, signals. Nothing is left out for it: a person decides."""
        found, as_written, plotted = [], self.values[self.in_baseline], self.plotted[self.in_baseline]
        if plotted.size >= FEWEST_TO_SCREEN and np.ptp(plotted) > 0.0:
            rounding = statistics.resolution(as_written)
            if rounding.coarse:
                of_spread = f"{rounding.ratio:.1f} of the standard deviation"
                found.append(f"rounded to {rounding.step:g}, {of_spread}: normality not tested")
            elif (normality := statistics.anderson_darling(plotted)).departs:
                statistic = f"A2* {normality.adjusted:.2f}, limit {NORMALITY_LIMIT:g} [memory]"
                found.append(f"not normal: Anderson-Darling {statistic}")
            if (neighbours := statistics.serial_dependence(plotted)).dependent:
                ratio = f"von Neumann ratio {neighbours.von_neumann:.2f}, limit {neighbours.lower_limit:.2f}"
                found.append(f"neighbours resemble each other: {ratio}")
        signals = [one for one in self.signals if one.in_baseline]
        days = ", ".join(dict.fromkeys(f"{one.measured_at:%Y-%m-%d}" for one in signals))
        return (*found, f"signals within it: {days}") if signals else tuple(found)

    def between(self, first: pd.Timestamp, last: pd.Timestamp) -> NDArray[np.bool_]:
        """Tell which results were measured from ``first`` on and before ``last``."""
        start, end = (moment.tz_convert(None).to_datetime64() for moment in (first, last))
        return (self.moments >= start) & (self.moments < end)


def comes_into_force(signed: Decision, moments: pd.DatetimeIndex) -> pd.Timestamp:
    """Return when signed limits come into force: as their day begins, but never before they were signed."""
    assert signed.in_force is not None
    return max(pd.Timestamp(signed.in_force, tz=moments.tz), pd.Timestamp(signed.when).tz_convert(moments.tz))


def concerns(decision: Decision, quantity: str, temperature_C: float) -> bool:
    """Tell whether a decision is about this quantity at this temperature: one that names none is about all."""
    away = 0.0 if np.isnan(decision.temperature_C) else abs(decision.temperature_C - temperature_C)
    return decision.quantity in ("", quantity) and away <= SAME_TEMPERATURE_K


def restarts(on_instrument: Sequence[Decision], moments: pd.DatetimeIndex) -> NDArray[np.intp]:
    """Return the places of the first results after each corrective action on an instrument."""
    actions = sorted(one.when for one in on_instrument if one.what == "corrective action")
    return np.array([moments.searchsorted(pd.Timestamp(one)) for one in actions], np.intp)
