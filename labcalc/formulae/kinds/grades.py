"""Viscosity grade of an industrial liquid lubricant."""

from functools import cache
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.formulae._refusals import DUST, Array, refuse_outside
from labcalc.formulae.kinds.classification import grade_table

EDITION = "ISO 3448:1992"


def viscosity_grade(kv_40: ArrayLike) -> NDArray[np.str_]:
    """Return the viscosity grade in words; between two grades lies none.

    kv_40 : Kinematic viscosity at 40 °C, [mm²/s], more than zero; the limits belong to the grade.
    Returns : Such as ``VG 46``, ``between VG 32 and VG 46``, ``below VG 2``, ``above VG 3200``, [-]; empty where the
        input is NaN.
    Source : ISO 3448:1992, table 1.

    >>> [str(grade) for grade in viscosity_grade([46.0, 38.0])]
    ['VG 46', 'between VG 32 and VG 46']
    """
    reason = "a viscosity is more than zero"
    viscosity = refuse_outside(kv_40, "kinematic viscosity at 40 °C", "mm²/s", above=0.0, reason=reason)
    lowest, highest, names, gaps = _zones()
    reached = np.searchsorted(lowest, viscosity, side="right")  # grades whose lower limit is reached; NaN sorts last
    inside = (reached > 0) & (viscosity <= highest[reached - 1])
    words = np.where(inside, names[reached - 1], gaps[reached])
    return np.asarray(np.where(np.isnan(viscosity), "", words))[()]


@cache
def _zones() -> tuple[Array, Array, NDArray[np.str_], NDArray[np.str_]]:
    """Return limits and names of the grades, and the names of the gaps below, between and above them."""
    grades = grade_table("ISO 3448").grades
    names = np.array([grade.name for grade in grades])
    lowest, highest = np.array([(one.lowest, one.highest) for grade in grades for one in grade.limits.values()]).T
    between = [f"between {low} and {high}" for low, high in pairwise(names)]
    gaps = np.array([f"below {names[0]}", *between, f"above {names[-1]}"])
    return lowest * (1.0 - DUST), highest * (1.0 + DUST), names, gaps
