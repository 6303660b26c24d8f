"""What control charts give and see: false alarms, and results until a shift is found, for the baseline of each."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from labcalc.lab import ControlChoices
from labcalc.statistics import ChartLimits, ChartSight, chart_sight
from labcalc.wording import counted, numeral

_NODES = (2, 3, 5, 8, 10, 12, 15, 20, 25, 30, 40, 60, 100, 200, 500)
"""Numbers of results, and degrees of freedom, for which figures are worked out; others take the nearest."""


@dataclass(frozen=True)
class Sight:
    """What charts with limits from so many results give and see."""

    number: int  # results that set the centre, [-]; 0 for a known one
    charts: int
    figures: ChartSight

    @property
    def sentence(self) -> str:
        """The figures in one sentence."""
        of = f"from {self.number} results" if self.number else "that are known"
        seen = (
            f"a shift of one standard deviation is found within {self.figures.half:.0f} results in every second chart"
            + (f", within {self.figures.most:.0f} in nine of ten" if math.isfinite(self.figures.most) else "")
            if math.isfinite(self.figures.half)
            else "most never find a shift of one standard deviation"
        )
        return (
            f"Limits {of} ({counted(self.charts, 'chart')}): {numeral(100.0 * self.figures.begun)} false alarms begin "
            f"in 100 results, in one chart of ten more than {numeral(100.0 * self.figures.begun_at_worst)}; {seen}."
        )


def sight_of(control: ControlChoices, limits: ChartLimits) -> ChartSight:
    """Return what a chart gives and sees by a laboratory's choices and its own limits."""
    number = _nearest(limits.number) if limits.number else math.inf
    degrees = _nearest(limits.tail_degrees_of_freedom)
    return chart_sight(
        control.rules, control.ewma_weight, control.ewma_multiple, number, degrees, as_known=limits.as_known
    )


def _nearest(number: float) -> float:
    if number > 2.0 * _NODES[-1]:
        return math.inf
    return float(min(_NODES, key=lambda node: abs(1.0 / node - 1.0 / max(number, 1.0))))


def sights_of(control: ControlChoices, limits: Sequence[ChartLimits]) -> tuple[Sight, ...]:
    """Return what charts give and see: those of the size of baseline that most have, and of the smallest."""
    sizes = Counter(one.number for one in limits)
    told = dict.fromkeys(size for size in (*(most for most, _ in sizes.most_common(1)), min(sizes, default=0)) if sizes)
    first = {one.number: one for one in reversed(limits)}
    return tuple(Sight(size, sizes[size], sight_of(control, first[size])) for size in told)
