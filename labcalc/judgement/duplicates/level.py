"""Does the scatter of repeats grow with the level? By quantity, over all classes and temperatures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.judgement.certificates import UNITS
from labcalc.judgement.duplicates.pairing import CONDITIONS
from labcalc.judgement.duplicates.sets import SHOWN_UNITS, shown_values
from labcalc.statistics import (
    LEAST_PAIRS_FOR_A_POWER_LAW,
    AgreementLimits,
    LevelDependence,
    OrderEffect,
    PowerLaw,
    agreement_limits,
    fit_power_law,
    level_dependence,
    order_effect,
)

_FEWEST = 5
"""Pairs below which nothing is said about levels, [-]: our own choice."""

_LEAST_SPAN = 2.0
"""Highest over lowest level below which no power is looked for, [-]: our own choice."""


@dataclass(frozen=True)
class LevelStudy:
    """First and second results of a quantity under repeatability conditions, over every level measured."""

    quantity: str
    unit: str
    """Of the level."""
    shown_unit: str
    """Of the differences: ``%`` (by logarithms) or the unit of the level."""
    lowest: float
    highest: float
    order: OrderEffect
    """First minus second, in the shown unit; the temperatures of a run, which share its fills, taken together."""
    agreement: AgreementLimits
    """In the shown unit."""
    dependence: LevelDependence
    """Of the differences in the unit of the level."""
    power_law: PowerLaw | None
    why_no_power_law: str = ""

    @property
    def sentence(self) -> str:
        """What the pairs say about the level, with its numbers."""
        tests = (
            f"rank correlation of |d| with the level {self.dependence.rank_correlation:+.2f} "
            f"({_p(self.dependence.rank_p_value)}), Breusch-Pagan {_p(self.dependence.multiplier_p_value)}"
        )
        if self.power_law is None:
            return f"{tests}; no power law: {self.why_no_power_law}"
        low, high = self.power_law.exponent_interval
        power = f"s grows as the level to the power {self.power_law.exponent:.2f} ({low:.2f} to {high:.2f})"
        return f"{tests}; {power}: {self._reading}"

    @property
    def _reading(self) -> str:
        assert self.power_law is not None
        low, high = self.power_law.exponent_interval
        constant, proportional = low <= 0.0 <= high, low <= 1.0 <= high
        if constant and proportional:
            return "too few levels to tell a constant scatter from one in proportion"
        if constant:
            return "the scatter is the same at every level"
        return "the scatter is in proportion to the level" if proportional else "neither constant nor in proportion"


def _p(value: float) -> str:
    return "p below 0.0001" if value < 1e-4 else f"p {value:.2g}"


def study_levels(results: pd.DataFrame, sets: pd.DataFrame) -> tuple[LevelStudy, ...]:
    """Study each quantity's pairs of first and second results under repeatability conditions.

    Parameters
    ----------
    results, sets : pandas.DataFrame
        ``RESULT_COLUMNS`` and ``SET_COLUMNS`` of the same sets.

    Returns
    -------
    tuple of LevelStudy
        Quantities with five pairs and more, viscosity before density.
    """
    alike = sets.index[sets["condition"] == CONDITIONS[1]]
    rows = results[results["set"].isin(alike)]
    rows = rows.assign(
        shown=shown_values(rows), place=rows.groupby("set").cumcount(), runs=rows["set"].map(sets["runs"])
    )
    return tuple(
        _study(quantity, rows[rows["quantity"] == quantity])
        for quantity in SHOWN_UNITS
        if ((rows["quantity"] == quantity) & (rows["place"] == 1)).sum() >= _FEWEST
    )


def _study(quantity: str, rows: pd.DataFrame) -> LevelStudy:
    first, second = (rows[rows["place"] == place] for place in (0, 1))
    one, other = first["value"].to_numpy(float), second["value"].to_numpy(float)
    level = (one + other) / 2.0
    law, why_not = _power_law(one, other, float(level.max() / level.min()))
    return LevelStudy(
        quantity=quantity,
        unit=UNITS[quantity],
        shown_unit=SHOWN_UNITS[quantity],
        lowest=float(level.min()),
        highest=float(level.max()),
        order=_order_of_fills(first, second),
        agreement=agreement_limits(first["shown"], second["shown"]),
        dependence=level_dependence(one, other),
        power_law=law,
        why_no_power_law=why_not,
    )


def _power_law(one: NDArray[np.float64], other: NDArray[np.float64], span: float) -> tuple[PowerLaw | None, str]:
    """Return the power law, or None with the reason why there is none."""
    if one.size < LEAST_PAIRS_FOR_A_POWER_LAW:
        return None, f"{one.size} pairs, and {LEAST_PAIRS_FOR_A_POWER_LAW} are needed"
    if span < _LEAST_SPAN:
        return None, f"the highest level is {span:.2g} times the lowest, and {_LEAST_SPAN:g} times are needed"
    try:
        return fit_power_law(one, other), ""
    except ValueError as refusal:
        return None, str(refusal)


def _order_of_fills(first: pd.DataFrame, second: pd.DataFrame) -> OrderEffect:
    """Test first against second, one difference for the results that were measured together."""
    differences = pd.Series(first["shown"].to_numpy() - second["shown"].to_numpy())
    means = differences.groupby([first["runs"].to_numpy(), first["sample"].to_numpy()], sort=False).mean()
    return order_effect(means, np.zeros(len(means))) if len(means) > 1 else order_effect(differences, 0.0 * differences)
