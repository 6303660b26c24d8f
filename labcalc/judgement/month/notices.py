"""What has to be known of a month beside its numbers: nothing measured, a new lot, a certificate that runs out."""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from labcalc.judgement.month.oils import OilSummary
from labcalc.judgement.period import Month
from labcalc.judgement.record.measurements import Material
from labcalc.judgement.setup.against_exports import unknown_runs
from labcalc.wording import counted

_NEAR_DAYS = 60
"""How long before its end a certificate is named, [d]: time enough to order the next lot; after a year, a year."""


def notices_of(
    rows: pd.DataFrame, record: pd.DataFrame, oils: tuple[OilSummary, ...], material: Material, month: Month
) -> tuple[str, ...]:
    """Return the notices of a month, each a sentence."""
    names = {source.name for source in material.sources_of(rows)}
    return (
        *_amount(rows, month),
        *_single_results(oils),
        *_lot_changes(oils, material, month),
        *_certificates(oils, month),
        *_undated(record),
        *(f"{one}." for one in material.repeated if one.split(": ")[0] in names),
        *_unknown_runs(record, material),
    )


def _amount(rows: pd.DataFrame, month: Month) -> Iterator[str]:
    if rows.empty:
        yield f"The record holds no run in {month.name}: there is nothing to report."
        return
    for role, word in (("reference", "reference oil"), ("sample", "sample")):
        number = rows.loc[rows["role"] == role, "run"].nunique()
        if number < 2:
            yield f"The month holds {'one run' if number else 'no run'} of a {word}."


def _single_results(oils: tuple[OilSummary, ...]) -> Iterator[str]:
    for one in oils:
        if one.number == 1 and not one.chart.is_part:
            yield f"{one.chart.instrument}: {one.chart.name} has one result this month: no spread and no test."


def _lot_changes(oils: tuple[OilSummary, ...], material: Material, month: Month) -> Iterator[str]:
    first: dict[tuple[str, str, str], pd.Timestamp] = {}
    for chart in material.charts:
        key = (chart.instrument, chart.oil, chart.lot)
        first[key] = min(first.get(key, chart.measured_at[0]), chart.measured_at[0])
    changed: dict[tuple[str, str], list[str]] = {}
    for (instrument, oil, lot), moment in first.items():
        before = [at for (i, o, _), at in first.items() if (i, o) == (instrument, oil) and at < moment]
        if before and month.first <= moment < month.last:
            name = f"lot {lot}" if lot else "a lot without a name"
            changed.setdefault((oil, f"{name} on {moment:%Y-%m-%d}"), []).append(instrument)
    together: dict[tuple[str, str], list[str]] = {}
    for (oil, lot), instruments in changed.items():
        together.setdefault((", ".join(instruments), oil), []).append(lot)
    for (names, oil), lots in together.items():
        yield (
            f"{names}: {oil} went over to {', '.join(lots)}; the new lot has a chart of its own; beneath the "
            "instrument's charts it is compared with the lot before, by the days on which both were measured."
        )


def _certificates(oils: tuple[OilSummary, ...], month: Month) -> Iterator[str]:
    lots = {(one.chart.oil, one.chart.lot): one.chart.valid_to for one in oils}
    without: list[str] = []
    for (oil, lot), valid_to in sorted(lots.items()):
        name = f"{oil} lot {lot}" if lot else oil
        if valid_to is None:
            without.append(name)
        elif valid_to < month.last.date():
            yield f"The certificate of {name} ran out on {valid_to}: results after that day prove nothing about bias."
        elif valid_to < (month.last + pd.Timedelta(days=_NEAR_DAYS if month.months == 1 else 366)).date():
            yield f"The certificate of {name} runs out on {valid_to}: run the next lot beside it before that day."
    if without:
        its, names = "its" if len(without) == 1 else "their", ", ".join(without)
        yield f"lab.toml holds no certificate that fits {names}: {its} results can show a change, but not a bias."


def _undated(record: pd.DataFrame) -> Iterator[str]:
    number = int(record["measured_at"].isna().sum())
    if number:
        yield f"Without a time, and so in no month: {counted(number, 'row')} of the record."


def _unknown_runs(record: pd.DataFrame, material: Material) -> Iterator[str]:
    for one in unknown_runs(material.decisions, record):
        yield f"A decision of {one.who} ({one.what}) is about run {one.run}, which the record does not hold."
