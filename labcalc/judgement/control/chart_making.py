"""From reference-oil results to control charts: what is plotted, baselines, limits in force, signals."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc import statistics
from labcalc.judgement.certificates import UNITS, certified_by
from labcalc.judgement.control.charts import Chart, ChartSignal, comes_into_force, concerns, restarts
from labcalc.lab import ControlChoices, Decision, Laboratory, reference_of
from labcalc.statistics import ChartLimits, RunRule, early_signals, ewma_chart, run_rule_signals, self_starting
from labcalc.wording import counted

_GROUP = ["instrument", "oil", "quantity", "temperature_C"]  # the lots of one oil follow each other


def control_charts(
    comparisons: pd.DataFrame, laboratory: Laboratory, decisions: Sequence[Decision] = ()
) -> tuple[Chart, ...]:
    """Set up every control chart of the laboratory.

    Limits come from the baseline (phase I) and hold for all that follows (phase II). Nothing is left out of either on
    statistics alone: only a decision to exclude does that, whenever it was written. A new lot with too few results of
    its own to settle takes over the spread of the lot before, where an F-test finds no difference.

    comparisons : Reference-oil results beside their certified values (``COMPARISON_COLUMNS``), in the order of time.
    """
    table = _independent(comparisons)
    if table.empty:
        return ()
    oils = {sample: reference_of(laboratory, sample) for sample in table["sample"].unique()}
    names = table["sample"].map({sample: sample if oil is None else oil.name for sample, oil in oils.items()})
    table = table.assign(oil=names, lot=table["lot"].astype(object).where(table["lot"].notna(), ""))
    of_instruments = sorted((one for one in decisions if not one.run), key=lambda one: one.when)
    decisions, charts = [*(one for one in decisions if one.run), *of_instruments], list[Chart]()
    for _, series in table.groupby(_GROUP, sort=True):
        before: tuple[Chart, ...] = ()
        for _, rows in series.groupby("lot", sort=False):
            first = rows["measured_at"].iloc[0]
            old = next((one for one in reversed(before) if one.since is None or one.since <= first), None)
            before = tuple(_of_lot(rows, old, laboratory, decisions))
            charts.extend(before)
    return tuple(charts)


def _of_lot(
    rows: pd.DataFrame, old: Chart | None, laboratory: Laboratory, decisions: Sequence[Decision]
) -> Iterator[Chart]:
    """Yield the charts of a lot: the first under the limits of its baseline, then one for each that was signed."""
    about, moments = rows.iloc[0], pd.DatetimeIndex(rows["measured_at"])
    signed = [one for one in decisions if not one.run and one.what == "limits" and _is_of(one, about)]
    # of two from one moment on the later one holds
    begins = sorted({comes_into_force(one, moments): one for one in signed}.items())
    places = [0, *(int(moments.searchsorted(at)) for at, _ in begins), len(rows)]
    signing, last = [None, *(one for _, one in begins), None], None
    for (first, end), (by, following) in zip(pairwise(places), pairwise(signing), strict=True):
        if end > first:
            part = _chart(rows.iloc[first:end], old, laboratory, decisions, by)
            last = replace(part, before=last, next_signed=following)
            yield last


def _is_of(signed: Decision, about: pd.Series) -> bool:
    """Tell whether signed limits are of the chart of some results."""
    pairs = ((getattr(signed, name), about[name]) for name in ("instrument", "oil", "lot", "quantity"))
    same = all(str(one).casefold() == str(other).casefold() for one, other in pairs)
    return same and concerns(signed, about["quantity"], about["temperature_C"])


def _independent(comparisons: pd.DataFrame) -> pd.DataFrame:
    """Leave out dynamic viscosity where the kinematic one of the same run is there: one follows from the other."""
    places = pd.MultiIndex.from_frame(comparisons[["run", "temperature_C"]])
    kinematic = places[(comparisons["quantity"] == "kinematic viscosity").to_numpy()]
    follows = (comparisons["quantity"] == "dynamic viscosity").to_numpy() & places.isin(kinematic)
    return comparisons[~follows]


def _chart(
    rows: pd.DataFrame, old: Chart | None, laboratory: Laboratory, decisions: Sequence[Decision], by: Decision | None
) -> Chart:
    control, about = laboratory.control, {name: rows[name].iloc[0] for name in (*_GROUP, "lot", "sample")}
    what = about["quantity"], about["temperature_C"]
    runs = tuple(map(str, rows["run"].to_numpy(object)))
    given = rows["certified"].to_numpy(float)
    certified = float(given[np.isfinite(given)][0]) if np.isfinite(given).any() else np.nan
    values = rows["value"].to_numpy(float)
    plotted, unit, uncertainty, valid_to = _pretreated(about, values, certified, laboratory)
    of_run = {run: place for place, run in enumerate(runs if decisions else ())}
    about_it = [(of_run[one.run], one) for one in decisions if one.run in of_run and concerns(one, *what)]
    decided = tuple(sorted(about_it, key=lambda pair: pair[0]))
    used, at = np.ones(len(runs), dtype=bool), pd.DatetimeIndex(rows["measured_at"])
    used[[place for place, one in decided if one.what == "exclude"]] = False
    of_old = old.limits if old is not None and old.unit == unit else None
    mine = (one for one in decisions if not one.run and one.instrument.casefold() == about["instrument"].casefold())
    on_instrument = tuple(one for one in mine if one.what != "limits" and concerns(one, *what))
    limits: ChartLimits | None
    if by is None:
        in_baseline, words = _baseline_results(at, used, about["lot"], about["instrument"], control)
        limits, no_limits = baseline_limits(plotted[in_baseline], values[in_baseline], of_old, control)
    else:
        in_baseline, no_limits, limits = np.zeros(used.size, bool), "", _signed_limits(by, control)
        words = f"to {by.month}, signed by {by.who} on {by.when:%Y-%m-%d}, in force from {by.in_force}"
    ewma, weight, multiple = None, control.ewma_weight, control.ewma_multiple
    if limits is not None and weight > 0.0:  # after a corrective action it starts anew: what was before tells nothing
        starts = restarts(on_instrument, at[used])
        ewma = ewma_chart(plotted[used], limits, weight=weight, multiple=multiple, starts=starts)
    named = about["instrument"], about["oil"], *what, about["lot"], about["sample"]
    certificate, basis = (unit, certified, uncertainty, valid_to), (in_baseline, words, limits, no_limits)
    chart = Chart(*named, *certificate, runs, at, values, plotted, used, *basis, ewma, (), decided, on_instrument)
    return replace(chart, signed=by, signals=_signals(chart, control.rules, of_old))


def _signals(chart: Chart, rules: tuple[RunRule, ...], old: ChartLimits | None) -> tuple[ChartSignal, ...]:
    used, limits = chart.plotted[chart.used], chart.limits
    early = _early(chart, used, old)
    beyond, complete = np.zeros(used.size, dtype=bool), {}
    if limits is not None:
        beyond |= chart.ewma.beyond if chart.ewma is not None else False
        complete = {one.index: one.rules for one in run_rule_signals(limits.standardised(used), rules).found}
    accepted = {place: one for place, one in chart.decisions if one.what == "accept"}
    places = np.flatnonzero(chart.used)
    found = []
    for index in sorted({*complete, *np.flatnonzero(beyond | early).tolist()}):
        place, rules = int(places[index]), complete.get(index, ())
        told = rules, bool(beyond[index]), bool(chart.in_baseline[place]), bool(early[index])
        found.append(ChartSignal(place, chart.runs[place], chart.measured_at[place], *told, accepted.get(place)))
    return tuple(found)


def _early(chart: Chart, used: NDArray[np.float64], old: ChartLimits | None) -> NDArray[np.bool_]:
    """Tell which results of the baseline, or of a chart without limits, are unlike those before them."""
    sigma, degrees = (old.sigma, old.tail_degrees_of_freedom) if old is not None else (0.0, 0.0)
    first = chart.in_baseline[chart.used] if chart.limits is not None else np.ones(used.size, dtype=bool)
    found, number = np.zeros(used.size, dtype=bool), int(first.sum())
    if first[:1].any():  # else signed, or a baseline of later days that judges what came before it too
        found[:number] = early_signals(self_starting(used[:number], sigma, degrees))
    return found


def _pretreated(
    about: Mapping[str, Any], values: NDArray[np.float64], certified: float, laboratory: Laboratory
) -> tuple[NDArray[np.float64], str, float, date | None]:
    """Return what is plotted, its unit, the certificate's expanded uncertainty (k = 2) in it, and its last day."""
    material, quantity = reference_of(laboratory, about["sample"]), about["quantity"]
    name, lots = about["lot"].strip().casefold(), material.lots if material else ()
    lot = next((one for one in lots if one.lot.casefold() == name), None)
    valid_to = lot.valid_to if lot else None
    _, uncertainty = certified_by(lot, quantity, about["temperature_C"])
    if np.isnan(certified):
        return values, UNITS[quantity], uncertainty, valid_to
    if quantity == "density":
        return values - certified, "kg/m³", uncertainty, valid_to
    return 100.0 * (values / certified - 1.0), "%", 100.0 * uncertainty / certified, valid_to


def _baseline_results(
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


def _signed_limits(signed: Decision, control: ControlChoices) -> ChartLimits:
    """Return the limits that somebody signed, by the numbers of the decision: nothing later moves them."""
    spread = "moving range" if signed.sigma_from == "moving range" else "standard deviation"
    return statistics.stated_limits(signed.centre, signed.sigma, signed.results, **_chosen(spread, control))


def _chosen(spread: str, control: ControlChoices) -> dict[str, Any]:
    choices = {"constants": control.constants, "settled_at": control.settled_results}
    return {"sigma_from": spread, "as_known": control.limits == "three sigma", **choices}
