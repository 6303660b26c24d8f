"""What a look at lab.toml finds: what can't be true by itself, and what the exports hold beside what it knows."""

import math
import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import combinations, groupby
from typing import Literal

import pandas as pd

from labcalc import lab
from labcalc.exports import QUANTITY_COLUMNS
from labcalc.judgement.certificates import UNITS
from labcalc.wording import at_celsius, counted, first_of, plain

Severity = Literal["error", "warning", "note"]
# an error can't be true or can't be read; a warning takes something from the reports; a note may well be meant
SEVERITIES: tuple[Severity, ...] = ("error", "warning", "note")
OPEN_QUESTION = "# QUESTION:"  # begins a remark of a first lab.toml that waits for an answer
_SERIAL = re.compile(r"(?:[-_/. ][A-Za-z]?\d+[A-Za-z]?)+$")
_DIVIDER = re.compile(r"[-_/. ]")
_LIGHTEST_KG_M3 = 10.0  # no liquid is lighter; a density in g/cm³ always is
_LARGEST_U_PERCENT = 1.0  # certificates of viscosity and density state a tenth to a hundredth of it: common practice
_USUAL_COVERAGE = (1.9, 3.3)  # k from 95 % to 99.9 % of the normal distribution, with Student's factors between
_TEXTS = ["run", "sample", "product", "lot", "role", "instrument"]
# what no sample of a product is: so many standard deviations from a typical value and half or twice it, or so many
# times beyond its limits; of a density, whose lots lie within 1 %, a share from the typical one: our own choice
_FAR_DEVIATIONS, _FAR_TIMES, _FAR_FROM_LIMITS, _FAR_DENSITY = 10.0, 2.0, 10.0, 0.015
_A_LINE_EACH = 10  # values of a product and quantity that are named one by one


@dataclass(frozen=True)
class Finding:
    """One thing about lab.toml or the exports that its owner has to know."""

    severity: Severity
    place: str  # path of a key in lab.toml, or a file
    finding: str
    remedy: str = ""
    line: int = 0  # line of lab.toml; 0 where it is about none


def days_in_words(days: Iterable[date]) -> str:
    """Return days as ``2026-01-05, 2026-02-03 to 2026-02-06``."""
    placed = enumerate(sorted(set(days)))
    spans = [[day for _, day in some] for _, some in groupby(placed, lambda one: one[1].toordinal() - one[0])]
    return ", ".join(f"{span[0]} to {span[-1]}" if len(span) > 1 else f"{span[0]}" for span in spans)


def prefixes_of(sample: str) -> tuple[str, ...]:
    """Return what the name of a numbered sample begins with, shortest first: ``HX32-``, ``HX32-26-`` of HX32-26-0510.
    Nothing where it doesn't end in a number set off by a divider, or has no letter before it."""
    serial = _SERIAL.search(sample)
    if serial is None or not any(map(str.isalpha, sample[: serial.start()])):
        return ()
    return tuple(sample[: one.end()] for one in _DIVIDER.finditer(sample, serial.start()))


def findings_of_description(laboratory: lab.Laboratory) -> Iterator[Finding]:
    """Yield what contradicts itself, or physics, in what lab.toml says."""
    for r, oil in enumerate(laboratory.references, 1):
        for n, lot in enumerate(oil.lots, 1):
            yield from _certificate(f"{oil.name}, lot {lot.lot}", lot, f"reference[{r}].lot[{n}].certified")
    for p, product in enumerate(laboratory.products, 1):
        yield from _limits(product, f"product[{p}].limit")
    yield from _precision_classes(laboratory)
    for i, instrument in enumerate(laboratory.instruments, 1):
        yield from _methods(laboratory, instrument, f"instrument[{i}].methods")


def _certificate(name: str, lot: lab.ReferenceLot, key: str) -> Iterator[Finding]:
    for c, one in enumerate(lot.certified, 1):
        yield from _certified(f"{name}, {_in_words(one)}", one, f"{key}[{c}]")
    warmer = sorted((one for one in lot.certified if not _in_g_cm3(one)), key=lambda one: one.temperature_C)
    for cold, warm in combinations(warmer, 2):
        if cold.quantity == warm.quantity and warm.value >= cold.value:
            finding = f"{name}: {_in_words(warm)} isn't below {_in_words(cold)}, and warm oil is thinner and lighter"
            yield Finding("error", key, finding, "Compare with the certificate: are two values swapped?")


def _in_words(one: lab.CertifiedValue) -> str:
    return at_celsius(f"{one.quantity} {plain(one.value)} {UNITS[one.quantity]}", one.temperature_C)


def _in_g_cm3(one: lab.CertifiedValue) -> bool:
    return one.quantity == "density" and one.value < _LIGHTEST_KG_M3


def _certified(name: str, one: lab.CertifiedValue, key: str) -> Iterator[Finding]:
    U, k = one.expanded_uncertainty, one.coverage_factor
    share, right, light = 100.0 * U / one.value, f"{1000.0 * one.value:.10g}", _in_g_cm3(one)
    is_large, is_unusual = share > _LARGEST_U_PERCENT and not light, not _USUAL_COVERAGE[0] <= k <= _USUAL_COVERAGE[1]
    looks: tuple[tuple[bool, Severity, str, str, str], ...] = (
        (light, "error", "value", "that is in g/cm³", f"Write {right}, and U in kg/m³ too."),
        (U == 0.0, "error", "expanded_uncertainty", "a U of 0", "Take U from the certificate."),
        (is_large, "error", "expanded_uncertainty", f"a U of {share:.2g} %", "In the value's unit?"),
        (is_unusual, "warning", "coverage_factor", f"k = {k:g}", "Mostly it is 2."),
    )
    for odd, severity, field, finding, remedy in looks:
        if odd:
            yield Finding(severity, f"{key}.{field}", f"{name}: {finding}", remedy)


def _limits(product: lab.Product, key: str) -> Iterator[Finding]:
    for n, limit in enumerate(product.limits, 1):
        for one in product.typical:
            alike = one.quantity == limit.quantity and not abs(one.temperature_C - limit.temperature_C) > 0.0
            if alike and (one.mean < limit.lowest or one.mean > limit.highest):
                finding = f"{product.name}: the typical {one.quantity} {one.mean:g} lies outside this limit"
                yield Finding("warning", f"{key}[{n}]", finding, "Compare both: one of them is wrong.")


def _precision_classes(laboratory: lab.Laboratory) -> Iterator[Finding]:
    shipped = (one.precision_class for one in lab.published_precision() if one.default)
    known = {name.casefold(): name for name in (*shipped, *(one.precision_class for one in laboratory.precision))}
    for p, product in enumerate(laboratory.products, 1):
        if (name := product.precision_class) and name.casefold() not in known:
            finding = f"{product.name}: no precision statement is for '{name}'{lab.nearest(name, known.values())}"
            remedy = f"Known are {', '.join(known.values())}; [[precision]] can state another."
            yield Finding("warning", f"product[{p}].precision_class", finding, remedy)


def _methods(laboratory: lab.Laboratory, instrument: lab.Instrument, key: str) -> Iterator[Finding]:
    """Name the classes of products that no precision of the instrument's method is known for here."""
    asked = dict.fromkeys(one.precision_class for one in laboratory.products if one.precision_class)
    for quantity in ("kinematic viscosity", "density"):
        if not (method := lab.method_of(laboratory, instrument.name, quantity)):
            continue
        published = [one for one in lab.published_precision() if one.edition_title == method]
        ones: list[lab.Precision | lab.PrecisionStatement] = [*published, *laboratory.precision]
        stated = {one.precision_class.casefold() for one in ones if one.quantity == quantity}
        if lacking := [name for name in asked if name.casefold() not in stated]:
            what = f"{quantity} of {', '.join(lacking)}"
            finding = f"{instrument.name}: no precision of {method} is known here for {what}"
            yield Finding("warning", key, finding, "State your own under [[precision]]; `labcalc duplicates` tells it.")


def findings_of_exports(table: pd.DataFrame, laboratory: lab.Laboratory) -> Iterator[Finding]:
    """Yield what exports and lab.toml don't agree on; ``table`` is tidy, as ``label_runs`` returns it."""
    if table.empty:
        return
    texts = table[_TEXTS].astype(object)
    rows = texts.where(texts.notna(), "").assign(day=table["measured_at"].dt.date)
    described = {f"reference[{n}].samples": (one.name, one.samples) for n, one in enumerate(laboratory.references, 1)}
    described |= {f"product[{n}].samples": (one.name, one.samples) for n, one in enumerate(laboratory.products, 1)}
    yield from _unsaid(table)
    yield from _undescribed(rows, laboratory)
    yield from findings_of_patterns(described, rows["sample"].unique(), "sample")
    yield from _instruments(rows, laboratory)
    yield from _without_certificate(rows, laboratory)
    yield from _days_without_check(rows, laboratory)
    yield from _far_off(table, laboratory)


def _far_off(table: pd.DataFrame, laboratory: lab.Laboratory) -> Iterator[Finding]:
    """Name the results of samples that typical values or limits of their product leave no room for."""
    samples = table[table["role"] != "reference"]
    pairs = list(zip(samples["sample"], samples["product"].astype(object).fillna(""), strict=True))
    products = {pair: lab.product_of(laboratory, sample=pair[0], product=pair[1]) for pair in set(pairs)}
    of = pd.Series([getattr(products[pair], "name", "") for pair in pairs], samples.index, dtype=object)
    for product in laboratory.products:
        own, told = samples[of == product.name], set[tuple[str, int, str]]()
        for one, lowest, highest, words in _possible(product):
            column = QUANTITY_COLUMNS[one.quantity]
            there = own[(own["temperature_C"] - one.temperature_C).abs() < 0.05]
            far = there[(there[column] < lowest) | (there[column] > highest)]
            places = list(zip(far["source_file"], far["source_line"], far[column], far["sample"], strict=True))
            places = [place for place in places if (*place[:2], column) not in told]
            told |= {(*place[:2], column) for place in places}
            for file, line, value, sample in places[:_A_LINE_EACH]:
                what = at_celsius(f"{one.quantity} {plain(value)} {UNITS[one.quantity]}", one.temperature_C)
                finding = f"line {line}, {sample}: {what} can hardly be true of {product.name}, {words}"
                yield Finding("warning", file, finding, "Is it another unit, decimal mark, oil or column?")
            if (more := len(places) - _A_LINE_EACH) > 0:
                yield Finding("warning", "product", f"{product.name}: {counted(more, 'further value')} like these")


def _possible(product: lab.Product) -> Iterator[tuple[lab.TypicalValue | lab.Limit, float, float, str]]:
    """Yield what a value of a product can be, each with its lowest, its highest, and why."""
    for one in product.typical:
        reach, words = _FAR_DEVIATIONS * one.standard_deviation, f"typically {plain(one.mean)}"
        if one.quantity == "density":
            reach = max(reach, _FAR_DENSITY * one.mean)
            yield one, one.mean - reach, one.mean + reach, words
        elif one.quantity in QUANTITY_COLUMNS:
            yield one, min(one.mean / _FAR_TIMES, one.mean - reach), max(one.mean * _FAR_TIMES, one.mean + reach), words
    for limit in product.limits:
        if limit.quantity in QUANTITY_COLUMNS and limit.quantity != "density":
            words = f"held to {' to '.join(plain(end) for end in (limit.lowest, limit.highest) if math.isfinite(end))}"
            yield limit, limit.lowest / _FAR_FROM_LIMITS, limit.highest * _FAR_FROM_LIMITS, words


def _unsaid(table: pd.DataFrame) -> Iterator[Finding]:
    """Name the exports that don't say what everything later asks for, and how a profile says it."""
    for column, what, then, remedy in (
        ("instrument", "no instrument is named", "no reference oil speaks for them", 'instrument = "NAME"'),
        ("measured_at", "no time of measurement", "no chart and no month holds them", 'columns."HEAD" = "measured_at"'),
    ):
        if files := sorted({*table.loc[table[column].isna(), "source_file"]}):
            finding = f"{what} in {counted(len(files), 'export')}, and {then}: {first_of(files)}"
            yield Finding("warning", "profile", finding, f"In the [[profile]] that fits them: {remedy}.")


def findings_of_patterns(
    described: Mapping[str, tuple[str, tuple[str, ...]]], names: Iterable[str], thing: str
) -> Iterator[Finding]:
    """Yield the patterns that fit nothing, and what the patterns of two records fit, the first of which takes it.
    ``described`` holds, in the order in which they are asked, name and patterns of each record by their key."""
    fitting = {key: [one for one in names if lab.name_fits(one, patterns)] for key, (_, patterns) in described.items()}
    for key, (name, patterns) in described.items():
        for n, pattern in enumerate(patterns, 1):
            if not any(lab.name_fits(one, [pattern]) for one in fitting[key]):
                yield Finding("note", f"{key}[{n}]", f"{name}: no {thing} fits '{pattern}'")
    for first, second in combinations(described, 2):
        if both := sorted({*fitting[first]} & {*fitting[second]}):
            taking = described[first][0]
            finding = f"{described[second][0]}: {taking} fits {counted(len(both), thing)} of it too: {first_of(both)}"
            yield Finding("warning", second, finding, f"{taking} takes them; make a pattern narrower if it shouldn't.")


def unknown_runs(decisions: Iterable[lab.Decision], record: pd.DataFrame) -> tuple[lab.Decision, ...]:
    """Return the decisions about a run that the record does not hold."""
    asked = [one for one in decisions if one.run]
    known = set(record.loc[record["run"].isin({one.run for one in asked}), "run"]) if asked else set()
    return tuple(one for one in asked if one.run not in known)


def _undescribed(rows: pd.DataFrame, laboratory: lab.Laboratory) -> Iterator[Finding]:
    """Group samples without product by the product's name in the exports, or by how their names begin."""
    samples = rows.loc[rows["role"] != "reference", ["sample", "product"]].drop_duplicates()
    groups: dict[tuple[str, str], list[str]] = defaultdict(list)
    for sample, product in samples.itertuples(index=False):
        if lab.product_of(laboratory, sample=sample, product=product) is None:
            groups[product, "" if product else next(iter(prefixes_of(sample)), "")].append(sample)
    for (product, prefix), names in groups.items():
        guess = lab.nearest(product, [one.name for one in laboratory.products])
        of = f", of the exports' product '{product}'{guess}" if product else ""
        finding = f"no product and no reference oil fits {counted(len(names), 'sample')}: {first_of(names)}{of}"
        remedy = f'Add it, with samples = ["{prefix}*"].' if prefix else "Add it, as a [[product]] or a [[reference]]."
        yield Finding("warning", "product", finding, remedy)


def _instruments(rows: pd.DataFrame, laboratory: lab.Laboratory) -> Iterator[Finding]:
    seen, known = [*filter(None, rows["instrument"].unique())], [one.name for one in laboratory.instruments]
    for name in (one for one in seen if one not in known):
        finding = f"the exports name '{name}', which lab.toml doesn't{lab.nearest(name, known)}"
        yield Finding("warning", "instrument", finding, f'Add an [[instrument]] with name = "{name}".')
    for n, name in enumerate(known, 1):
        if name not in seen:
            yield Finding("note", f"instrument[{n}].name", f"no export is of '{name}'{lab.nearest(name, seen)}")


def _without_certificate(rows: pd.DataFrame, laboratory: lab.Laboratory) -> Iterator[Finding]:
    oils = rows[(rows["role"] == "reference") & rows["day"].notna()]
    groups: dict[tuple[str, str, str], dict[str, date]] = defaultdict(dict)
    for run, sample, lot, day in oils[["run", "sample", "lot", "day"]].drop_duplicates().itertuples(index=False):
        oil = lab.reference_of(laboratory, sample)
        if oil is None or lab.lot_in_use(oil, lot, day) is None:
            groups[sample, *_why_no_certificate(oil, lot, day)][run] = day
    for (sample, reason, remedy), days in groups.items():
        finding = f"{sample}: {counted(len(days), 'run')} without a certificate valid on the day: {reason}"
        yield Finding("warning", "reference", f"{finding}; {days_in_words(days.values())}", remedy)


def _why_no_certificate(oil: lab.ReferenceMaterial | None, lot: str, day: date) -> tuple[str, str]:
    if oil is None:
        return "the export calls it a reference oil, and no [[reference]] fits it", "Add one."
    named = [one for one in oil.lots if one.lot.casefold() == lot.strip().casefold()]
    if lot.strip() and not named:
        guess = lab.nearest(lot, [one.lot for one in oil.lots])
        return f"no lot '{lot}' in lab.toml{guess}", "Add its [[reference.lot]]."
    if valid := [one.lot for one in oil.lots if one.valid_from <= day <= one.valid_to and not named]:
        return f"the export names no lot, and {', '.join(valid)} are valid", "End a lot with its last day of use."
    dates = ", ".join(f"lot {one.lot} is valid {one.valid_from} to {one.valid_to}" for one in named or oil.lots)
    return dates, "Compare the dates with the certificate, or add the lot that was in use."


def _days_without_check(rows: pd.DataFrame, laboratory: lab.Laboratory) -> Iterator[Finding]:
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
