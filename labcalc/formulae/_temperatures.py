"""Absolute temperature, and the interval that a fitted curve may be asked for."""

import numpy as np

from labcalc.errors import ExtrapolationWarning, OutOfRangeError
from labcalc.formulae._refusals import Array, refuse_outside, warn_caller

ZERO_C = 273.15  # 0 °C, [K]


def kelvin(temperature_C: Array) -> Array:
    """Return a temperature in kelvin."""
    reason = "nothing is colder than absolute zero"
    return refuse_outside(temperature_C + ZERO_C, "absolute temperature", "K", above=0.0, reason=reason)


def keep_inside(temperature: Array, lowest: Array, highest: Array, extrapolate: bool) -> None:
    """Refuse the first temperature in °C outside the measured ones, or warn of it if extrapolation was asked for."""
    temperature, low, high = np.broadcast_arrays(temperature, lowest, highest)
    outside = (temperature < low) | (temperature > high)
    if not outside.any():
        return
    first, coldest, warmest = (float(values[outside].flat[0]) for values in (temperature, low, high))
    if not extrapolate:
        reason = "outside the measured temperatures; ask for extrapolation to go beyond them"
        raise OutOfRangeError("temperature", first, "°C", lowest=coldest, highest=warmest, reason=reason)
    told = f"{first:.10g} °C is outside the measured {coldest:.10g} °C to {warmest:.10g} °C: extrapolated"
    warn_caller(told, ExtrapolationWarning)
