"""What a control chart says: its status over a period, its state when a run was measured, and what it can see."""

import math
import tomllib
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import Any, Literal

import numpy as np
import pandas as pd

from labcalc.judgement.control.charts import Chart, ChartSignal
from labcalc.lab import ControlChoices
from labcalc.statistics import ChartLimits, ChartSight, chart_sight
from labcalc.wording import counted, numeral, signed

# numbers of results, and degrees of freedom, for which figures are worked out; others take the nearest
_NODES = (2, 3, 5, 8, 10, 12, 15, 20, 25, 30, 40, 60, 100, 200, 500)


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
        half, most, begun = self.figures.half, self.figures.most, self.figures.begun
        seen = "most never find a shift of one standard deviation"
        if math.isfinite(half):
            seen = f"a shift of one standard deviation is found within {half:.0f} results in every second chart"
            seen += f", within {most:.0f} in nine of ten" if math.isfinite(most) else ""
        worst = f"in one chart of ten more than {numeral(100.0 * self.figures.begun_at_worst)}"
        alarms = f"{numeral(100.0 * begun)} false alarms begin in 100 results, {worst}"
        return f"Limits {of} ({counted(self.charts, 'chart')}): {alarms}; {seen}."


def sight_of(control: ControlChoices, limits: ChartLimits) -> ChartSight:
    """Return what a chart gives and sees by a laboratory's choices and its own limits."""
    number, degrees = _nearest(limits.number or math.inf), _nearest(limits.tail_degrees_of_freedom)
    choices = control.rules, control.ewma_weight, control.ewma_multiple
    return chart_sight(*choices, number, degrees, as_known=limits.as_known)


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


Status = Literal["in control", "provisional", "too few", "signal"]
CHART_STATUSES: tuple[Status, ...] = ("in control", "provisional", "too few", "signal")
"""From best to worst. ``provisional``: no signal, but limits from too few results; ``too few``: no limits at all."""

_OF_A_PATTERN = 0.004  # how often a chart without fault shows a usual pattern at a result: run lengths of 200 to 370
ADVICE: dict[str, Any] = tomllib.loads(files("labcalc.data").joinpath("advice.toml").read_text("utf-8"))
"""What to do, by what was found: at a signal, where something moved, where repeats scatter."""


@dataclass(frozen=True)
class ChartStatus:
    """Status of a chart over a period, with its reasons."""

    status: Status
    reasons: tuple[str, ...]
    signals: tuple[ChartSignal, ...]  # every signal of the period, accepted ones too


@dataclass(frozen=True)
class ChartState:
    """State of a chart at the time of a run; nothing in it is later than the run."""

    name: str
    status: Status
    finding: str
    distance: float  # the larger of the result's and the EWMA's from the centre, in its limit, [-]; NaN without limits
    chance: float = np.nan  # how often chance alone takes either so far, by limits as uncertain, [-]; NaN without


def chart_status(chart: Chart, first: pd.Timestamp, last: pd.Timestamp) -> ChartStatus:
    """Return the status of a chart from ``first`` on and before ``last``: a signal that nobody accepted comes first."""
    inside = chart.between(first, last)
    signals = tuple(one for one in chart.signals if inside[one.position])
    still_open = [one for one in signals if one.is_open]
    if chart.limits is None and not still_open:
        return ChartStatus("too few", (chart.no_limits,), signals)
    reasons = [_in_a_sentence(still_open)] if still_open else []
    accepted = [(one.measured_at, one.decision) for one in signals if one.decision is not None]
    reasons += [f"signal of {when:%Y-%m-%d} accepted by {by.who}: {by.why}" for when, by in accepted]
    in_baseline = sum(one.in_baseline for one in signals)
    reasons += [f"{counted(in_baseline, 'signal')} within the baseline: look at it again"] if in_baseline else []
    provisional = chart.limits is None or chart.limits.provisional
    if chart.limits is None:
        reasons.append(chart.no_limits)
    elif provisional:
        spread = "; spread from the lot before" * (chart.limits.sigma_from == "old lot")
        reasons.append(f"limits from {chart.limits.number} results only ({chart.baseline}){spread}")
    status: Status = "signal" if still_open else "provisional" if provisional else "in control"
    return ChartStatus(status, tuple(reasons), signals)


def states_at(charts: Sequence[Chart], moment: pd.Timestamp, *, days: float = 30.0) -> tuple[ChartState, ...]:
    """Return the state of charts at a moment, the end of a run, worst first: for each oil, quantity and temperature
    that of the lot last measured; a chart whose last result lies more than ``days`` [d] back is passed over."""
    until = moment.tz_convert(None).to_datetime64()
    earliest = until - np.timedelta64(pd.Timedelta(days=days))
    latest: dict[tuple[str, str, float], tuple[Chart, int]] = {}
    for chart in (one for one in charts if one.moments[-1] >= earliest):
        place = int(chart.moments.searchsorted(until, side="right")) - 1
        if place < 0 or chart.moments[place] < earliest:
            continue
        key = (chart.oil, chart.quantity, chart.temperature_C)
        other = latest.get(key)
        if other is None or other[0].moments[other[1]] <= chart.moments[place]:
            latest[key] = (chart, place)
    states = [_state(chart, place, moment) for chart, place in latest.values()]
    return tuple(sorted(states, key=lambda one: (-CHART_STATUSES.index(one.status), -np.nan_to_num(one.distance))))


def _state(chart: Chart, place: int, moment: pd.Timestamp) -> ChartState:
    end = chart.baseline_end
    if chart.limits is None or (end is not None and end > moment):
        return _without_limits(chart, place)
    distance, chance, words = _distance(chart, place)
    words += f"; limits from {chart.limits.number} results, {chart.limits_rest_on}"
    words += ", provisional" * chart.limits.provisional
    for signal in (one for one in chart.signals if one.position == place):
        if signal.decision is not None:
            words += f"; signal ({signal.what}) accepted by {signal.decision.who}: {signal.decision.why}"
        if signal.is_open:
            chance = min(chance, _OF_A_PATTERN)
            return ChartState(chart.name, "signal", f"{signal.what}: {words}", distance, chance)
    quiet: Status = "provisional" if chart.limits.provisional else "in control"
    return ChartState(chart.name, quiet, words, distance, chance)


def _without_limits(chart: Chart, place: int) -> ChartState:
    """Return the state of a chart whose baseline was not there yet: by its self-starting chart."""
    of = f" of {chart.limits.number}" if chart.limits is not None else ""
    number = int(chart.used[: place + 1].sum())
    words = f"its baseline was still being gathered ({number}{of} results)" if of else chart.no_limits
    signal = next((one for one in chart.signals if one.position == place and one.early and one.is_open), None)
    if signal is None:
        return ChartState(chart.name, "too few", words, np.nan)
    return ChartState(chart.name, "signal", f"{signal.what}; {words}", np.nan, _OF_A_PATTERN)


def _distance(chart: Chart, place: int) -> tuple[float, float, str]:
    """Return how far the last result, or the EWMA with it, lies from the centre in its limit, how likely, and words."""
    limits, ewma = chart.limits, chart.ewma
    assert limits is not None
    if not chart.used[place]:
        return np.nan, np.nan, "the last result is excluded by a decision"
    result = chart.plotted[place]
    share = abs(float(result) - limits.centre) / limits.half_width
    chance = limits.chance_beyond(share * limits.reach())
    away = f"{signed(result - limits.centre)} {chart.unit} from the centre, limit ±{numeral(limits.half_width)}"
    words = f"the last result is {away}"
    if ewma is None:
        return share, chance, words
    average = float(ewma.values[int(chart.used[: place + 1].sum()) - 1]) - limits.centre
    half_width = ewma.upper - limits.centre
    off = abs(average) / half_width
    of_ewma = limits.chance_beyond(off * limits.reach(ewma.multiple, weight=ewma.weight), weight=ewma.weight)
    if off > share:
        away = f"{signed(average)} {chart.unit} from the centre, limit ±{numeral(half_width)}"
        share, words = off, f"the moving average (EWMA) is {away}"
    return share, min(2.0 * min(chance, of_ewma), 1.0), words


def _in_a_sentence(signals: Sequence[ChartSignal]) -> str:
    first, last = signals[0].measured_at, signals[-1].measured_at
    when = f"on {first:%Y-%m-%d}" if first.date() == last.date() else f"from {first:%Y-%m-%d} to {last:%Y-%m-%d}"
    patterns = dict.fromkeys(part for one in signals for part in one.what.split("; "))
    return f"{counted(len(signals), 'signal')} {when}: {'; '.join(patterns)}"
