"""A liquid's viscosity falls with temperature: points that don't are refused before a curve goes through them."""

import numpy as np

from labcalc.errors import OutOfRangeError
from labcalc.formulae._refusals import Array

_NEIGHBOURS_K = 5.0
"""Distance of temperatures from which no noise of measurement makes the hotter liquid the thicker one, [K]."""


def refuse_rising(temperature_C: Array, viscosity: Array, unit: str = " mm²/s") -> None:
    """Refuse points whose viscosity doesn't fall with temperature, naming two of the first such curve.

    Noise may exchange neighbours: refused are points 5 K apart or more, and curves that rise as a whole.
    """
    t, nu = _by_temperature(temperature_C, viscosity)
    for curve in np.argwhere(((np.diff(nu, axis=-1) >= 0.0) & (np.diff(t, axis=-1) > 0.0)).any(axis=-1)):
        here = tuple(curve)
        cold, hot, of_cold, of_hot = _widest_rise(t[here], nu[here])
        known = np.isfinite(t[here] + nu[here])
        T, y = t[here][known], np.log(nu[here][known])
        if hot - cold >= _NEIGHBOURS_K or np.sum((T - T.mean()) * y) >= 0.0:
            what = f"viscosity of oil {', '.join(str(i + 1) for i in here)}" if here else "viscosity"
            told = f"not below {of_cold:.10g}{unit} at {cold:.10g} °C"
            reason = "a liquid's viscosity falls with temperature"
            raise OutOfRangeError(what, of_hot, f"{unit.strip()} at {hot:.10g} °C".strip(), told=told, reason=reason)


def _by_temperature(t: Array, nu: Array) -> tuple[Array, Array]:
    """Return temperatures in order and the viscosities at them; those at one temperature in falling order."""
    if t.ndim == 1 and len(np.unique(t)) == t.size:
        order = np.argsort(t)
        return np.broadcast_to(t[order], nu.shape), nu[..., order]
    T = np.broadcast_to(t, nu.shape)
    order = np.lexsort((-nu, T), axis=-1)
    return np.take_along_axis(T, order, axis=-1), np.take_along_axis(nu, order, axis=-1)


def _widest_rise(t: Array, nu: Array) -> tuple[float, float, float, float]:
    """Return the two temperatures farthest apart of which the hotter has no lower viscosity, and both viscosities."""
    apart = np.where(nu[None, :] >= nu[:, None], t[None, :] - t[:, None], -np.inf)
    cold, hot = np.unravel_index(np.nanargmax(apart), apart.shape)
    return float(t[cold]), float(t[hot]), float(nu[cold]), float(nu[hot])
