"""What an instrument's checks in control say of its results: site precision and bias by level, over a year back."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.judgement.control.charts import Chart
from labcalc.wording import counted, plain

FEWEST_CHECKS = 15  # checks in control below which they say nothing, [-]: common practice (ASTM D6299 [memory])
_BACK_DAYS = 365  # how far back they reach, [d]: our own choice, so that every season counts once
_Part = tuple[Chart, NDArray[np.bool_]]


@dataclass(frozen=True)
class ChecksInControl:
    """The checks of an instrument with one reference oil, for one quantity and temperature, before a moment.

    Each lot counts about its own mean, and by its own certified value; a check is the mean of its fills.
    """

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
        """Standard uncertainty that an uncorrected bias leaves, [unit of sigma]; the certificate's own comes beside it.

        Root mean square of the bias and of what so few days say of it: Nordtest TR 537 [memory].
        """
        return math.hypot(self.bias, self.sigma / math.sqrt(self.degrees_of_freedom + 1.0))

    def words(self, unit: str) -> str:
        """Say which checks they are."""
        checks = f"{counted(self.number, 'check')} of {self.instrument} in control since {self.since}"
        return f"from {checks}, {self.oil}, {plain(self.level)} {unit}"


def checks_in_control(charts: Sequence[Chart], moment: pd.Timestamp, fills: float) -> tuple[ChecksInControl, ...]:
    """Return what the checks of an instrument in the year before a moment say, where there are enough.

    fills : Determinations behind a check, [-].
    """
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
