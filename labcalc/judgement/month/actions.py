"""What needs action after a month, the most pressing first, and who sees to it until it is closed."""

import math
import re
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import date

import pandas as pd

from labcalc.errors import DecisionError, ExportError
from labcalc.exports import Refusal
from labcalc.judgement.carry_over.effect import ExpectedEffect
from labcalc.judgement.checks import CLOSED, IMPORTANT, LATER, URGENT, Action, shortened
from labcalc.judgement.control.charts import Chart
from labcalc.judgement.duplicates.report import DuplicateReport
from labcalc.judgement.month import of_oils, whose_fault
from labcalc.judgement.month.checks import Checks
from labcalc.judgement.month.oils import CarryOver, OilSummary
from labcalc.judgement.period import Month
from labcalc.judgement.record.admission import Doubt, first_of_files
from labcalc.lab import Assignment, Decision
from labcalc.wording import at_celsius, counted, numeral, percent, signed

_DECIDE_ANEW = "A line that can't be used is not applied: decide anew, and leave the file as it is."
_COUNT_OR_NOT = "Kept out of baselines, limits, pairings and carry-over: decide to count or to exclude each."
_RESTORE = "Restore the backup of the record; `labcalc record verify` says whether that holds."
_LOOK_FOR_EXPORTS = "See whether every export lies where earlier_exports of lab.toml looks for it."


def ranked_actions(
    rows: pd.DataFrame,
    checks: Checks,
    duplicates: DuplicateReport,
    carry_overs: tuple[CarryOver, ...],
    refusals: Sequence[Refusal],
    failures: Sequence[ExportError],
    month: Month,
    doubts: Sequence[Doubt] = (),
    unusable: Sequence[DecisionError] = (),
    waiting: Sequence[Decision] = (),
    rounds: Sequence[Action] = (),
    broken: str = "",
) -> tuple[Action, ...]:
    """Return what needs action, ranked: what touches released results first, then what wears the proof thin."""
    changed = Action("Record", f"changed since it was written: {broken}", _RESTORE, URGENT, weight=math.inf)
    kinds: dict[str, Iterable[Action]] = {
        "broken": [changed] if broken else [],  # before all else
        "line": (Action(f"Decisions, line {one.line}", one.problem, _DECIDE_ANEW, URGENT) for one in unusable),
        "doubt": (
            Action(one.file, f"line {one.line}, run {one.run}: {one.finding}", _COUNT_OR_NOT, URGENT, which=one.about)
            for one in first_of_files(doubts)
        ),
        "empty": [Action("Record", f"no run in {month.name}", _LOOK_FOR_EXPORTS)] if rows.empty else [],
        "moved": whose_fault.moved(checks),
        "check": whose_fault.single_checks(checks),
        "unchecked": _without_reference(rows),
        "expired": _expired(checks.oils, month),
        "single": whose_fault.single_results(checks),
        "gap": of_oils.gaps(checks),
        "unread": (
            Action("Record", f"an export could not be read: {one}", "Copy it again, or take it away.", which=one.file)
            for one in failures
        ),
        "bias": whose_fault.biases(checks),
        "spread": of_oils.spreads(checks),
        "index": of_oils.imprecise(checks),
        "round": rounds,
        "repeats": _repeats(duplicates),
        "carry": _carried_over(carry_overs),
        "repair": of_oils.repairs(checks),
        "refused": _refusals(refusals),
        "limits": of_oils.baselines(checks),
        "due": of_oils.due(checks),
        "waiting": _waiting(waiting),
    }
    found = [replace(one, key=_key(kind, one)) for kind, some in kinds.items() for one in some]
    return ranked(found, lambda one: (one.severity, -one.weight))


def ranked(actions: Iterable[Action], by: Callable[[Action], tuple[float, ...]]) -> tuple[Action, ...]:
    """Return actions in an order, each with its rank."""
    return tuple(replace(one, rank=rank) for rank, one in enumerate(sorted(actions, key=by), 1))


def _key(kind: str, one: Action) -> str:
    return re.sub(r"[\W_]+", "-", f"{kind} {one.about} {one.which}".casefold()).strip("-")


def _waiting(waiting: Sequence[Decision]) -> Iterator[Action]:
    for one in waiting:
        about = one.run or one.instrument or one.file or f"action {one.decision}"
        finding = f"{one.what}, {about}, decided by {one.who}, waits for a second person: {one.why}"
        to_do = f"Another person looks at it: `labcalc record confirm {one.number}`, or a decision that corrects it."
        yield Action(f"Decision {one.number}", finding, to_do)


def _without_reference(rows: pd.DataFrame) -> Iterator[Action]:
    instruments = rows["instrument"].astype(object).where(rows["instrument"].notna(), "")
    for instrument in sorted(set(instruments) - set(instruments[rows["role"] == "reference"])):
        number = rows.loc[instruments == instrument, "run"].nunique()
        about, facts = instrument or "an instrument without a name", {"instrument": instrument, "unit": "sample runs"}
        found = f"{counted(number, 'sample run')}, and no reference oil in the month: nothing shows that it was right"
        to_do = "Run both reference oils before the next result is released."
        yield Action(about, found, to_do, URGENT, number, facts=facts)


def _expired(oils: tuple[OilSummary, ...], month: Month) -> Iterator[Action]:
    """Name lots that were measured after their certificate had run out."""
    late: dict[tuple[str, str, date], int] = {}
    for chart in (one.chart for one in oils):
        if chart.valid_to is not None:
            inside = chart.measured_at[chart.between(month.first, month.last)]
            key = (chart.oil, chart.lot, chart.valid_to)
            late[key] = max(sum(day > chart.valid_to for day in inside.date), late.get(key, 0))
    for (oil, lot, valid_to), number in sorted(late.items()):
        if number:
            found = f"its certificate ran out on {valid_to}; {counted(number, 'result')} of a chart came after it"
            facts = {"oil": oil, "unit": "results", "since": str(valid_to)}
            to_do = "Go over to a lot with a valid certificate."
            yield Action(f"{oil} lot {lot}", found, to_do, URGENT, number, facts=facts)


def _repeats(duplicates: DuplicateReport) -> Iterator[Action]:
    for one in duplicates.findings:
        found, details = shortened(one.finding.split("; "))
        yield replace(one, finding=found, details=tuple(line.removeprefix("beyond their limit: ") for line in details))


def _carried_over(carry_overs: tuple[CarryOver, ...]) -> Iterator[Action]:
    for one in (of for of in carry_overs if of.at_risk):
        runs = [(run, f"{run.sample} after {run.sample_before}") for run in one.at_risk]
        in_limits = [abs(run.worst.effect) / run.worst.limit for run in one.at_risk]
        most, name = runs[in_limits.index(max(in_limits))]
        size = f"{signed(most.worst.effect)} {most.worst.contrast.unit} ({name})"
        share = max(one.shares, key=lambda s: s.value if s.shows else -1.0)
        stays = f": {percent(share.value)} of the sample before stays in the cell" * share.shows
        found = f"{counted(len(runs), 'result')} moved by more than the repeatability, the most {size}{stays}"
        to_do = "Measure these again after a sample of their own kind; order runs from thin to thick"
        if (ratio := one.ratio_at(min(run.worst.limit for run in one.at_risk))) < 1e6:
            to_do += f", or rinse once more after a sample more than {numeral(ratio, 0)} times as thick"
        details = tuple(f"{run.run}: {name}, {_expected(run.worst)}" for run, name in runs)
        facts = {"instrument": one.instrument, "unit": "1", "runs": ", ".join(run.run for run in one.at_risk)}
        about, weight = f"{one.instrument}, carry-over", sum(in_limits)
        yield Action(about, found, f"{to_do}.", size=share.value, weight=weight, facts=facts, details=details)


def _expected(worst: ExpectedEffect) -> str:
    """Say what is expected of a result, against r, and where the residue mixes in proportion to volume."""
    what = at_celsius(worst.contrast.quantity, worst.contrast.temperature_C)
    r = f"r {numeral(worst.limit)}, at most {signed(worst.at_most)}"
    return f"{signed(worst.effect)} {worst.contrast.unit} of {what}; {r}"


def _refusals(refusals: Sequence[Refusal]) -> Iterator[Action]:
    files = Counter(one.file for one in refusals)
    if files:
        named, details = shortened([f"{file} ({number})" for file, number in files.items()], 4)
        found = f"{counted(len(refusals), 'row')} refused: {named.replace('; ', ', ')}"
        to_do = "Each is named below with what was expected: mend the export, or measure again."
        yield Action("Exports", found, to_do, LATER, len(refusals), facts={"unit": "rows"}, details=details)


# --- Who sees to it ---

_GROWN = 1.1  # times its size when the action was opened, from which a finding is growing, [-]: our own choice
_NTH = ("second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth", "eleventh", "twelfth")
_Again = Callable[[pd.Timestamp], Collection[str]]


def followed(
    found: Sequence[Action],
    assignments: Sequence[Assignment],
    period: Month,
    measured: pd.Timestamp | None = None,
    again: _Again = lambda _: (),
    charts: Sequence[Chart] = (),
) -> tuple[Action, ...]:
    """Return what was found with the actions about it, and those whose finding is gone: overdue first, closed last.

    An action appears from its month on, and goes with the month after its closing, but for a finding that came again.

    measured : The last result of the period: a year counts an action's months up to it.
    again : Returns the keys of what the period's results from a moment on show by themselves.
    charts : Those that may show an effect.
    """
    known = [one for one in assignments if one.action.month <= period.parts[-1].name]
    of_month = [one for one in known if not _closed_before(one, period.first)]
    month = [one for one in period.parts if measured is None or pd.isna(measured) or one.first <= measured][-1]
    keys = {one.key for one in found}
    beside = []
    for one in found:
        own = [other for other in of_month if other.action.finding == one.key]
        closed = [other for other in known if other.action.finding == one.key]
        if closed and all(other.closed for other in closed):
            beside.append(_closed(one, closed[-1], period, again, charts))
            continue
        words = "; ".join(_in_words(other, month, one.size if period.months == 1 else math.nan) for other in own)
        late = any(_is_overdue(other, month) for other in own)
        beside.append(replace(one, followed=words, overdue=late, severity=URGENT if late else one.severity))
    gone = [one for one in of_month if one.action.finding not in keys and not _closed_before(one, period.last)]
    both = [*beside, *(_gone(one, month) for one in gone)]
    return ranked(both, lambda one: (one.severity == CLOSED, one.weight < math.inf, not one.overdue, not one.urgent))


def _closed(one: Action, last: Assignment, period: Month, again: _Again, charts: Sequence[Chart]) -> Action:
    """Return a finding whose action is closed: it asks for nothing, unless results since the closing show it again."""
    assert last.closed is not None
    when, words = pd.Timestamp(last.closed.when).tz_convert(period.first.tz), _in_words(last, period, math.nan)
    if when < period.last and (when <= period.first or one.key in again(when)):
        return replace(one, finding=f"{one.finding}; found again in results after that: {words}")
    own = [chart for chart in charts if _is_of(chart, one)]
    if own and not any(chart.measured_at[-1] > last.action.when for chart in own):
        words += "; no check of it since what was acted on: its effect isn't shown yet"
    return replace(one, followed=words, severity=CLOSED, what_to_do="")


def _is_of(chart: Chart, one: Action) -> bool:
    """Tell whether a finding names a chart; one that names no instrument and no oil names none."""
    instrument, oil, quantity = (str(one.facts.get(name, "")) for name in ("instrument", "oil", "quantity"))
    return (
        bool(instrument or oil)
        and (not instrument or chart.instrument in instrument.split(", "))
        and (not oil or oil in (chart.oil, f"{chart.oil} lot {chart.lot}"))
        and quantity in ("", chart.quantity)
    )


def _closed_before(one: Assignment, moment: pd.Timestamp) -> bool:
    return one.closed is not None and one.closed.when < moment


def _is_overdue(one: Assignment, month: Month) -> bool:
    """Tell whether it was open and overdue on the last day of the month: a page depends on no clock."""
    due = one.action.due
    return one.closed is None and due is not None and due < (month.last - pd.Timedelta(days=1)).date()


def _gone(one: Assignment, month: Month) -> Action:
    late, words, number = _is_overdue(one, month), _in_words(one, month, math.nan), one.action.number
    finding, to_do, severity = "finding gone", "", CLOSED
    if one.closed is None:
        finding, severity = f"{finding}: check the effect and close", URGENT if late else IMPORTANT
        to_do = f"Check the effect and close it: `labcalc record close {number} --effect TEXT`."
    found = Action(f"Action {number}", f"{finding}. It was: {one.action.why}", to_do, severity, overdue=late)
    return replace(found, key=one.action.finding, followed=words)


def _in_words(one: Assignment, month: Month, size: float) -> str:
    action, closed = one.action, one.closed
    said = [f"action {action.number}", action.owner, f"due {action.due}"]
    if closed is not None:
        return ", ".join([*said, f"closed {closed.when:%Y-%m-%d} by {closed.who}: {closed.why}"])
    said += ["overdue"] if _is_overdue(one, month) else []
    if action.month < month.name:
        nth = (pd.Period(month.name, "M") - pd.Period(action.month, "M")).n
        since, ratio = pd.Timestamp(f"{action.month}-01"), size / action.size if action.size else math.nan
        said.append(f"open since {since.month_name()}" + (f" {since.year}" if since.year != month.first.year else ""))
        said.append(f"{_NTH[nth - 1]} month" if nth <= len(_NTH) else f"month {nth + 1}")
        if not math.isnan(ratio):
            said.append("growing" if ratio > _GROWN else "shrinking" if ratio < 1.0 / _GROWN else "as large as then")
    return ", ".join(said)
