"""What reference oils show beside lasting shifts: single results, spread, precision, gaps, repairs, limits."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby

import numpy as np
import pandas as pd
from scipy.special import fdtrc

from labcalc.judgement.certificates import UNITS
from labcalc.judgement.control.charts import Chart
from labcalc.judgement.month.checks import Checks
from labcalc.judgement.month.finding import IMPORTANT, LATER, URGENT, Finding, shortened
from labcalc.judgement.month.oils import OilSummary
from labcalc.statistics import holm_adjusted, resolution, serial_dependence
from labcalc.wording import at_celsius, counted, numeral, signed

_FAMILY = 0.05
"""Chance that any of the month's tests of one kind finds what isn't there, [-] (Holm)."""
_OF_SPREADS = 0.01
"""The same of tests of spread, [-]: F is not made for heavy tails."""
_NEXT_LIMITS = (30, 20)
"""Results at which limits are proposed anew, and every how many after: common practice (D6299 [memory])."""


def single_results(checks: Checks) -> Iterator[Finding]:
    """Ask for the oils again whose last result signals, where nothing that moved explains it."""
    for instrument, group in groupby(checks.oils, key=lambda one: one.chart.instrument):
        last = [one for one in group if id(one.chart) not in checks.explained and one.last_signals]
        if last:
            named, details = shortened([f"{one.chart.name} ({one.status.signals[-1].what})" for one in last])
            oils = ", ".join(dict.fromkeys(one.chart.oil for one in last))
            told = f"the last result signals on {counted(len(last), 'chart')}, alone: {named}"
            to_do = f"Repeat {oils}, fresh from the bottle."
            yield Finding(IMPORTANT, f"{instrument}, single results", told, to_do, details=details)


def single_checks(checks: Checks) -> Iterator[Finding]:
    """Name the checks beyond the limit of the certificate that nothing that moved explains."""
    known = checks.comparisons.dropna(subset=["certified"])
    beyond = known[(known["value"] - known["certified"]).abs() > known["limit"]]
    explained = {
        (chart.instrument, chart.sample, chart.quantity, chart.temperature_C)
        for one in checks.moved
        for chart in one.touched
    }
    keys = zip(*(beyond[name] for name in ("instrument", "sample", "quantity", "temperature_C")), strict=True)
    beyond = beyond[np.array([key not in explained for key in keys], bool)]
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
    for one in checks.oils:
        index = one.index
        if index is None or index.verdict == "satisfactory" or index.interval[1] >= min(index.thresholds.satisfactory):
            continue
        yield Finding(
            IMPORTANT,
            f"{one.chart.instrument}, {one.chart.quantity}",
            f"{one.chart.name}: performance index {numeral(index.index, 2)} "
            f"({' to '.join(numeral(end, 2) for end in index.interval)}), {index.verdict}",
            "Review how the method is run: filling, temperature, cleaning.",
            1.0 / index.index,
            one.chart.name,
        )


def spreads(checks: Checks) -> Iterator[Finding]:
    """Name the charts that scatter more, or less, than in their baseline: copied values scatter too little."""
    tested = [one for one in checks.oils if one.number > 2 and _is_fine(one)]
    p = [_same_spread(one) for one in tested]
    for one, adjusted in zip(tested, holm_adjusted(p) if p else (), strict=True):
        limits = one.chart.limits
        assert limits is not None
        if adjusted < _OF_SPREADS:
            ratio = one.deviation / limits.sigma
            more = ratio > 1.0
            yield Finding(
                IMPORTANT,
                f"{one.chart.instrument}, {one.chart.name}",
                f"its {one.number} results scatter {numeral(ratio)} times as much as in the baseline",
                "Review how the method is run: filling, temperature, cleaning."
                if more
                else "See whether each was measured: repeated or copied values scatter like this.",
                ratio if more else 1.0 / max(ratio, 1e-9),
                "spread",
            )


def _is_fine(one: OilSummary) -> bool:
    """Tell whether the month's results are written finely enough to show their spread: else rounding is seen."""
    chart, to_chart = one.chart, 100.0 / one.chart.certified if one.chart.unit == "%" else 1.0
    written = chart.values[chart.between(one.since, one.until) & chart.used]
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
    f = (one.deviation / limits.sigma) ** 2
    degrees = one.number - 1.0, min(limits.sigma_degrees_of_freedom, 1e9)
    above = float(fdtrc(*degrees, f))
    return min(2.0 * min(above, 1.0 - above), 1.0)


def gaps(checks: Checks) -> Iterator[Finding]:
    """Name the instruments with more samples between good checks than the laboratory allows hours for."""
    allowed, moved = checks.laboratory.report.reference_age_h, {one.instrument for one in checks.moved}
    for one in checks.gaps:
        if one.hours > 2.0 * allowed and one.instrument not in moved:
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
    """Name the baselines that limits should not rest on, and say where new limits can be set."""
    tested = [one.chart for one in checks.oils if one.chart.limits is not None and one.chart.in_baseline.sum() > 7]
    p = [_dependence(one) for one in tested]
    unfit = [one for one, adjusted in zip(tested, holm_adjusted(p) if p else (), strict=True) if adjusted < _FAMILY]
    if unfit:
        named, details = shortened([f"{one.instrument}, {one.name}" for one in unfit])
        found = f"neighbours resemble each other in {counted(len(unfit), 'baseline')}: {named}"
        to_do = "Look for drift or a slip in them; exclude by a decision, or choose another period in lab.toml."
        yield Finding(IMPORTANT, "Baselines", found, to_do, details=details)
    charts = [one.chart for one in checks.oils]
    if coarse := [one for one in charts if one.limits is not None and resolution(one.values).coarse]:
        quantities = " and ".join(dict.fromkeys(one.quantity for one in coarse))
        found = f"{quantities} is rounded more coarsely than it scatters on {counted(len(coarse), 'chart')}"
        yield Finding(
            LATER, "Resolution", found, "Let the exports carry one more decimal: shifts are seen sooner then."
        )
    without = [one for one in charts if one.limits is None]
    few = [one for one in charts if one.limits is not None and one.limits.provisional]
    due = [one for one in charts if one.limits is not None and _is_due(one)]
    parts = [f"none on {len(without)} of {len(charts)} charts ({without[0].no_limits})"] if without else []
    if few:
        least = min(one.limits.number for one in few if one.limits)
        parts.append(f"provisional on {len(few)} of {len(charts)} charts, from {least} results at the least")
    if due:
        parts.append(f"{counted(len(due), 'chart')} {'has' if len(due) == 1 else 'have'} 30 results or 20 more by now")
        to_do = "Set a longer baseline in [control] of lab.toml, compare old and new limits, and sign it by a decision."
    else:
        to_do = "At 30 results in control set a longer baseline in [control] of lab.toml."
    if parts:
        yield Finding(LATER, "Control limits", "; ".join(parts), to_do)


def _dependence(chart: Chart) -> float:
    results = chart.plotted[chart.in_baseline]
    return serial_dependence(results).p_value if np.ptp(results) > 0.0 else 1.0


def _is_due(chart: Chart) -> bool:
    """Tell whether enough results in control have come since the limits were set."""
    limits, signals = chart.limits, {one.position for one in chart.signals}
    assert limits is not None
    known = sum(bool(used) for place, used in enumerate(chart.used) if place not in signals)
    first, then = _NEXT_LIMITS
    return known >= max(first, limits.number + then)
