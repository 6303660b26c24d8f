"""Uncertainties as they are stated, levels of probability, and the band that comes of them."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from labcalc.formulae._refusals import Array, refuse_outside


@dataclass(frozen=True, eq=False)
class ViscosityBand:
    """A line and the interval about it, at the temperatures that were asked for."""

    lowest: Array  # lower end, [mm²/s]
    line: Array  # the line, [mm²/s]
    highest: Array  # upper end, [mm²/s]


def stated_percent(uncertainty_percent: ArrayLike, viscosity: Array) -> Array:
    """Return stated uncertainties in the shape of the points, or of one curve that all share; refuse what is none."""
    percent = refuse_outside(
        uncertainty_percent, "standard uncertainty", "%", above=0.0, reason="nothing is known without uncertainty"
    )
    return np.broadcast_to(percent, viscosity.shape if percent.ndim > 1 else viscosity.shape[-1:])


def two_sided_quantile(level: float, degrees_of_freedom: float) -> float:
    """Return the coverage factor of a level: Student's t, or the normal one for infinite degrees of freedom."""
    from scipy.special import ndtri, stdtrit

    upper = 0.5 * (1.0 + level)
    return float(ndtri(upper) if np.isinf(degrees_of_freedom) else stdtrit(degrees_of_freedom, upper))


def refuse_level(level: float) -> None:
    """Refuse what is no probability between 0 and 1, such as a level in percent."""
    reason = "it is a probability"
    refuse_outside(np.asarray(level), "level", "[-]", above=0.0, below=1.0, meant=(0.01, "%"), reason=reason)
