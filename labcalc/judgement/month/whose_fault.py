"""Whose fault it is that oils moved or are biased, one finding a cause, or that single checks lie off."""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import groupby
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtr, pdtrc

from labcalc.judgement.certificates import UNITS
from labcalc.judgement.checks import IMPORTANT, URGENT, Action, shortened
from labcalc.judgement.control.attribution import Attribution
from labcalc.judgement.control.charts import Chart
from labcalc.judgement.control.status import ADVICE
from labcalc.judgement.month.checks import Checks
from labcalc.judgement.month.moved import Moved
from labcalc.judgement.month.of_oils import OF_CHECKS, apart_of_moved
from labcalc.judgement.month.oils import OilSummary
from labcalc.wording import at_celsius, counted, numeral, signed

_STOP = "Stop releasing these results. "
_OTHER_OIL = 5.0  # limits by which two oils lie apart before one can be taken for the other, [-]: our own choice
_FIRST = "Run the oils twice more before anything is adjusted. "
_OVER = "It is over: decide about the results that were released meanwhile, and write the decision down."


def moved(checks: Checks, *, ended: bool = False) -> Iterator[Action]:
    """Say what moved: one finding a cause, its symptoms beneath it; of a year what lasts to its end, or what ended."""
    for one in checks.moved:
        if ended is not (checks.month.months > 1 and not one.lasts):
            continue
        whose, first = one.attribution, one.stream.charts[0]
        at_risk = checks.at_risk(one)
        runs = at_risk["run"].tolist()
        moments = at_risk["at"].dt.tz_localize("UTC").dt.tz_convert(one.since.tz) if runs else ()
        last, year = [*moments][-1:], checks.month.first.year
        proven = ", before the next good one" * checks.is_proven_since(one)
        about, cause, told, unit, size = _whose(one)
        at_risk_words = f"{counted(len(runs), 'sample')} since the last good check, the last on"
        parts = [
            f"{_since(one, year)}: {told}",
            f"told on {_day(one.signalled, year)}{', and still so' * one.lasts}{_growing(one)}",
            *([_others(whose)] if whose and whose.others else []),
            *([f"{counted(len(one.symptoms), 'further signal')} by it"] if one.symptoms else []),
            *(f"{at_risk_words} {_day(at, year)}{proven}" for at in last),
        ]
        limits, against = first.limits, [*_against(one, checks)]
        assert limits is not None
        urgent = cause not in ("oil", "certificate") and not against
        symptoms = (f"further signal: {of.words(int(np.flatnonzero(of.stops)[-1]))}" for of in one.symptoms)
        touched = (f"{run}: last result {at:%Y-%m-%d %H:%M}" for run, at in zip(runs, moments, strict=True))
        to_do = ADVICE["moved"][cause] if one.lasts or cause in ("oil", "certificate") else _OVER
        to_do = _FIRST + to_do.removeprefix(_STOP) if against else to_do
        weight = abs(one.stream.size(one.stream.last_until(one.signalled.to_datetime64()))) / limits.half_width
        weight = round(weight * max(len(checks.at_risk(one, one.since)), 1), 9)  # its last digits are no result
        facts: dict[str, Any] = {"instrument": one.instrument, "quantity": one.stream.quantity, "cause": cause}
        facts |= {"oil": whose.oil if whose else "", "shift": size, "unit": unit, **_temperature(one.stream.charts)}
        facts |= {"limit": limits.half_width} if unit == first.unit else {}
        facts |= {name: f"{getattr(one, name):%Y-%m-%d}" for name in ("since", "earliest", "latest")}
        facts["runs"] = ", ".join(runs)
        found = Action(about, "; ".join([*parts, *against]), to_do, URGENT if urgent else IMPORTANT, abs(size))
        yield replace(found, weight=weight, facts=facts, details=(*symptoms, *touched))


def _temperature(charts: Iterable[Chart]) -> dict[str, float]:
    """Return the temperature that all charts have in common, [°C], as a fact; none where they differ."""
    of = {float(one.temperature_C) for one in charts}
    return {"temperature_C": of.pop()} if len(of) == 1 else {}


def _against(one: Moved, checks: Checks) -> Iterator[str]:
    """Say what makes it uncertain: limits that rest on an unfit baseline, days that resemble each other."""
    unfit = {checks.unfit[id(chart)] for chart in one.touched if id(chart) in checks.unfit}
    if unfit and all(id(chart) in checks.unfit for chart in one.touched):
        yield f"not certain: its limits rest on a baseline in which {' and '.join(sorted(unfit))}"
    if not one.is_beyond(checks.likeness):
        alike = numeral(checks.likeness[one.stream.is_group])
        yield f"not certain: neighbouring days resemble each other (correlation {alike}), and stay away by themselves"


def _since(one: Moved, year: int) -> str:
    """Say since when, with the ends of its interval where they are other days."""
    first, last = _day(one.earliest, year), _day(one.latest, year)
    if first == last:
        return f"since {first}"
    if f"{one.earliest:%Y-%m}" == f"{one.since:%Y-%m}" == f"{one.latest:%Y-%m}":
        first, last = f"{one.earliest.day}", f"{one.latest.day}"
    return f"since about {_day(one.since, year)} ({first} to {last})"


def _day(at: pd.Timestamp, year: int) -> str:
    return f"{at.day} {at.month_name()}" + (f" {at.year}" if at.year != year else "")


def _whose(one: Moved) -> tuple[str, str, str, str, float]:
    """Return what a finding is about, the cause, what it says, unit and size."""
    whose = one.attribution
    if whose is None:
        stream = one.stream
        place = stream.last_until(one.signalled.tz_convert(None).to_datetime64())
        cause = "instrument" if stream.is_group else "oil on one instrument"
        unit = stream.charts[0].unit
        return f"{stream.instrument}, {stream.quantity}", cause, stream.words(place), unit, stream.size(place)
    return _about(whose), whose.cause, whose.finding, whose.unit, whose.size


def _about(whose: Attribution) -> str:
    what = "temperature of the cell" if whose.cause == "temperature" else whose.oil or whose.quantity
    return f"{whose.instrument}, {what}" if whose.instrument else what


def _others(whose: Attribution) -> str:
    return f"it can't be told from {' or '.join(whose.others)}"


def _growing(one: Moved) -> str:
    if one.growth >= 1.4:
        return f", {numeral(one.growth, 1)} times as far as at first"
    return ", shrinking" * (one.growth <= 0.7)


def biases(checks: Checks) -> Iterator[Action]:
    """Say which instrument, cell or certificate is biased: one finding a cause."""
    return (_bias(one.oils, one.attribution) for one in checks.biased)


def _bias(biased: Sequence[OilSummary], whose: Attribution | None) -> Action:
    worst = max(biased, key=lambda one: abs(one.bias.bias) if one.bias else 0.0)
    assert worst.bias is not None
    told = f"{signed(worst.bias.bias)} {worst.chart.unit} ± {numeral(worst.bias.expanded_uncertainty)}"
    several = f"bias on {counted(len(biased), 'chart')}, the largest {told} ({worst.chart.name})"
    instruments = ", ".join(dict.fromkeys(one.chart.instrument for one in biased))
    about, to_do = f"{instruments}, {worst.chart.quantity}", "adjust by the maker's procedure, or let U cover it."
    to_do = f"Compare it with the uncertainty that is reported; {to_do}"
    if whose is not None:
        about = _about(whose)
        told = f"{whose.finding} ({several})" if whose.cause in ("certificate", "temperature") else several
        several = f"{told}; {_others(whose)}" if whose.others else told
        of_paper = whose.cause == "certificate" or any("certificate" in one for one in whose.others)
        cause = "certificate" if of_paper else whose.cause
        to_do = ADVICE["moved"][cause].removeprefix(_STOP) if cause in ("certificate", "temperature") else to_do
    facts: dict[str, Any] = {"instrument": instruments, "quantity": worst.chart.quantity}
    facts |= {"cause": whose.cause, "oil": whose.oil} if whose else {"cause": "", "oil": ""}
    facts |= {"shift": worst.bias.bias, "unit": worst.chart.unit, "limit": worst.bias.expanded_uncertainty}
    facts |= _temperature(one.chart for one in biased)
    return Action(about, several, to_do, size=abs(worst.bias.bias), facts=facts)


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
    """Return how many results the charts' scatter takes beyond limits, [-], and whether some are no more than that.
    Without limits, or with an unfit baseline, nothing is chance."""
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
    for instrument in sorted({*beyond["instrument"], *(one.chart.instrument for one in checks.carried)}):
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
        yield Action(about, told, ADVICE["moved"]["carry-over"], size=size, facts=facts, details=details)


def _named(checks: Sequence[tuple[pd.Series, str]]) -> tuple[str, tuple[str, ...]]:
    """Return some checks with what is said of each: as a sentence holds them, and all with their runs."""
    named, _ = shortened([_check_words(one) + more for one, more in checks])
    return named, tuple(f"{one['run']}: {_check_words(one)}{more}" for one, more in checks)


def _check_words(one: pd.Series) -> str:
    off = f"{signed(one['value'] - one['certified'])} {UNITS[one['quantity']]}, limit ±{numeral(one['limit'])}"
    return f"{one['measured_at']:%Y-%m-%d}, {one['sample']}, {at_celsius(one['quantity'], one['temperature_C'])}, {off}"
