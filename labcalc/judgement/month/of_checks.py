"""What a month says of single checks: beyond a limit, by chance, by carry-over, or another bottle."""

import math
from collections.abc import Iterator, Sequence
from itertools import groupby

import pandas as pd
from scipy.special import ndtr, pdtrc

from labcalc.judgement.certificates import UNITS
from labcalc.judgement.checks import IMPORTANT, URGENT, Action, shortened
from labcalc.judgement.control.charts import Chart
from labcalc.judgement.month.checks import Checks
from labcalc.judgement.month.of_oils import OF_CHECKS, apart_of_moved
from labcalc.wording import at_celsius, counted, numeral, signed

_RINSE = (
    "Rinse again before a reference oil, or run it after one as thick; don't adjust for it, and don't blame the oil. "
    "Samples that run after a sample as different are moved as far."
)
_OTHER_OIL = 5.0  # limits by which two oils lie apart before one can be taken for the other, [-]: our own choice


def single_results(checks: Checks) -> Iterator[Action]:
    """Ask for the oils again whose last result signals, where nothing that moved explains it."""
    for instrument, group in groupby(apart_of_moved(checks), key=lambda one: one.chart.instrument):
        last = [one for one in group if one.last_signals]
        if last:
            named, details = shortened([f"{one.chart.name} ({one.status.signals[-1].what})" for one in last])
            oils = ", ".join(dict.fromkeys(one.chart.oil for one in last))
            told = f"the last result signals on {counted(len(last), 'chart')}, alone: {named}"
            to_do = f"Repeat {oils}, fresh from the bottle."
            facts = {"instrument": instrument, "oil": oils}
            yield Action(f"{instrument}, single results", told, to_do, facts=facts, details=details)


def single_checks(checks: Checks) -> Iterator[Action]:
    """Name the checks beyond the limit of the certificate that nothing that moved explains, nor carry-over."""
    known, open_ones = (one.dropna(subset=["certified"]) for one in (checks.comparisons, checks.unexplained))
    beyond = open_ones[_is_beyond(open_ones, 0.0, open_ones["limit"])]
    by_carry_over = _by_carry_over(beyond)
    for instrument, rows in beyond[~by_carry_over].groupby("instrument", sort=True):
        mine = known[known["instrument"] == instrument]
        in_limits = (rows["value"] - rows["certified"]).abs() / rows["limit"]
        farthest = in_limits.sort_values(ascending=False, kind="stable")
        named, details = _named([(rows.loc[at], _reads_as(rows.loc[at], known)) for at in farthest.index])
        expected, is_chance = _by_chance(rows, beyond[beyond["instrument"] == instrument], mine, checks)
        told = f"{_of_checks(rows, mine)} lay outside their limit: {named}"
        to_do = "See which results were released between the check before and the check after, and decide about each; "
        to_do += "write the decision down."
        if is_chance:
            told += f"; no more than chance brings, {numeral(expected)} results on average"
            to_do = "Run the oil again; if it lies outside again, decide about the results since the check before."
        worst, runs = rows.loc[farthest.index[0]], rows["run"].loc[farthest.index].unique()
        facts = {"instrument": instrument, "oil": worst["sample"]}
        facts |= {name: worst[name] for name in ("quantity", "temperature_C")}
        facts |= {"unit": "limits", "limit": 1.0, "runs": ", ".join(runs)}
        severity, about = IMPORTANT if is_chance else URGENT, f"{instrument}, single checks"
        yield Action(about, told, to_do, severity, float(farthest.max()), facts=facts, details=details)
    yield from _carried(checks, known, beyond[by_carry_over])


def _reads_as(one: pd.Series, known: pd.DataFrame) -> str:
    """Name the oil whose certified value a result is, where it is none of its own: a bottle was taken for another."""
    same = known[(known["quantity"] == one["quantity"]) & (known["temperature_C"] == one["temperature_C"])]
    apart = (same["certified"] - one["certified"]).abs() > _OTHER_OIL * one["limit"]
    near = same.loc[apart & ((same["certified"] - one["value"]).abs() <= same["limit"]), "sample"].unique()
    return f": it reads as {near[0]} does, were the bottles mixed up?" if near.size == 1 else ""


def _of_checks(rows: pd.DataFrame, of: pd.DataFrame) -> str:
    return f"{rows['run'].nunique()} of {of['run'].nunique()} reference-oil checks"


def _is_beyond(rows: pd.DataFrame, added: pd.Series | float, limit: pd.Series) -> pd.Series:
    return (rows["value"] - rows["certified"] - added).abs() > limit


def _by_carry_over(rows: pd.DataFrame) -> pd.Series:
    """Tell which lie off by what the run before left in the cell: within their limit without it, most of it its."""
    away = rows["value"] - rows["certified"]
    most = away * rows["carried"] > away**2 / 2.0
    return most & ~_is_beyond(rows, rows["carried"], rows["limit"] + 2.0 * rows["carried_u"])


def _by_chance(rows: pd.DataFrame, beyond: pd.DataFrame, of: pd.DataFrame, checks: Checks) -> tuple[float, bool]:
    """Return how many results scatter takes beyond their limits, [-], and whether some are no more than that.

    Scatter by the charts with the certificates' uncertainty, about the value with carry-over; without limits, or with
    an unfit baseline, nothing is chance.
    """
    names = ("instrument", "sample", "lot", "quantity", "temperature_C")
    charts = [one.chart for one in checks.oils if id(one.chart) not in checks.unfit]
    scatter = {tuple(getattr(one, name) for name in names): _sigma(one) for one in charts}
    keys = list(zip(*(of[name].fillna("") if name == "lot" else of[name] for name in names), strict=True))
    sigma = pd.Series([scatter.get(key, math.nan) for key in keys], of.index, dtype=float)
    if not sigma[rows.index].notna().all():
        return math.nan, False
    ends = [ndtr((sign * of["carried"] - of["limit"]) / sigma) for sign in (-1.0, 1.0)]
    expected = float(sum(one.sum() for one in ends))
    away = (rows["value"] - rows["certified"] - rows["carried"]).abs() / sigma[rows.index]
    of_farthest = -math.expm1(len(of) * math.log1p(-2.0 * float(ndtr(-away.max()))))
    return expected, 2.0 * min(float(pdtrc(len(beyond) - 1, expected)), of_farthest) > OF_CHECKS


def _sigma(chart: Chart) -> float:
    """Return the standard deviation of a result from its certificate, [unit of the quantity]; NaN without limits."""
    to_quantity = chart.certified / 100.0 if chart.unit == "%" else 1.0
    return to_quantity * math.hypot(chart.limits.sigma if chart.limits else math.nan, chart.certified_uncertainty / 2.0)


def _carried(checks: Checks, known: pd.DataFrame, beyond: pd.DataFrame) -> Iterator[Action]:
    """Say which checks and biases are what the run before leaves in the cell, and no fault of an oil or instrument."""
    biased = {one.chart.instrument for one in checks.carried}
    for instrument in sorted({*beyond["instrument"], *biased}):
        rows, mine = (some[some["instrument"] == instrument] for some in (beyond, known))
        named, details = _named([(one, f", {signed(one['carried'])} by carry-over") for _, one in rows.iterrows()])
        of_bias = [one for one in checks.carried if one.chart.instrument == instrument]
        parts = [f"{_of_checks(rows, mine)} lay outside their limit: {named}"] if len(rows) else []
        if of_bias:
            parts.append(f"bias on {counted(len(of_bias), 'chart')}: {shortened([o.chart.name for o in of_bias])[0]}")
        told = f"what the run before left in the cell, not the instrument or the oil: {'; '.join(parts)}"
        size = float((rows["carried"].abs() / rows["limit"]).max()) if len(rows) else math.nan
        facts = {"instrument": instrument, "unit": "limits", "runs": ", ".join(rows["run"].unique())}
        about = f"{instrument}, carry-over into checks"
        yield Action(about, told, _RINSE, size=size, facts=facts, details=details)


def _named(checks: Sequence[tuple[pd.Series, str]]) -> tuple[str, tuple[str, ...]]:
    """Return some checks with what is said of each: as a sentence holds them, and all with their runs."""
    named, _ = shortened([_check_words(one) + more for one, more in checks])
    return named, tuple(f"{one['run']}: {_check_words(one)}{more}" for one, more in checks)


def _check_words(one: pd.Series) -> str:
    off = f"{signed(one['value'] - one['certified'])} {UNITS[one['quantity']]}, limit ±{numeral(one['limit'])}"
    return f"{one['measured_at']:%Y-%m-%d}, {one['sample']}, {at_celsius(one['quantity'], one['temperature_C'])}, {off}"
