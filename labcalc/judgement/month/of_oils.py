"""What reference oils show beside lasting shifts: single results, spread, precision, gaps, repairs, limits."""

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np
from scipy.special import fdtrc

from labcalc.judgement.checks import IMPORTANT, LATER, Action, shortened
from labcalc.judgement.month.checks import Checks
from labcalc.judgement.month.oils import OilSummary
from labcalc.statistics import PerformanceIndex, holm_adjusted, resolution
from labcalc.wording import counted, numeral, signed

_FAMILY = 0.05  # chance that any of the month's tests of one kind finds what isn't there, [-] (Holm)
_OF_SPREADS = OF_CHECKS = 0.01  # the same of tests of spread, and of single checks: neither is made for heavy tails
_BELOW = "below satisfactory for certain"
_UNTIL_THEN = "Until then the charts go on by the limits in force, which stay drawn over their own days."
_IN_COMMON = 0.5  # correlation of an instrument's results of a day, where its charts are taken together, [-]: our own


def imprecise(checks: Checks) -> Iterator[Action]:
    """Name the charts whose performance index lies below its threshold for certain, by its whole interval."""
    found: dict[tuple[str, str], list[tuple[OilSummary, PerformanceIndex]]] = {}
    for one in apart_of_moved(checks):
        index = one.index
        if index is not None and index.verdict != "satisfactory":
            highest = index.interval[1] * one.deviation / (_scatter(one)[0] or one.deviation)
            if highest < min(index.thresholds.satisfactory):
                found.setdefault((one.chart.instrument, one.chart.quantity), []).append((one, index))
    for (instrument, quantity), some in found.items():
        told = "; ".join(
            f"{one.chart.name}: performance index {numeral(index.index, 2)} "
            f"({' to '.join(numeral(end, 2) for end in index.interval)}), "
            # the verdict that the whole interval bears out
            + (index.verdict if index.interval[1] < min(index.thresholds.inconsistent) else _BELOW)
            for one, index in some
        )
        to_do = "Review how the method is run: filling, temperature, cleaning."
        size, facts = max(1.0 / index.index for _, index in some), {"instrument": instrument, "quantity": quantity}
        yield Action(f"{instrument}, {quantity}", told, to_do, size=size, facts=facts)


def apart_of_moved(checks: Checks) -> list[OilSummary]:
    """Return the charts that nothing moved: a step, or a drift, is no scatter."""
    return [one for one in checks.oils if id(one.chart) not in checks.explained]


def _scatter(one: OilSummary, moved: bool = False) -> tuple[float, float]:
    """Return the month's standard deviation, without the farthest where that signals alone; and degrees of freedom."""
    limits, results = one.chart.limits, one.chart.plotted[one.inside]
    away = np.abs(results - (limits.centre if limits and not moved else np.median(results)))
    if limits is not None and results.size > 3 and away.max() > limits.half_width:
        results = np.delete(results, away.argmax())
    number = results.size - 1.0
    if moved and number > 1.0:  # a step is no scatter; von Neumann, J.: Ann. Math. Stat. 12 (1941) 367 (memory)
        return math.sqrt(float(np.mean(np.diff(results) ** 2)) / 2.0), 2.0 * number**2 / (3.0 * number - 1.0)
    return (float(np.std(results, ddof=1)) if number > 0.0 else 0.0), number


def spreads(checks: Checks) -> Iterator[Action]:
    """Name the charts that scatter more, or less, than in their baseline: copied values scatter too little."""
    of = [one for one in checks.oils if one.number > 2 and id(one.chart) not in checks.unfit and _is_fine(one)]
    scatters = [found for one in of if (found := _Scatter.of(one, id(one.chart) in checks.explained)).freedom > 1.0]
    tested = [*scatters, *_together(scatters)]
    apart: dict[tuple[str, bool], list[_Scatter]] = {}
    for one, adjusted in zip(tested, holm_adjusted([each.chance for each in tested]), strict=True):
        if adjusted < _OF_SPREADS:
            apart.setdefault((one.instrument, one.ratio > 1.0), []).append(one)
    for (instrument, more), some in apart.items():
        named, details = shortened([f"{one.name}: {one.results}, {numeral(one.ratio)} times" for one in some])
        to_do = "See whether each was measured: repeated or copied values scatter like this."
        if more:
            to_do = "Review how the method is run: filling, temperature, cleaning."
        worst = max(one.ratio if more else 1.0 / max(one.ratio, 1e-9) for one in some)
        told, about = f"scatter against the baseline: {named}", f"{instrument}, {'more' if more else 'less'} scatter"
        facts = {"instrument": instrument, "unit": "times the baseline's" if more else "times less than it"}
        yield Action(about, told, to_do, size=worst, facts=facts, details=details)


@dataclass(frozen=True)
class _Scatter:
    """A month's standard deviation against the baseline's: of a chart, or of an instrument's charts together."""

    instrument: str
    quantity: str
    name: str
    results: str
    ratio: float
    freedom: float
    of_baseline: float  # degrees of freedom of the baseline's

    @classmethod
    def of(cls, one: OilSummary, moved: bool) -> Self:
        chart, (deviation, freedom) = one.chart, _scatter(one, moved)
        limits = chart.limits
        assert limits is not None
        known, results = min(limits.sigma_degrees_of_freedom, 1e9), counted(one.number, "result")
        return cls(chart.instrument, chart.quantity, chart.name, results, deviation / limits.sigma, freedom, known)

    @property
    def chance(self) -> float:
        """Two-sided p-value by F, [-]."""
        above = float(fdtrc(self.freedom, self.of_baseline, self.ratio**2))
        return min(2.0 * min(above, 1.0 - above), 1.0)


def _together(scatters: Sequence[_Scatter]) -> Iterator[_Scatter]:
    """Take an instrument's charts of a quantity together, their days half in common at the most."""
    by_quantity: dict[tuple[str, str], list[_Scatter]] = {}
    for one in scatters:
        by_quantity.setdefault((one.instrument, one.quantity), []).append(one)
    for (instrument, quantity), some in by_quantity.items():
        number = len(some)
        if number > 1:
            shared, freedom = 1.0 + (number - 1.0) * _IN_COMMON**2, sum(one.freedom for one in some)
            ratio = math.sqrt(sum(one.freedom * one.ratio**2 for one in some) / freedom)
            freedom, known = freedom / shared, sum(one.of_baseline for one in some) / shared
            yield _Scatter(instrument, quantity, quantity, f"{number} charts together", ratio, freedom, known)


def _is_fine(one: OilSummary) -> bool:
    """Tell whether the month's results are written finely enough to show their spread: else rounding is seen."""
    chart, to_chart = one.chart, 100.0 / one.chart.certified if one.chart.unit == "%" else 1.0
    written = chart.values[one.inside][:, None] / (steps := 10.0 ** np.arange(3, -8, -1))
    step = steps[(np.abs(written - np.round(written)) < 1e-6).all(axis=0)].max(initial=0.0)
    return chart.limits is not None and step * to_chart < chart.limits.sigma


def gaps(checks: Checks) -> Iterator[Action]:
    """Name the instruments with more samples between good checks than the laboratory allows hours for."""
    allowed = checks.laboratory.report.reference_age_h
    for one in checks.gaps:
        if one.hours > 2.0 * allowed and one.days > math.ceil(2.0 * allowed / 24.0):
            facts = {"instrument": one.instrument, "unit": "h", "limit": allowed, "since": f"{one.first:%Y-%m-%d}"}
            since = f"from {one.first:%Y-%m-%d %H:%M} on ({allowed:g} h are allowed)"
            gap = f"{counted(one.samples, 'sample')} in {numeral(one.hours, 0)} h without a good check, {since}"
            found = f"{gap}; {numeral(one.checks_a_day, 1)} checks a day of work"
            times = f"{numeral(2.0 * one.checks_a_day, 1)} times a day of work"
            to_do = f"Check it {times}: half as many samples are at risk."
            yield Action(f"{one.instrument}, gap", found, to_do, size=one.hours, facts=facts)


def repairs(checks: Checks) -> Iterator[Action]:
    """Say whether corrective actions worked."""
    for one in checks.repairs:
        if one.verdict == "nothing was off":
            continue
        unit, action, quantity = one.stream.charts[0].unit, one.decision, one.stream.quantity
        interval = f", changed by {' to '.join(map(signed, one.change.interval))}" if one.change else ""
        told = f"{quantity} {signed(one.before)} {unit} before, {signed(one.after)} after{interval}"
        fine, day = one.verdict == "it worked", f"{action.when:%Y-%m-%d}"
        about, found = f"{action.instrument}, action of {day}", f"{action.why}: {one.verdict} ({told})"
        to_do = "Nothing more." if fine else "Run both oils twice more; if it stays, look for another cause."
        severity = LATER if fine or one.change is None else IMPORTANT
        facts = {"instrument": action.instrument, "quantity": quantity, "unit": unit, "since": day}
        yield Action(about, found, to_do, severity, which=quantity, facts=facts)


def baselines(checks: Checks) -> Iterator[Action]:
    """Name the baselines that limits should not rest on, and charts with few results or none to set them."""
    unfit = [(one.chart, checks.unfit[id(one.chart)]) for one in checks.oils if id(one.chart) in checks.unfit]
    named = [f"{chart.instrument}, {chart.name}: {why}" for chart, why in unfit]
    if named:
        told, details = shortened(named)
        found = f"limits should not rest on {counted(len(named), 'baseline')}: {told}"
        to_do = "Look for drift or a slip in them; exclude by a decision, or choose another period in lab.toml."
        yield Action("Baselines", found, to_do, details=details)
    charts = [one.chart for one in checks.oils if one.chart.holds_at(checks.month.last)]
    if coarse := [one for one in charts if one.limits is not None and resolution(one.values).coarse]:
        quantities = " and ".join(dict.fromkeys(one.quantity for one in coarse))
        verb = "are" if " and " in quantities else "is"
        found = f"{quantities} {verb} rounded more coarsely than 0.3 of the scatter on {counted(len(coarse), 'chart')}"
        yield Action("Resolution", found, "Let the exports carry one more decimal: shifts are seen sooner then.", LATER)
    without = [one for one in charts if one.limits is None]
    few = [one for one in charts if one.limits is not None and one.limits.provisional]
    parts = [f"none on {len(without)} of {len(charts)} charts ({without[0].no_limits})"] if without else []
    if few:
        least = min(one.limits.number for one in few if one.limits)
        parts.append(f"provisional on {len(few)} of {len(charts)} charts, from {least} results at the least")
    if parts:
        to_do = "Go on measuring: at 30 results in control new limits are proposed here, to be signed."
        yield Action("Control limits", "; ".join(parts), to_do, LATER)


def due(checks: Checks) -> Iterator[Action]:
    """Name in one line the limits that are due and that nobody has signed."""
    asked = [one for one in checks.due if one.chart.next_signed is None]
    if asked:
        where = ", ".join(f"{name} {n}" for name, n in Counter(one.chart.instrument for one in asked).items())
        differ = sum(one.differs for one in asked)
        which = f"{differ} have results that differ" if differ else "none has results that differ"
        named = f"{counted(len(asked), 'chart')} ({where}); {which} from those that set its limits by more than chance"
        command = f"`labcalc record limits --month {checks.month.parts[-1].name} --from DATE --why TEXT`"
        to_do = f"Sign them: {command}, all or by instrument and oil. {_UNTIL_THEN}"
        to_do += " Where results differ, look for the cause first." * bool(differ)
        details = tuple(one.words for one in asked)
        yield Action("Limits due", named, to_do, LATER, len(asked), facts={"unit": "charts"}, details=details)
