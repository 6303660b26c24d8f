"""How a formula refuses what lies outside its range, or outside what a fitted curve may be asked for."""

import sys
import warnings

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.errors import ExtrapolationWarning, OutOfRangeError

Array = NDArray[np.float64]

DUST = 1e-9  # share of a limit below which a difference is dust of binary arithmetic: 2.1e-6 × 1e6 is not quite 2.1


def refuse_outside(
    values: ArrayLike,
    quantity: str,
    unit: str,
    *,
    lowest: float | None = None,
    highest: float | None = None,
    above: float | None = None,
    below: float | None = None,
    meant: tuple[float, str] | None = None,
    reason: str,
) -> Array:
    """Return the values as an array; raise OutOfRangeError for the first outside, as infinity always is. NaN passes.

    ``lowest`` and ``highest`` belong to the range, ``above`` and ``below`` don't. ``meant`` is the factor from another
    unit: a value that it brings into the range is told to be in that unit, maybe.
    """
    values = np.asarray(values, dtype=float)
    outside = np.isinf(values)
    if above is not None:
        outside |= values <= above
    if below is not None:
        outside |= values >= below
    if lowest is not None:
        outside |= values < lowest - DUST * abs(lowest)
    if highest is not None:
        outside |= values > highest + DUST * abs(highest)
    if outside.any():
        first = float(values[outside][0]) if values.ndim else float(values)
        if meant and (lowest or 0.0) <= first * meant[0] <= (np.inf if highest is None else highest):
            reason += f"; was it in {meant[1]}? That is {first * meant[0]:.6g}{'' if unit == '[-]' else f' {unit}'}"
        raise OutOfRangeError(
            quantity, first, unit, lowest=lowest, highest=highest, above=above, below=below, reason=reason
        )
    return values


def refuse_not_above(values: Array, others: Array, quantity: str, unit: str, reason: str) -> None:
    """Raise OutOfRangeError for the first value that isn't above its other: two inputs may be exchanged."""
    values, others = np.broadcast_arrays(values, others)
    exchanged = values <= others
    if exchanged.any():
        first, other = (float(array[exchanged][0]) for array in (values, others))
        raise OutOfRangeError(quantity, first, unit, above=other, reason=reason)


def positive(values: ArrayLike, quantity: str, unit: str) -> Array:
    """Return the values as an array; refuse zero and less."""
    return refuse_outside(values, quantity, unit, above=0.0, reason=f"a {quantity} is more than zero")


def liquid_density(values: ArrayLike, quantity: str = "density") -> Array:
    """Return densities in kg/m³ as an array; refuse what no liquid has, such as a density in g/cm³."""
    reason = "no liquid has such a density"
    limits = {"lowest": 10.0, "highest": 3000.0}  # the example of API MPMS 11.1, 11.1.5.1, and heavy halocarbons
    return refuse_outside(values, quantity, "kg/m³", **limits, meant=(1000.0, "g/cm³"), reason=reason)


def liquid_relative_density(values: ArrayLike) -> Array:
    """Return relative densities 60/60 °F as an array; refuse what no liquid has, such as a density in kg/m³."""
    limits = {"lowest": 0.01, "highest": 3.01}
    reason = "no liquid has such a relative density"
    return refuse_outside(values, "relative density 60/60 °F", "[-]", **limits, meant=(0.001, "kg/m³"), reason=reason)


def warn_caller(told: str, category: type[Warning]) -> None:
    """Warn at the line outside the formulae that asked."""
    depth = 1
    while sys._getframe(depth).f_globals["__name__"].startswith("labcalc.formulae"):
        depth += 1
    warnings.warn(told, category, stacklevel=depth + 1)


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
