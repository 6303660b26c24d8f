"""Limits that are due: what a chart's results in control say of limits in force, for a person to sign."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from labcalc.judgement.certificates import SAME_TEMPERATURE_K
from labcalc.judgement.control.chart_making import baseline_limits
from labcalc.judgement.control.charts import Chart
from labcalc.judgement.period import Month
from labcalc.lab import ControlChoices
from labcalc.statistics import ChartLimits, PeriodComparison, compare_periods, holm_adjusted
from labcalc.wording import counted, numeral, signed

_FIRST, _THEN = 30, 20
"""Results in control at which limits are due, and how many more each time after: common practice (ASTM D6299
[memory])."""
_FAMILY = 0.05  # chance that any of the month's charts is said to differ from its limits where none does, [-] (Holm)


@dataclass(frozen=True, eq=False)
class LimitsDue:
    """A chart that holds enough results in control for other limits than those in force."""

    chart: Chart
    number: int  # its results in control up to the end of the month, those that set the limits in force included
    later: int  # those of them that came since
    comparison: PeriodComparison | None  # they against those that set the limits, F and Welch; None without a spread
    differs: bool  # more than chance explains among all charts that are due
    tests: int  # of all charts that are due, among which its own are judged
    proposed: ChartLimits | None  # from all in control, or, where they differ, from those since; None of too few

    @property
    def in_force(self) -> ChartLimits:
        """The limits that hold."""
        assert self.chart.limits is not None
        return self.chart.limits

    @property
    def compared(self) -> str:
        """What the tests say."""
        one = self.comparison
        if one is None:
            return "no spread to compare"
        among = f", as p is judged among {self.tests} tests" * (min(one.f_p_value, one.t_p_value) < _FAMILY)
        return "they differ" if self.differs else f"no difference beyond chance{among}"

    @property
    def change(self) -> str:
        """Centre and limit of an individual result, as they are and as proposed, [unit of the chart]."""
        old, new, unit = self.in_force, self.proposed, self.chart.unit
        if new is None:
            return f"none proposed: {counted(self.later, 'result')} since, {_THEN} are needed where they differ"
        centre = " → ".join(signed(one.centre, 3) for one in (old, new))
        return f"centre {centre} {unit}, limit ±{numeral(old.half_width, 3)} → ±{numeral(new.half_width, 3)} {unit}"

    @property
    def words(self) -> str:
        """All of it in a line."""
        head = f"{self.chart.instrument}, {self.chart.name}"
        number = f"{counted(self.number, 'result')} in control, {self.in_force.number} set the limits"
        return f"{head}: {number}; {self.compared}; {self.change}"

    def is_about(self, instrument: str = "", oil: str = "", quantity: str = "", temperature_C: float = np.nan) -> bool:
        """Tell whether its chart is one of those named; an empty text and NaN, [°C], name all."""
        pairs = ((instrument, self.chart.instrument), (oil, self.chart.oil), (quantity, self.chart.quantity))
        named = all(not asked or asked.casefold() == own.casefold() for asked, own in pairs)
        return named and not abs(self.chart.temperature_C - temperature_C) > SAME_TEMPERATURE_K

    def decided(self) -> dict[str, Any]:
        """Return what a decision says that signs it, beside who, why, month and the day from which it holds."""
        assert self.proposed is not None
        names = ("instrument", "oil", "lot", "quantity", "temperature_C")
        numbers = {name: getattr(self.proposed, name) for name in ("centre", "sigma", "sigma_from")}
        return {name: getattr(self.chart, name) for name in names} | numbers | {"results": self.proposed.number}


def limits_due(charts: Sequence[Chart], month: Month, control: ControlChoices) -> tuple[LimitsDue, ...]:
    """Return the limits that are due at the end of a month, or of a year.

    charts : Those that count: what has moved asks for a repair, not for limits that follow it.
    """
    end = month.last.tz_convert(None).to_datetime64()
    held = [(one, *_parts(one, end)) for one in charts if one.limits is not None and one.holds_at(month.last)]
    due = [
        (one, old, new)
        for one, old, new in held
        for number in (one.limits.number if one.limits else 0,)
        if old.shape[1] + new.shape[1] >= (_FIRST if number < _FIRST else number + _THEN)
    ]
    tests = [_compared(basis[0], since[0]) for _, basis, since in due]
    p = [value for one in tests if one is not None for value in (one.f_p_value, one.t_p_value)]
    adjusted = iter(holm_adjusted(p))
    found = []
    for (chart, basis, since), one in zip(due, tests, strict=True):
        differs = one is not None and min(next(adjusted), next(adjusted)) < _FAMILY
        new, both = since if differs else np.concatenate([basis, since], axis=1), basis.shape[1] + since.shape[1]
        enough = not differs or since.shape[1] >= _THEN
        proposed = baseline_limits(new[0], new[1], None, control)[0] if enough else None
        found.append(LimitsDue(chart, both, since.shape[1], one, differs, len(p), proposed))
    return tuple(found)


def _parts(chart: Chart, end: np.datetime64) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the results that set its limits, and those in control since: as plotted, and as measured."""
    basis = [(part, which & (part.moments < end)) for part, which in chart.rests_on]
    last = max((part.moments[which][-1] for part, which in basis if which.any()), default=None)
    sets_them = {id(part): which for part, which in chart.rests_on}
    later = []
    for part in chart.of_lot:
        since = part.in_control & (part.moments < end) & ~sets_them.get(id(part), np.zeros(part.used.size, bool))
        later.append((part, since & (part.moments > last) if chart.signed and last is not None else since))
    found = ([np.array([part.plotted[which], part.values[which]]) for part, which in some] for some in (basis, later))
    before, after = (np.concatenate([np.zeros((2, 0)), *some], axis=1) for some in found)
    return before, after


def _compared(basis: NDArray[np.float64], since: NDArray[np.float64]) -> PeriodComparison | None:
    enough = min(basis.size, since.size) > 1 and np.ptp(basis) > 0.0 < np.ptp(since)
    return compare_periods(basis, since) if enough else None
