"""The quality of a month: reference oils, repeats, carry-over, refusals, what is to be done or known."""

import hashlib
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from labcalc.errors import ExportError, MonthError, StudyError
from labcalc.exports import Refusal, SourceFile
from labcalc.judgement.checks import CLOSED, IMPORTANT, URGENT, Action
from labcalc.judgement.control.status import Sight, sight_of, sights_of
from labcalc.judgement.duplicates.report import DuplicateReport, duplicates_between
from labcalc.judgement.month.actions import followed, ranked_actions
from labcalc.judgement.month.checks import Checks, checks_of
from labcalc.judgement.month.oils import CarryOver, OilSummary, month_carry_overs
from labcalc.judgement.period import Month, month_of
from labcalc.judgement.record.admission import Doubt
from labcalc.judgement.record.measurements import Material, last_kept
from labcalc.judgement.setup.description import unknown_runs
from labcalc.judgement.studies.rounds import rounds_between
from labcalc.judgement.variance import components
from labcalc.lab import Decision, Laboratory, certificates, find_entries, verify_record
from labcalc.showing import Shown
from labcalc.wording import at_celsius, counted

_NEAR_DAYS = 60  # how long before its end a certificate is named, [d]: time to order the next lot; of a year, a year
_BY_LAB_TOML = "in lab.toml, not yet in the record"


def notices_of(
    rows: pd.DataFrame, record: pd.DataFrame, oils: tuple[OilSummary, ...], material: Material, month: Month
) -> tuple[str, ...]:
    """Return the notices of a month, each a sentence."""
    names, undated = {source.name for source in material.sources_of(rows)}, int(record["measured_at"].isna().sum())
    return (
        *_amount(rows, oils, month),
        *_lot_changes(material, month),
        *_certificates(oils, month),
        *_changed_certificates(oils, material.laboratory, month),
        *([f"Without a time, and so in no month: {counted(undated, 'row')} of the record."] if undated else []),
        *(f"{one}." for one in material.repeated if one.split(": ")[0] in names),
        *(
            f"A decision of {one.who} ({one.what}) is about run {one.run}, which the record does not hold."
            for one in unknown_runs(material.decisions, record)
        ),
    )


def _amount(rows: pd.DataFrame, oils: tuple[OilSummary, ...], month: Month) -> Iterator[str]:
    if rows.empty:
        yield f"The record holds no run in {month.name}: there is nothing to report."
        return
    span = "month" if month.months == 1 else "year"
    for role, word in (("reference", "reference oil"), ("sample", "sample")):
        number = rows.loc[rows["role"] == role, "run"].nunique()
        if number < 2:
            yield f"The {span} holds {'one run' if number else 'no run'} of a {word}."
    for one in oils:
        if one.number == 1 and not one.chart.is_part:
            yield f"{one.chart.instrument}: {one.chart.name} has one result this {span}: no spread and no test."


def _lot_changes(material: Material, month: Month) -> Iterator[str]:
    first: dict[tuple[str, str], dict[str, pd.Timestamp]] = {}
    for chart in material.charts:
        lots = first.setdefault((chart.instrument, chart.oil), {})
        lots[chart.lot] = min(lots.get(chart.lot, chart.measured_at[0]), chart.measured_at[0])
    together: dict[tuple[str, str], list[str]] = {}
    for (instrument, oil), lots in first.items():
        new = {lot: at for lot, at in lots.items() if month.first <= at < month.last and at > min(lots.values())}
        named = [f"{f'lot {lot}' if lot else 'a lot without a name'} on {at:%Y-%m-%d}" for lot, at in new.items()]
        if named:
            together.setdefault((oil, ", ".join(named)), []).append(instrument)
    for (oil, told), instruments in together.items():
        then = "the new lot has a chart of its own; beneath the instrument's charts it is compared with the lot before"
        yield f"{', '.join(instruments)}: {oil} went over to {told}; {then}, by the days on which both were measured."


def _certificates(oils: tuple[OilSummary, ...], month: Month) -> Iterator[str]:
    lots = {(one.chart.oil, one.chart.lot): one.chart.valid_to for one in oils}
    without: list[str] = []
    for (oil, lot), valid_to in sorted(lots.items()):
        name = f"{oil} lot {lot}" if lot else oil
        if valid_to is None:
            without.append(name)
        elif valid_to < (month.last + pd.Timedelta(days=_NEAR_DAYS if month.months == 1 else 366)).date():
            then = "; run the next lot beside it before" * (valid_to >= month.first.date())
            what = f"results after that day prove nothing about bias{then}"
            yield f"The certificate of {name} is valid to {valid_to}: {what}."
    if without:
        its, names = "its" if len(without) == 1 else "their", ", ".join(without)
        yield f"lab.toml holds no certificate that fits {names}: {its} results can show a change, but not a bias."


def _changed_certificates(oils: tuple[OilSummary, ...], laboratory: Laboratory, month: Month) -> Iterator[str]:
    """Name certified values that were changed since the month began: what was rendered before went by the old ones."""
    if laboratory.record is None:
        return
    told = [(one.content, one) for one in find_entries(laboratory, kind="certificate")]
    lots, last = {(one.chart.oil, one.chart.lot) for one in oils}, dict[tuple[str, str], list[str]]()
    for said, entry in (*told, *((one, None) for one in certificates(laboratory))):
        values = [
            f"{at_celsius(one['quantity'], float(one['temperature_C']))} {one['value']} ± {one['expanded_uncertainty']}"
            for one in said["certified"]
        ]
        name = (said["oil"], said["lot"])
        before, last[name] = last.get(name, values), values
        if before != values and name in lots and (entry is None or pd.Timestamp(entry.at) >= month.first):
            by = f"on {entry.at[:10]} by {entry.who}, entry {entry.n}" if entry else _BY_LAB_TOML
            was = ", ".join(one for one in before if one not in values) or "fewer values"
            now = ", ".join(one for one in values if one not in before) or "fewer values"
            changed = f"The certificate of {name[0]} lot {name[1]} was changed ({by}) from {was} to {now}."
            yield f"{changed} This page goes by the new values; what was rendered before went by the old."


def month_spreads(material: Material, rows: pd.DataFrame, month: Month) -> tuple[components.ComponentsOfVariance, ...]:
    """Split the spread of a month's oils and lots, side by side, else each alone, by all results up to its end."""
    in_use = set(components.sample_names(rows[rows["role"] == "reference"]))
    record = material.record
    known = record[(record["role"] == "reference") & (record["measured_at"] < month.last)]
    past = replace(material, record=known[components.sample_names(known).isin(in_use)])
    studies = components.components_side_by_side(past) or components.components_of_variance(past)
    return tuple(sorted(studies, key=lambda one: (one.quantity == "density", one.samples, one.temperature_C)))


def month_rounds(laboratory: Laboratory, month: Month) -> tuple[tuple[Action, ...], tuple[str, ...]]:
    """Return what the rounds of a month call for, and a notice that says how many there are; none without a file."""
    if (file := laboratory.rounds_file) is None:
        return (), ()
    try:
        number, found = rounds_between(file, month.first.date(), month.last.date())
    except StudyError as refusal:
        to_do = "Mend the file: until then no round counts."
        return (Action("Proficiency rounds", f"can't be read: {refusal}", to_do, IMPORTANT),), ()
    actions = tuple(
        Action(about, finding, to_do, URGENT if rank == 2 else IMPORTANT, which=finding.split()[0])
        for rank, about, finding, to_do in found
    )
    return actions, (f"{counted(number, 'proficiency round')} of the period in {file.name}.",)


def workload_of(rows: pd.DataFrame) -> pd.DataFrame:
    """Count the runs of each operator on each instrument: columns ``sample``, ``reference``; no name is empty."""
    first = rows.drop_duplicates("run")
    names = [first[name].astype(object).where(first[name].notna(), "") for name in ("operator", "instrument")]
    return pd.crosstab(names, first["role"]).reindex(columns=["sample", "reference"], fill_value=0)


MONTH_VERDICTS = ("nothing to do", "to be watched", "needs action")  # from best to worst


@dataclass(frozen=True, eq=False, repr=False)
class MonthReport(Shown):
    """Everything that a monthly quality report says."""

    month: Month
    laboratory: Laboratory
    runs: int  # runs of samples
    reference_runs: int
    oils: tuple[OilSummary, ...]
    checks: Checks  # what moved, gaps between good checks, corrective actions
    sights: tuple[Sight, ...]  # what the charts give and see, by the size of their baselines
    spreads: tuple[components.ComponentsOfVariance, ...]  # of its reference oils, with results of the same lots before
    duplicates: DuplicateReport  # of repeats whose last result lies in the month
    carry_overs: tuple[CarryOver, ...]
    certificates: tuple[dict[str, Any], ...]  # of the lots measured in it, as ``labcalc.lab.certificates`` says them
    workload: pd.DataFrame  # as ``workload_of`` returns it
    decisions: tuple[Decision, ...]  # those about runs of the month, and those written in it
    notices: tuple[str, ...]  # beside the numbers: an empty month, a change of lot, a certificate that runs out
    refusals: tuple[Refusal, ...]  # of the month, and those of no readable time in exports that hold rows of it
    failures: tuple[ExportError, ...]  # exports of the record that could not be read
    sources: tuple[SourceFile, ...]  # the exports that hold rows of the month
    limit_sources: tuple[SourceFile, ...]  # those that hold the baselines of its charts
    actions: tuple[Action, ...]
    broken: str  # the first entry of the record that isn't as it was written, and what is wrong; empty where all are
    digest: str  # SHA-256 over everything that the report depends on, beside the version of labcalc

    @property
    def open_actions(self) -> tuple[Action, ...]:
        """Those that are not closed."""
        return tuple(one for one in self.actions if one.severity != CLOSED)

    @property
    def rank(self) -> int:
        """0 nothing to do, 1 to be watched, 2 needs action."""
        return max((2 if one.urgent else 1 for one in self.open_actions), default=0)

    @property
    def verdict(self) -> str:
        """One of ``MONTH_VERDICTS``."""
        return MONTH_VERDICTS[self.rank]

    @property
    def reason(self) -> str:
        """The first sentence of the first action, and how many more actions there are."""
        found = self.open_actions
        if not found:
            return f"{self.reference_runs} reference-oil runs and {self.runs} sample runs: nothing stands out"
        more = f" (and {len(found) - 1} more)" if len(found) > 1 else ""
        return f"{found[0].about}: {re.split('[.;] ', found[0].finding)[0]}{more}"

    def facts(self) -> Iterator[tuple[str, str]]:
        """Return what is shown of it, each fact with its name."""
        yield self.month.name, f"{self.verdict}. {self.reason}"
        yield "runs", f"{self.runs} of samples, {self.reference_runs} of reference oils"
        yield from ((one.about, one.finding) for one in self.actions)

    @property
    def number(self) -> str:
        """Number of the report: the period, and the first digits of the digest of all that it rests on."""
        return f"{self.month.name} / {self.digest[:8]}"

    @property
    def expected_false_alarms(self) -> float:
        """Alarms that chance alone begins, as is to be expected of the month's results, [-]."""
        choices, oils = self.laboratory.control, [one for one in self.oils if one.chart.limits is not None]
        return sum(one.number * sight_of(choices, one.chart.limits).begun for one in oils if one.chart.limits)


@last_kept
def report_month(material: Material, month: str = "") -> MonthReport:
    """Put together the quality of a month, such as ``2026-03``; none: the last month with a run.

    Raises MonthError : The month is none, or the record holds no dated run.
    """
    last = material.record["measured_at"].max()
    if not month and pd.isna(last):
        raise MonthError("the record holds no dated run: there is no month to report on")
    return report_period(material, month_of(month or f"{last:%Y-%m}", material.laboratory.time_zone))


def report_period(material: Material, period: Month) -> MonthReport:
    """Put together the quality of a month, or of a year as one long month."""
    laboratory, record = material.laboratory, material.record
    rows = record[period.holds(record["measured_at"])]
    names, runs = set(rows["source_file"]), set(rows["run"])
    others = (set(record["source_file"]) if material.doubts else set()) - names

    def inside(one: Doubt | Refusal) -> bool:
        return one.measured_at is not None and period.first <= one.measured_at < period.last

    # versions of a run are of its month; a doubted time, of each that its file has rows of, of any if none counts
    doubts = [one for one in material.doubts if (one.file not in others if one.about == "time" else inside(one))]
    checks = checks_of(material, period)
    duplicates = duplicates_between(material, period)
    carry_overs = month_carry_overs(material, rows, period)
    refused = material.reading.refusals
    refusals = tuple(one for one in refused if (one.file in names if one.measured_at is None else inside(one)))
    failures = (*material.reading.failures, *material.record_failures)
    rounds, of_rounds = month_rounds(laboratory, period)
    fault = verify_record(laboratory, entries_alone=True)[1] if laboratory.record else None
    broken = "" if fault is None else str(fault)
    found = ranked_actions(
        *(rows, checks, duplicates, carry_overs, refusals, failures, period),
        *(doubts, material.unusable, material.waiting, rounds, broken),
    )

    def again(since: pd.Timestamp) -> set[str]:
        rest = Month(period.parts[-1].name, since, period.last)
        return {one.key for one in report_period(material, rest).open_actions}

    actions = followed(found, material.assignments, period, rows["measured_at"].max(), again, material.charts)
    measured = {(one.chart.oil, one.chart.lot) for one in checks.oils}
    baselines = (zip(one.chart.runs, one.chart.in_baseline, strict=True) for one in checks.oils)
    in_baselines = {run for some in baselines for run, sets_limits in some if sets_limits}
    held = tuple(one for one in certificates(laboratory) if (one["oil"], one["lot"]) in measured)
    return MonthReport(
        month=period,
        laboratory=laboratory,
        runs=int(rows.loc[rows["role"] != "reference", "run"].nunique()),
        reference_runs=int(rows.loc[rows["role"] == "reference", "run"].nunique()),
        oils=checks.oils,
        checks=checks,
        sights=sights_of(laboratory.control, [one.chart.limits for one in checks.oils if one.chart.limits]),
        spreads=month_spreads(material, rows, period),
        duplicates=duplicates,
        carry_overs=carry_overs,
        certificates=held,
        workload=workload_of(rows),
        decisions=tuple(d for d in material.decisions if d.run in runs or period.first <= d.when < period.last),
        notices=(*notices_of(rows, record, checks.oils, material, period), *of_rounds),
        refusals=refusals,
        failures=failures,
        sources=material.sources_of(rows),
        limit_sources=material.sources_of(record[record["run"].isin(in_baselines)]),
        actions=actions,
        broken=broken,
        digest=_digest(material, period, (actions, held)),
    )


def _digest(material: Material, month: Month, beside: object) -> str:
    stated = (month.name, material.laboratory.digest, material.decisions, material.reading.sources)
    unread = [str(one) for one in (*material.reading.failures, *material.unusable)]
    held = (material.reading.refusals, unread, material.doubts, material.repeated, beside)
    return hashlib.sha256(f"{stated!r}{held!r}".encode()).hexdigest()
