"""Whose fault it is that reference oils moved or are biased: one finding a cause, its symptoms beneath it."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from labcalc.judgement.checks import IMPORTANT, URGENT, Action
from labcalc.judgement.control.attribution import Attribution
from labcalc.judgement.control.charts import Chart
from labcalc.judgement.month.checks import Checks
from labcalc.judgement.month.moved import Moved
from labcalc.judgement.month.oils import OilSummary
from labcalc.wording import counted, numeral, signed

_STOP = "Stop releasing these results. "
REMEDIES_OF = {
    "instrument": _STOP + "Clean and dry the cell and repeat one oil fresh from its bottle; if it stays, check the "
    "adjustment with a second oil, adjust only by the maker's procedure, and write it down.",
    "temperature": _STOP + "Check the cell's temperature against a calibrated thermometer; mend that, don't adjust "
    "the viscosity for it.",
    "oil": "Run it fresh from a new bottle. The instruments stand: don't adjust them.",
    "oil on one instrument": _STOP + "Run this oil fresh from its bottle, and a second oil: only if both lie off has "
    "the instrument moved. Don't adjust by one oil.",
    "certificate": "Hold the certificate's value against the producer's or another laboratory's. Don't adjust the "
    "instruments to it.",
}
"""What to do, by whose fault it is."""
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
        to_do = REMEDIES_OF[cause] if one.lasts or cause in ("oil", "certificate") else _OVER
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
        to_do = REMEDIES_OF[cause].removeprefix(_STOP) if cause in ("certificate", "temperature") else to_do
    facts: dict[str, Any] = {"instrument": instruments, "quantity": worst.chart.quantity}
    facts |= {"cause": whose.cause, "oil": whose.oil} if whose else {"cause": "", "oil": ""}
    facts |= {"shift": worst.bias.bias, "unit": worst.chart.unit, "limit": worst.bias.expanded_uncertainty}
    facts |= _temperature(one.chart for one in biased)
    return Action(about, several, to_do, size=abs(worst.bias.bias), facts=facts)
