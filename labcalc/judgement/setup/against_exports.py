"""What the exports hold beside what lab.toml knows: names, patterns, instruments, lots, days without a check."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from datetime import date, timedelta
from itertools import combinations

import pandas as pd

from labcalc.judgement.setup.findings import Finding, counted, days_in_words, examples, prefixes_of
from labcalc.lab import (
    Decision,
    Laboratory,
    ReferenceMaterial,
    lot_in_use,
    name_fits,
    nearest,
    product_of,
    reference_of,
)

_TEXTS = ["run", "sample", "product", "lot", "role", "instrument"]


def findings_of_exports(table: pd.DataFrame, laboratory: Laboratory) -> Iterator[Finding]:
    """Yield what exports and lab.toml don't agree on; ``table`` is tidy, as ``label_runs`` returns it."""
    if table.empty:
        return
    texts = table[_TEXTS].astype(object)
    rows = texts.where(texts.notna(), "").assign(day=table["measured_at"].dt.date)
    described = {f"reference[{n}].samples": (one.name, one.samples) for n, one in enumerate(laboratory.references, 1)}
    described |= {f"product[{n}].samples": (one.name, one.samples) for n, one in enumerate(laboratory.products, 1)}
    yield from _undescribed(rows, laboratory)
    yield from findings_of_patterns(described, rows["sample"].unique(), "sample")
    yield from _instruments(rows, laboratory)
    yield from _without_certificate(rows, laboratory)
    yield from _days_without_check(rows, laboratory)


def findings_of_patterns(
    described: Mapping[str, tuple[str, tuple[str, ...]]], names: Iterable[str], thing: str
) -> Iterator[Finding]:
    """Yield the patterns that fit nothing, and what the patterns of two records fit, the first of which takes it.

    ``described`` holds, in the order in which they are asked, name and patterns of each record by their key.
    """
    fitting = {key: [one for one in names if name_fits(one, patterns)] for key, (_, patterns) in described.items()}
    for key, (name, patterns) in described.items():
        for n, pattern in enumerate(patterns, 1):
            if not any(name_fits(one, [pattern]) for one in fitting[key]):
                yield Finding("note", f"{key}[{n}]", f"{name}: no {thing} fits '{pattern}'")
    for first, second in combinations(described, 2):
        if both := sorted({*fitting[first]} & {*fitting[second]}):
            taking = described[first][0]
            finding = f"{described[second][0]}: {taking} fits {counted(len(both), thing)} of it too: {examples(both)}"
            yield Finding("warning", second, finding, f"{taking} takes them; make a pattern narrower if it shouldn't.")


def unknown_runs(decisions: Iterable[Decision], record: pd.DataFrame) -> tuple[Decision, ...]:
    """Return the decisions about a run that the record does not hold."""
    asked = [one for one in decisions if one.run]
    known = set(record.loc[record["run"].isin({one.run for one in asked}), "run"]) if asked else set()
    return tuple(one for one in asked if one.run not in known)


def _undescribed(rows: pd.DataFrame, laboratory: Laboratory) -> Iterator[Finding]:
    """Group samples without product by the product's name in the exports, or by how their names begin."""
    samples = rows.loc[rows["role"] != "reference", ["sample", "product"]].drop_duplicates()
    groups: dict[tuple[str, str], list[str]] = defaultdict(list)
    for sample, product in samples.itertuples(index=False):
        if product_of(laboratory, sample=sample, product=product) is None:
            groups[product, "" if product else next(iter(prefixes_of(sample)), "")].append(sample)
    for (product, prefix), names in groups.items():
        guess = nearest(product, [one.name for one in laboratory.products])
        of = f", of the exports' product '{product}'{guess}" if product else ""
        finding = f"no product and no reference oil fits {counted(len(names), 'sample')}: {examples(names)}{of}"
        remedy = f'Add it, with samples = ["{prefix}*"].' if prefix else "Add it, as a [[product]] or a [[reference]]."
        yield Finding("warning", "product", finding, remedy)


def _instruments(rows: pd.DataFrame, laboratory: Laboratory) -> Iterator[Finding]:
    seen, known = [*filter(None, rows["instrument"].unique())], [one.name for one in laboratory.instruments]
    for name in (one for one in seen if one not in known):
        finding = f"the exports name '{name}', which lab.toml doesn't{nearest(name, known)}"
        yield Finding("warning", "instrument", finding, f'Add an [[instrument]] with name = "{name}".')
    for n, name in enumerate(known, 1):
        if name not in seen:
            yield Finding("note", f"instrument[{n}].name", f"no export is of '{name}'{nearest(name, seen)}")


def _without_certificate(rows: pd.DataFrame, laboratory: Laboratory) -> Iterator[Finding]:
    oils = rows[(rows["role"] == "reference") & rows["day"].notna()]
    groups: dict[tuple[str, str, str], dict[str, date]] = defaultdict(dict)
    for run, sample, lot, day in oils[["run", "sample", "lot", "day"]].drop_duplicates().itertuples(index=False):
        oil = reference_of(laboratory, sample)
        if oil is None or lot_in_use(oil, lot, day) is None:
            groups[sample, *_why_no_certificate(oil, lot, day)][run] = day
    for (sample, reason, remedy), days in groups.items():
        finding = f"{sample}: {counted(len(days), 'run')} without a certificate valid on the day: {reason}"
        yield Finding("warning", "reference", f"{finding}; {days_in_words(days.values())}", remedy)


def _why_no_certificate(oil: ReferenceMaterial | None, lot: str, day: date) -> tuple[str, str]:
    """Return the reason and what to do."""
    if oil is None:
        return "the export calls it a reference oil, and no [[reference]] fits it", "Add one."
    named = [one for one in oil.lots if one.lot.casefold() == lot.strip().casefold()]
    if lot.strip() and not named:
        return f"no lot '{lot}' in lab.toml{nearest(lot, [one.lot for one in oil.lots])}", "Add its [[reference.lot]]."
    if valid := [one.lot for one in oil.lots if one.valid_from <= day <= one.valid_to and not named]:
        return f"the export names no lot, and {', '.join(valid)} are valid", "End a lot with its last day of use."
    dates = ", ".join(f"lot {one.lot} is valid {one.valid_from} to {one.valid_to}" for one in named or oil.lots)
    return dates, "Compare the dates with the certificate, or add the lot that was in use."


def _days_without_check(rows: pd.DataFrame, laboratory: Laboratory) -> Iterator[Finding]:
    """A check is taken to hold for as many days as ``reference_age_h`` gives it, its own the first."""
    dated = rows[rows["day"].notna() & (rows["instrument"] != "")]
    lasting = range(max(1, math.ceil(laboratory.report.reference_age_h / 24.0)))
    for name, some in dated.groupby("instrument", sort=True):
        checks = some.loc[some["role"] == "reference", "day"].unique()
        days = {*some.loc[some["role"] != "reference", "day"]}
        if missing := days - {day + timedelta(days=later) for day in checks for later in lasting}:
            some_days = f"{len(missing)} of them: {days_in_words(missing)}" if missing != days else "any of them"
            finding = f"{name}: {counted(len(days), 'day')} with samples, no reference-oil check on {some_days}"
            yield Finding("warning", "reference", finding, "Run a reference oil before the day's samples.")
