"""What needs action after a month, the most pressing first; every finding carries its numbers."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

import pandas as pd

from labcalc.errors import DecisionError, ExportError
from labcalc.exports import Refusal
from labcalc.judgement.certificates import UNITS
from labcalc.judgement.control.status import REMEDIES
from labcalc.judgement.duplicates.report import DuplicateReport
from labcalc.judgement.month.carry_over import CarryOver
from labcalc.judgement.month.follow_up import Action
from labcalc.judgement.month.oils import OilSummary
from labcalc.judgement.period import Month
from labcalc.judgement.record.admission import Doubt
from labcalc.lab import Decision
from labcalc.wording import at_celsius, counted, numeral, percent, signed

_URGENT, _IMPORTANT, _LATER = 0, 1, 2


@dataclass(frozen=True)
class _Finding:
    severity: int
    about: str
    finding: str
    what_to_do: str
    size: float = math.nan
    which: str = ""
    """Tells findings of one kind about the same thing apart."""


def _key(kind: str, one: _Finding) -> str:
    return re.sub(r"[\W_]+", "-", f"{kind} {one.about} {one.which}".casefold()).strip("-")


def ranked_actions(
    rows: pd.DataFrame,
    comparisons: pd.DataFrame,
    oils: tuple[OilSummary, ...],
    duplicates: DuplicateReport,
    carry_overs: tuple[CarryOver, ...],
    refusals: Sequence[Refusal],
    failures: Sequence[ExportError],
    month: Month,
    doubts: Sequence[Doubt] = (),
    unusable: Sequence[DecisionError] = (),
    waiting: Sequence[Decision] = (),
) -> tuple[Action, ...]:
    """Return what needs action, ranked: what touches released results first, then what wears the proof thin."""
    kinds = {
        "line": _unusable(unusable),
        "doubt": _doubts(doubts),
        "empty": _nothing_measured(rows, month),
        "signal": _signals(oils),
        "check": _beyond_certificate(comparisons),
        "unchecked": _without_reference(rows),
        "expired": _expired(oils, month),
        "unread": _failures(failures),
        "bias": _biased(oils),
        "index": _imprecise(oils),
        "repeats": _repeats(duplicates),
        "carry": _carried_over(carry_overs),
        "refused": _refusals(refusals),
        "limits": _limits(oils),
        "waiting": _waiting(waiting),
    }
    ranked = sorted(((kind, one) for kind, found in kinds.items() for one in found), key=lambda one: one[1].severity)
    return tuple(
        Action(rank, one.about, one.finding, one.what_to_do, one.severity == _URGENT, _key(kind, one), one.size)
        for rank, (kind, one) in enumerate(ranked, 1)
    )


def _waiting(waiting: Sequence[Decision]) -> Iterator[_Finding]:
    for one in waiting:
        about = one.run or one.instrument or one.file or f"action {one.decision}"
        finding = f"{one.what}, {about}, decided by {one.who}, waits for a second person: {one.why}"
        to_do = f"Another person looks at it: `labcalc record confirm {one.number}`, or a decision that corrects it."
        yield _Finding(_IMPORTANT, f"Decision {one.number}", finding, to_do)


def _unusable(unusable: Sequence[DecisionError]) -> Iterator[_Finding]:
    for one in unusable:
        to_do = "A line that can't be used is not applied: decide anew, and leave the file as it is."
        yield _Finding(_URGENT, f"Decisions, line {one.line}", one.problem, to_do)


def _doubts(doubts: Sequence[Doubt]) -> Iterator[_Finding]:
    files = Counter((one.file, one.about) for one in doubts)
    for one in [*{(one.file, one.about): one for one in reversed(doubts)}.values()][::-1]:
        more = files[one.file, one.about] - 1
        also = f"; and {counted(more, 'more run')} of the file" if more else ""
        to_do = "Kept out of baselines, limits, pairings and carry-over: decide to count or to exclude each."
        yield _Finding(
            _URGENT, one.file, f"line {one.line}, run {one.run}: {one.finding}{also}", to_do, which=one.about
        )


def _nothing_measured(rows: pd.DataFrame, month: Month) -> Iterator[_Finding]:
    if rows.empty:
        to_do = "See whether every export lies where earlier_exports of lab.toml looks for it."
        yield _Finding(_IMPORTANT, "Record", f"no run in {month.name}", to_do)


def _by_instrument(oils: tuple[OilSummary, ...]) -> Iterator[tuple[str, str, list[OilSummary]]]:
    def key(one: OilSummary) -> tuple[str, str]:
        return one.chart.instrument, one.chart.quantity

    for (instrument, quantity), group in groupby(sorted(oils, key=key), key=key):
        yield instrument, quantity, list(group)


def _signals(oils: tuple[OilSummary, ...]) -> Iterator[_Finding]:
    for instrument, quantity, group in _by_instrument(oils):
        signalling = [one for one in group if one.status.status == "signal"]
        if not signalling:
            continue
        first = min(signal.measured_at for one in signalling for signal in one.status.signals if signal.is_open)
        named = "; ".join(at_celsius(_oil(one), one.chart.temperature_C) for one in signalling)
        yield _Finding(
            _URGENT,
            f"{instrument}, {quantity}",
            f"{len(signalling)} of {len(group)} charts signal, the first on {first:%Y-%m-%d} ({named}). {_side(group)}",
            "In this order: " + "; ".join(f"{step}. {one}" for step, one in enumerate(REMEDIES, 1)) + ".",
            max(abs(_shift(one)) for one in signalling),
        )


def _oil(one: OilSummary) -> str:
    return f"{one.chart.oil} lot {one.chart.lot}" if one.chart.lot else one.chart.oil


def _side(group: Sequence[OilSummary]) -> str:
    """Say whether all oils and temperatures have moved to one side: the instrument then, not an oil."""
    shifts = [_shift(one) for one in group if one.chart.limits is not None and one.number]
    low, high = min(shifts), max(shifts)
    where = "from the centre of its chart" if len(shifts) == 1 else "from the centres of their charts"
    ends = dict.fromkeys(signed(end) for end in (low, high))
    reach = f"{' to '.join(ends)} {group[0].chart.unit}"
    if len(shifts) > 1 and low * high > 0.0:
        return (
            f"At the end of the month all {len(shifts)} lie {reach} {where}: oils and temperatures agree in the "
            "direction, so the instrument has moved, not an oil."
        )
    they = "the chart lies" if len(shifts) == 1 else "the charts lie"
    return f"At the end of the month {they} {reach} {where}: look at the oil first (bottle, lot, temperature)."


def _shift(one: OilSummary) -> float:
    """Return how far the EWMA lies from the centre with the month's last result; the month's mean without an EWMA."""
    chart = one.chart
    assert chart.limits is not None
    if chart.ewma is None:
        return one.mean - chart.limits.centre
    results = int(chart.used[chart.measured_at < one.until].sum())
    return float(chart.ewma.values[results - 1]) - chart.limits.centre


def _beyond_certificate(comparisons: pd.DataFrame) -> Iterator[_Finding]:
    known = comparisons.dropna(subset=["certified"])
    beyond = known[(known["value"] - known["certified"]).abs() > known["limit"]]
    for instrument, rows in beyond.groupby("instrument", sort=True):
        of = known.loc[known["instrument"] == instrument, "run"].nunique()
        yield _Finding(
            _URGENT,
            f"{instrument}, single checks",
            f"{rows['run'].nunique()} of {of} reference-oil checks lay outside their limit: "
            + "; ".join(_check_words(one) for _, one in rows.iterrows()),
            "See which results were released between the check before and the check after, and decide about each; "
            "write the decision down.",
            float(((rows["value"] - rows["certified"]).abs() / rows["limit"]).max()),
        )


def _check_words(one: pd.Series) -> str:
    return (
        f"{one['measured_at']:%Y-%m-%d}, {one['sample']}, {at_celsius(one['quantity'], one['temperature_C'])}, "
        f"{signed(one['value'] - one['certified'])} {UNITS[one['quantity']]}, "
        f"limit ±{numeral(one['limit'])}"
    )


def _without_reference(rows: pd.DataFrame) -> Iterator[_Finding]:
    instruments = rows["instrument"].astype(object).where(rows["instrument"].notna(), "")
    checked = set(instruments[rows["role"] == "reference"])
    for instrument in sorted(set(instruments) - checked):
        number = rows.loc[instruments == instrument, "run"].nunique()
        yield _Finding(
            _URGENT,
            instrument or "an instrument without a name",
            f"{counted(number, 'sample run')}, and no reference oil in the month: nothing shows that it was right",
            "Run both reference oils before the next result is released.",
            number,
        )


def _expired(oils: tuple[OilSummary, ...], month: Month) -> Iterator[_Finding]:
    """Name lots that were measured after their certificate had run out."""
    late: dict[tuple[str, str], tuple[object, int]] = {}
    for one in oils:
        chart = one.chart
        inside = chart.measured_at[chart.between(month.first, month.last)]
        number = 0 if chart.valid_to is None else sum(day > chart.valid_to for day in inside.date)
        if number:
            key = (chart.oil, chart.lot)
            late[key] = (chart.valid_to, max(number, late.get(key, (None, 0))[1]))
    for (oil, lot), (valid_to, number) in sorted(late.items()):
        yield _Finding(
            _URGENT,
            f"{oil} lot {lot}",
            f"its certificate ran out on {valid_to}; {counted(number, 'result')} of a chart came after it",
            "Go over to a lot with a valid certificate.",
            number,
        )


def _failures(failures: Sequence[ExportError]) -> Iterator[_Finding]:
    for one in failures:
        yield _Finding(
            _IMPORTANT,
            "Record",
            f"an export could not be read: {one}",
            "Copy it again, or take it away.",
            which=one.file,
        )


def _biased(oils: tuple[OilSummary, ...]) -> Iterator[_Finding]:
    for instrument, quantity, group in _by_instrument(oils):
        biased = [one for one in group if one.bias is not None and one.bias.significant]
        if not biased:
            continue
        worst = max(biased, key=lambda one: abs(one.bias.bias) if one.bias else 0.0)
        assert worst.bias is not None
        yield _Finding(
            _IMPORTANT,
            f"{instrument}, {quantity}",
            f"bias on {len(biased)} of {len(group)} charts, the largest {signed(worst.bias.bias)} "
            f"{worst.chart.unit} ± {numeral(worst.bias.expanded_uncertainty)} ({worst.chart.name})",
            "Compare it with the uncertainty that is reported; adjust, or let the uncertainty cover it.",
            abs(worst.bias.bias),
        )


def _imprecise(oils: tuple[OilSummary, ...]) -> Iterator[_Finding]:
    for instrument, quantity, group in _by_instrument(oils):
        weak = [one for one in group if one.index is not None and one.index.verdict != "satisfactory"]
        for one in weak:
            assert one.index is not None
            yield _Finding(
                _IMPORTANT,
                f"{instrument}, {quantity}",
                f"{one.chart.name}: performance index {numeral(one.index.index, 2)} "
                f"({' to '.join(numeral(end, 2) for end in one.index.interval)}), {one.index.verdict}",
                "Review how the method is run: filling, temperature, cleaning.",
                1.0 / one.index.index,
                one.chart.name,
            )


def _repeats(duplicates: DuplicateReport) -> Iterator[_Finding]:
    for one in duplicates.findings:
        yield _Finding(_IMPORTANT, one.about, one.finding, one.what_to_do)


def _carried_over(carry_overs: tuple[CarryOver, ...]) -> Iterator[_Finding]:
    for one in carry_overs:
        if not one.at_risk:
            continue
        moved = [(run, run.worst.effect, run.worst.contrast.unit) for run in one.at_risk]
        named = "; ".join(
            f"{run.sample} after {run.sample_before} ({signed(effect)} {unit})" for run, effect, unit in moved
        )
        share = next(s for s in one.shares if s.shows)
        yield _Finding(
            _IMPORTANT,
            f"{one.instrument}, carry-over",
            f"{percent(share.value)} of the sample before stays in the cell, which moved "
            f"{counted(len(one.at_risk), 'result')} of the month by more than the repeatability: {named}",
            "Measure these again after a sample of their own kind; order runs from thin to thick" + _rinse(one) + ".",
            share.value,
        )


def _rinse(one: CarryOver) -> str:
    ratio = one.ratio_at(min(run.worst.limit for run in one.at_risk))
    return f", or rinse once more after a sample more than {numeral(ratio, 0)} times as thick" if ratio < 1e6 else ""


def _refusals(refusals: Sequence[Refusal]) -> Iterator[_Finding]:
    files = Counter(one.file for one in refusals)
    if files:
        yield _Finding(
            _LATER,
            "Exports",
            f"{counted(len(refusals), 'row')} refused: {', '.join(f'{file} ({n})' for file, n in files.items())}",
            "Each is named below with what was expected: mend the export, or measure again.",
            len(refusals),
        )


def _limits(oils: tuple[OilSummary, ...]) -> Iterator[_Finding]:
    without = [one for one in oils if one.chart.limits is None]
    numbers = [one.chart.limits.number for one in oils if one.chart.limits and one.chart.limits.provisional]
    parts = [f"none on {len(without)} of {len(oils)} charts ({without[0].chart.no_limits})"] if without else []
    if numbers:
        parts.append(f"provisional on {len(numbers)} of {len(oils)} charts, from {min(numbers)} results at the least")
    if parts:
        yield _Finding(
            _LATER,
            "Control limits",
            "; ".join(parts),
            "When enough results in control are there, set a longer baseline in [control] of lab.toml.",
        )
