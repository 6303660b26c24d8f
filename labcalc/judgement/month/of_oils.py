"""What reference oils show beside lasting shifts: single results, spread, precision, gaps, repairs, limits."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import groupby

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import fdtrc

from labcalc.judgement.certificates import UNITS
from labcalc.judgement.control.charts import Chart
from labcalc.judgement.month.checks import Checks
from labcalc.judgement.month.finding import IMPORTANT, LATER, URGENT, Finding, shortened
from labcalc.judgement.month.oils import OilSummary
from labcalc.statistics import PerformanceIndex, holm_adjusted, resolution, serial_dependence
from labcalc.wording import at_celsius, counted, numeral, signed

_FAMILY = 0.05
"""Chance that any of the month's tests of one kind finds what isn't there, [-] (Holm)."""
_OF_SPREADS = 0.01
"""The same of tests of spread, [-]: F is not made for heavy tails."""


def single_results(checks: Checks) -> Iterator[Finding]:
    """Ask for the oils again whose last result signals, where nothing that moved explains it."""
    for instrument, group in groupby(_apart(checks), key=lambda one: one.chart.instrument):
        last = [one for one in group if one.last_signals]
        if last:
            named, details = shortened([f"{one.chart.name} ({one.status.signals[-1].what})" for one in last])
            oils = ", ".join(dict.fromkeys(one.chart.oil for one in last))
            told = f"the last result signals on {counted(len(last), 'chart')}, alone: {named}"
            to_do = f"Repeat {oils}, fresh from the bottle."
            yield Finding(IMPORTANT, f"{instrument}, single results", told, to_do, details=details)


def _of_month(one: OilSummary) -> NDArray[np.intp]:
    """Return the places of its results of the month that count."""
    return np.flatnonzero(one.chart.between(one.since, one.until) & one.chart.used)


def single_checks(checks: Checks) -> Iterator[Finding]:
    """Name the checks beyond the limit of the certificate that nothing that moved explains."""
    known, open_ones = (one.dropna(subset=["certified"]) for one in (checks.comparisons, checks.unexplained))
    beyond = open_ones[(open_ones["value"] - open_ones["certified"]).abs() > open_ones["limit"]]
    for instrument, rows in beyond.groupby("instrument", sort=True):
        of = known.loc[known["instrument"] == instrument, "run"].nunique()
        named, details = shortened([_check_words(one) for _, one in rows.iterrows()])
        yield Finding(
            URGENT,
            f"{instrument}, single checks",
            f"{rows['run'].nunique()} of {of} reference-oil checks lay outside their limit: {named}",
            "See which results were released between the check before and the check after, and decide about each; "
            "write the decision down.",
            float(((rows["value"] - rows["certified"]).abs() / rows["limit"]).max()),
            details=details,
        )


def _check_words(one: pd.Series) -> str:
    return (
        f"{one['measured_at']:%Y-%m-%d}, {one['sample']}, {at_celsius(one['quantity'], one['temperature_C'])}, "
        f"{signed(one['value'] - one['certified'])} {UNITS[one['quantity']]}, "
        f"limit ±{numeral(one['limit'])}"
    )


def imprecise(checks: Checks) -> Iterator[Finding]:
    """Name the charts whose performance index lies below its threshold for certain, by its whole interval."""
    found: dict[tuple[str, str], list[tuple[OilSummary, PerformanceIndex]]] = {}
    for one in _apart(checks):
        index = one.index
        if index is not None and index.verdict != "satisfactory":
            highest = index.interval[1] * one.deviation / (_scatter(one)[0] or one.deviation)
            if highest < min(index.thresholds.satisfactory):
                found.setdefault((one.chart.instrument, one.chart.quantity), []).append((one, index))
    for (instrument, quantity), some in found.items():
        told = "; ".join(
            f"{one.chart.name}: performance index {numeral(index.index, 2)} "
            f"({' to '.join(numeral(end, 2) for end in index.interval)}), {_certain(index)}"
            for one, index in some
        )
        to_do = "Review how the method is run: filling, temperature, cleaning."
        yield Finding(IMPORTANT, f"{instrument}, {quantity}", told, to_do, max(1.0 / index.index for _, index in some))


def _certain(index: PerformanceIndex) -> str:
    """Return the verdict that the whole interval bears out, of an index whose whole interval isn't satisfactory."""
    return index.verdict if index.interval[1] < min(index.thresholds.inconsistent) else "below satisfactory for certain"


def _apart(checks: Checks) -> list[OilSummary]:
    """Return the charts that nothing moved: a step, or a drift, is no scatter."""
    return [one for one in checks.oils if id(one.chart) not in checks.explained]


def _scatter(one: OilSummary) -> tuple[float, int]:
    """Return the month's standard deviation, and of how many results: without the farthest where that signals alone."""
    limits, results = one.chart.limits, one.chart.plotted[_of_month(one)]
    away = np.abs(results - (limits.centre if limits else np.median(results)))
    if limits is not None and results.size > 3 and away.max() > limits.half_width:
        results = np.delete(results, away.argmax())
    return (float(np.std(results, ddof=1)) if results.size > 1 else 0.0), results.size


def spreads(checks: Checks) -> Iterator[Finding]:
    """Name the charts that scatter more, or less, than in their baseline: copied values scatter too little."""
    tested = [one for one in _apart(checks) if one.number > 2 and _is_fine(one)]
    p = [_same_spread(one) for one in tested]
    found: dict[tuple[str, bool], list[tuple[OilSummary, float]]] = {}
    for one, adjusted in zip(tested, holm_adjusted(p) if p else (), strict=True):
        limits = one.chart.limits
        assert limits is not None
        if adjusted < _OF_SPREADS:
            ratio = _scatter(one)[0] / limits.sigma
            found.setdefault((one.chart.instrument, ratio > 1.0), []).append((one, ratio))
    for (instrument, more), some in found.items():
        named = "; ".join(f"{one.chart.name}: {one.number} results, {numeral(ratio)} times" for one, ratio in some)
        to_do = "See whether each was measured: repeated or copied values scatter like this."
        if more:
            to_do = "Review how the method is run: filling, temperature, cleaning."
        worst = max(ratio if more else 1.0 / max(ratio, 1e-9) for _, ratio in some)
        told = f"scatter against the baseline: {named}"
        yield Finding(IMPORTANT, f"{instrument}, {'more' if more else 'less'} scatter", told, to_do, worst)


def _is_fine(one: OilSummary) -> bool:
    """Tell whether the month's results are written finely enough to show their spread: else rounding is seen."""
    chart, to_chart = one.chart, 100.0 / one.chart.certified if one.chart.unit == "%" else 1.0
    written = chart.values[_of_month(one)]
    steps = (
        step
        for step in 10.0 ** np.arange(3, -8, -1)
        if (np.abs(written / step - np.round(written / step)) < 1e-6).all()
    )
    return chart.limits is not None and next(steps, 0.0) * to_chart < chart.limits.sigma


def _same_spread(one: OilSummary) -> float:
    """Return the two-sided p-value of the month's spread against the baseline's, by F."""
    limits = one.chart.limits
    assert limits is not None
    deviation, number = _scatter(one)
    f = (deviation / limits.sigma) ** 2
    degrees = number - 1.0, min(limits.sigma_degrees_of_freedom, 1e9)
    above = float(fdtrc(*degrees, f))
    return min(2.0 * min(above, 1.0 - above), 1.0)


def gaps(checks: Checks) -> Iterator[Finding]:
    """Name the instruments with more samples between good checks than the laboratory allows hours for."""
    allowed = checks.laboratory.report.reference_age_h
    for one in checks.gaps:
        if one.hours > 2.0 * allowed and one.days > math.ceil(2.0 * allowed / 24.0):
            yield Finding(
                IMPORTANT,
                f"{one.instrument}, gap",
                f"{counted(one.samples, 'sample')} in {numeral(one.hours, 0)} h without a good check, from "
                f"{one.first:%Y-%m-%d %H:%M} on ({allowed:g} h are allowed); {numeral(one.checks_a_day, 1)} checks a "
                "day of work",
                f"Check it {numeral(2.0 * one.checks_a_day, 1)} times a day of work: half as many samples are at risk.",
                one.hours,
            )


def repairs(checks: Checks) -> Iterator[Finding]:
    """Say whether corrective actions worked."""
    for one in checks.repairs:
        if one.verdict == "nothing was off":
            continue
        unit, action = one.stream.charts[0].unit, one.decision
        ends = () if one.change is None else one.change.interval
        interval = f", changed by {' to '.join(map(signed, ends))}" if ends else ""
        told = f"{one.stream.quantity} {signed(one.before)} {unit} before, {signed(one.after)} after{interval}"
        fine = one.verdict == "it worked"
        yield Finding(
            LATER if fine or one.change is None else IMPORTANT,
            f"{action.instrument}, action of {action.when:%Y-%m-%d}",
            f"{action.why}: {one.verdict} ({told})",
            "Nothing more." if fine else "Run both oils twice more; if it stays, look for another cause.",
            which=one.stream.quantity,
        )


def baselines(checks: Checks) -> Iterator[Finding]:
    """Name the baselines that limits should not rest on, and charts with few results or none to set them."""
    tested = [one.chart for one in checks.oils if one.chart.limits is not None and one.chart.in_baseline.sum() > 7]
    p = [_dependence(one) for one in tested]
    unfit = [one for one, adjusted in zip(tested, holm_adjusted(p) if p else (), strict=True) if adjusted < _FAMILY]
    if unfit:
        named, details = shortened([f"{one.instrument}, {one.name}" for one in unfit])
        found = f"neighbours resemble each other in {counted(len(unfit), 'baseline')}: {named}"
        to_do = "Look for drift or a slip in them; exclude by a decision, or choose another period in lab.toml."
        yield Finding(IMPORTANT, "Baselines", found, to_do, details=details)
    charts = [one.chart for one in checks.oils if one.chart.holds_at(checks.month.last)]
    if coarse := [one for one in charts if one.limits is not None and resolution(one.values).coarse]:
        quantities = " and ".join(dict.fromkeys(one.quantity for one in coarse))
        verb = "are" if " and " in quantities else "is"
        found = f"{quantities} {verb} rounded more coarsely than 0.3 of the scatter on {counted(len(coarse), 'chart')}"
        yield Finding(
            LATER, "Resolution", found, "Let the exports carry one more decimal: shifts are seen sooner then."
        )
    without = [one for one in charts if one.limits is None]
    few = [one for one in charts if one.limits is not None and one.limits.provisional]
    parts = [f"none on {len(without)} of {len(charts)} charts ({without[0].no_limits})"] if without else []
    if few:
        least = min(one.limits.number for one in few if one.limits)
        parts.append(f"provisional on {len(few)} of {len(charts)} charts, from {least} results at the least")
    if parts:
        to_do = "Go on measuring: at 30 results in control new limits are proposed here, to be signed."
        yield Finding(LATER, "Control limits", "; ".join(parts), to_do)


def due(checks: Checks) -> Iterator[Finding]:
    """Name in one line the limits that are due and that nobody has signed."""
    asked = [one for one in checks.due if one.signed is None]
    if asked:
        named, details = shortened([one.words for one in asked], 1)
        named = f"{counted(len(asked), 'chart')}: {named}"
        month = checks.month.parts[-1].name
        to_do = (
            f"Sign them: `labcalc record limits --month {month} --from DATE --why TEXT`, all or by instrument and oil. "
            "Until then the charts go on by the limits in force, which stay drawn over their own days."
        )
        to_do += " Where results differ, look for the cause first." * any(one.differs for one in asked)
        yield Finding(LATER, "Limits due", named, to_do, len(asked), details=details)


def _dependence(chart: Chart) -> float:
    results = chart.plotted[chart.in_baseline]
    return serial_dependence(results).p_value if np.ptp(results) > 0.0 else 1.0
