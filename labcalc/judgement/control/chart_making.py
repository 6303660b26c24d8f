"""From reference-oil results to control charts: baselines, limits in force, signals."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.judgement.control.baseline import baseline_limits, baseline_results, pretreated, signed_limits
from labcalc.judgement.control.charts import Chart, ChartSignal, comes_into_force, concerns, restarts
from labcalc.lab import Decision, Laboratory, reference_of
from labcalc.statistics import ChartLimits, RunRule, early_signals, ewma_chart, run_rule_signals, self_starting

_GROUP = ["instrument", "oil", "quantity", "temperature_C"]  # the lots of one oil follow each other


def control_charts(
    comparisons: pd.DataFrame, laboratory: Laboratory, decisions: Sequence[Decision] = ()
) -> tuple[Chart, ...]:
    """Set up every control chart of the laboratory.

    Limits come from the baseline (phase I) and hold for all that follows (phase II). Nothing is left out of either on
    statistics alone: only a decision to exclude does that. A new lot with too few results of its own to settle takes
    over the spread of the lot before, where an F-test finds no difference.

    comparisons : Reference-oil results beside their certified values (``COMPARISON_COLUMNS``), in the order of time.
    decisions : What people decided; a decision holds for its result whenever it was written.
    """
    table = _independent(comparisons)
    if table.empty:
        return ()
    oils = {sample: reference_of(laboratory, sample) for sample in table["sample"].unique()}
    table = table.assign(
        oil=table["sample"].map({sample: sample if oil is None else oil.name for sample, oil in oils.items()}),
        lot=table["lot"].astype(object).where(table["lot"].notna(), ""),
    )
    of_runs = [one for one in decisions if one.run]
    of_instruments = sorted((one for one in decisions if not one.run), key=lambda one: one.when)
    charts: list[Chart] = []
    for _, series in table.groupby(_GROUP, sort=True):
        before: tuple[Chart, ...] = ()
        for _, rows in series.groupby("lot", sort=False):
            first = rows["measured_at"].iloc[0]
            old = next((one for one in reversed(before) if one.since is None or one.since <= first), None)
            before = tuple(_of_lot(rows, old, laboratory, of_runs, of_instruments))
            charts.extend(before)
    return tuple(charts)


def _of_lot(
    rows: pd.DataFrame,
    old: Chart | None,
    laboratory: Laboratory,
    of_runs: Sequence[Decision],
    of_instruments: Sequence[Decision],
) -> Iterator[Chart]:
    """Yield the charts of a lot: the first under the limits of its baseline, then one for each that was signed."""
    about, moments = rows.iloc[0], pd.DatetimeIndex(rows["measured_at"])
    signed = [one for one in of_instruments if one.what == "limits" and _is_of(one, about)]
    # of two from one moment on the later one holds
    begins = sorted({comes_into_force(one, moments): one for one in signed}.items())
    places = [0, *(int(moments.searchsorted(at)) for at, _ in begins), len(rows)]
    last: Chart | None = None
    for number, (first, end) in enumerate(pairwise(places)):
        if end > first:
            by, following = ([None, *(one for _, one in begins), None][number + side] for side in (0, 1))
            part = _chart(rows.iloc[first:end], old, laboratory, of_runs, of_instruments, last, by)
            last = replace(part, next_signed=following)
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
    rows: pd.DataFrame,
    of_old_lot: Chart | None,
    laboratory: Laboratory,
    of_runs: Sequence[Decision],
    of_instruments: Sequence[Decision],
    before: Chart | None,
    signed: Decision | None,
) -> Chart:
    control = laboratory.control
    about = {name: rows[name].iloc[0] for name in (*_GROUP, "lot", "sample")}
    what = about["quantity"], about["temperature_C"]
    runs = tuple(map(str, rows["run"].to_numpy(object)))
    given = rows["certified"].to_numpy(float)
    certified = float(given[np.isfinite(given)][0]) if np.isfinite(given).any() else np.nan
    values = rows["value"].to_numpy(float)
    plotted, unit, certified_uncertainty, valid_to = pretreated(about, values, certified, laboratory)
    of_run = {run: place for place, run in enumerate(runs if of_runs else ())}
    about_it = [(of_run[one.run], one) for one in of_runs if one.run in of_run and concerns(one, *what)]
    decided = tuple(sorted(about_it, key=lambda pair: pair[0]))
    used = np.ones(len(runs), dtype=bool)
    used[[place for place, one in decided if one.what == "exclude"]] = False
    measured_at = pd.DatetimeIndex(rows["measured_at"])
    old = of_old_lot.limits if of_old_lot is not None and of_old_lot.unit == unit else None
    mine = (one for one in of_instruments if one.instrument.casefold() == about["instrument"].casefold())
    on_instrument = tuple(one for one in mine if one.what != "limits" and concerns(one, *what))
    limits: ChartLimits | None
    if signed is None:
        in_baseline, words = baseline_results(measured_at, used, about["lot"], about["instrument"], control)
        limits, no_limits = baseline_limits(plotted[in_baseline], values[in_baseline], old, control)
    else:
        in_baseline, no_limits, limits = np.zeros(used.size, bool), "", signed_limits(signed, control)
        words = f"to {signed.month}, signed by {signed.who} on {signed.when:%Y-%m-%d}, in force from {signed.in_force}"
    ewma, weight, multiple = None, control.ewma_weight, control.ewma_multiple
    if limits is not None and weight > 0.0:  # after a corrective action it starts anew: what was before tells nothing
        starts = restarts(on_instrument, measured_at[used])
        ewma = ewma_chart(plotted[used], limits, weight=weight, multiple=multiple, starts=starts)
    chart = Chart(
        **about,
        unit=unit,
        certified=certified,
        certified_uncertainty=certified_uncertainty,
        valid_to=valid_to,
        runs=runs,
        measured_at=measured_at,
        values=values,
        plotted=plotted,
        used=used,
        in_baseline=in_baseline,
        baseline=words,
        limits=limits,
        no_limits=no_limits,
        ewma=ewma,
        signals=(),
        decisions=decided,
        instrument_decisions=on_instrument,
        before=before,
        signed=signed,
    )
    return replace(chart, signals=_signals(chart, control.rules, old))


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
