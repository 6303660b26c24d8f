"""What a control chart plots, which results set its limits, what limits they give, and what speaks against them."""

from collections.abc import Mapping
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc import statistics
from labcalc.judgement.certificates import UNITS, certified_by
from labcalc.lab import ControlChoices, Decision, Laboratory, reference_of
from labcalc.statistics import ChartLimits
from labcalc.statistics.charts.normality import NORMALITY_LIMIT
from labcalc.wording import counted


def pretreated(
    about: Mapping[str, Any], values: NDArray[np.float64], certified: float, laboratory: Laboratory
) -> tuple[NDArray[np.float64], str, float, date | None]:
    """Return what is plotted, its unit, the certificate's expanded uncertainty (k = 2) in it, and its last day."""
    material, quantity = reference_of(laboratory, about["sample"]), about["quantity"]
    lots = () if material is None else material.lots
    lot = next((one for one in lots if one.lot.casefold() == about["lot"].strip().casefold()), None)
    valid_to = None if lot is None else lot.valid_to
    _, uncertainty = certified_by(lot, quantity, about["temperature_C"])
    if np.isnan(certified):
        return values, UNITS[quantity], uncertainty, valid_to
    if quantity == "density":
        return values - certified, "kg/m³", uncertainty, valid_to
    return 100.0 * (values / certified - 1.0), "%", 100.0 * uncertainty / certified, valid_to


_FEWEST_TO_SCREEN = 8  # results below which a test of normality or of dependence says next to nothing


def baseline_results(
    measured_at: pd.DatetimeIndex, used: NDArray[np.bool_], lot: str, instrument: str, control: ControlChoices
) -> tuple[NDArray[np.bool_], str]:
    """Return which results set the limits, and the period in words."""
    days = measured_at.tz_localize(None).to_numpy().astype("datetime64[D]")
    for one in control.baselines:
        inside = used & (days >= np.datetime64(one.first_day)) & (days <= np.datetime64(one.last_day))
        pairs = ((one.lot, lot), (one.instrument, instrument))
        if all(not asked or asked.casefold() == given.casefold() for asked, given in pairs) and inside.any():
            return inside, f"{one.first_day} to {one.last_day}"
    first = used & (np.cumsum(used) <= control.baseline_results)
    return first, f"the first {control.baseline_results} results of the lot"


def baseline_limits(
    baseline: NDArray[np.float64], as_written: NDArray[np.float64], old: ChartLimits | None, control: ControlChoices
) -> tuple[ChartLimits | None, str]:
    """Return the limits, or why there are none."""
    if baseline.size < control.fewest_results:
        return None, f"{counted(baseline.size, 'result')} in the baseline; limits need {control.fewest_results}"
    settled_at = control.settled_results
    try:
        if old is not None and baseline.size < settled_at:
            return statistics.lot_change(baseline, old, settled_at=settled_at), ""
        # Where the exports round coarsely, neighbours are often equal: the moving range is then too small.
        spread = "standard deviation" if statistics.resolution(as_written).coarse else "moving range"
        return statistics.individuals_limits(baseline, **_chosen(spread, control)), ""
    except ValueError as refusal:
        return None, str(refusal)


def signed_limits(signed: Decision, control: ControlChoices) -> ChartLimits:
    """Return the limits that somebody signed, by the numbers of the decision: nothing later moves them."""
    spread = "moving range" if signed.sigma_from == "moving range" else "standard deviation"
    return statistics.stated_limits(signed.centre, signed.sigma, signed.results, **_chosen(spread, control))


def _chosen(spread: str, control: ControlChoices) -> dict[str, Any]:
    """Return how limits are made: from which spread, and by the laboratory's choices."""
    choices = {"constants": control.constants, "settled_at": control.settled_results}
    return {"sigma_from": spread, "as_known": control.limits == "three sigma", **choices}


def screen_baseline(as_written: NDArray[np.float64], plotted: NDArray[np.float64]) -> tuple[str, ...]:
    """Say what speaks against a baseline: coarse rounding, a distribution that is not normal, resembling neighbours.

    Nothing is left out for it: a person decides.
    """
    if plotted.size < _FEWEST_TO_SCREEN or not np.ptp(plotted) > 0.0:
        return ()
    found = []
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
    return tuple(found)
