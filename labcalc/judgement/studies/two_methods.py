"""Two methods, instruments or operators on the same samples: may one stand for the other?"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from labcalc.errors import StudyError
from labcalc.judgement.duplicates.pairing import CONDITIONS, repeated_results
from labcalc.judgement.record.measurements import Material
from labcalc.judgement.studies.reading import NUMBER, POSITIVE, TEXT, Study, StudyFile, StudyTable, ranked, read_study
from labcalc.lab import nearest
from labcalc.statistics import (
    AgreementLimits,
    BiasClass,
    ComparisonLine,
    agreement_limits,
    anderson_darling,
    bias_class,
    deming_line,
    extreme_deviates,
    functional_line,
    passing_bablok_line,
)
from labcalc.statistics.series import Array
from labcalc.wording import counted, numeral, p_value, percent, signed

COMPARISON_VERDICTS = ("one may stand for the other", "can't be told yet", "one may not stand for the other")
_COLUMNS = {"sample": TEXT, "method": TEXT, "result": NUMBER, "u": POSITIVE}
_ALIASES = {"instrument": "method", "operator": "method", "laboratory": "method", "oil": "sample", "level": "sample"}
_SHARE = 0.05  # of differences that may lie beyond what is allowed
_FEWEST_PAIRS = 10
_FEW = 30  # pairs below which Passing and Bablok's line says little


@dataclass(frozen=True)
class Comparison:
    """Both methods' means sample by sample, the lines between them, and how far apart they lie.

    Differences are second less first, in the unit of the results, or in percent where ``in_percent``.
    """

    names: tuple[str, str]
    samples: tuple[str, ...]
    first: Array
    second: Array
    unit: str
    in_percent: bool
    allowed: float  # 0: nobody said
    lines: tuple[ComparisonLine, ...]  # the one that biases are told by, and others
    agreement: AgreementLimits
    bias_class: BiasClass | None  # None: the standard errors aren't known, or too few samples
    ratio: float  # of the variances of errors, first over second; NaN: not known

    def bias(self, level: float) -> tuple[float, float, float]:
        """Return the bias at a level with its interval, in the unit of the differences."""
        scale = 100.0 / level if self.in_percent else 1.0
        bias, low, high = self.lines[0].bias_at(level)
        return scale * bias, scale * low, scale * high

    @property
    def levels(self) -> tuple[float, float, float]:
        """Lowest, middle and highest level by the first method."""
        return float(self.first.min()), float(np.median(self.first)), float(self.first.max())


def report_comparison(
    source: Path | Material,
    *,
    allowed: float = 0.0,
    percent: bool = False,
    unit: str = "",
    first: str = "",
    second: str = "",
    **only: str,
) -> Study:
    """Put together how two methods, instruments or operators compare.

    source : A CSV file with sample, method and result, a line a result, and u, its standard uncertainty, where it is known;
        or the record, and then ``only`` says which ``quantity`` and ``temperature``.
    allowed : Largest difference that doesn't matter, [unit of the results, or % where percent]; 0: nobody said.
    percent : Whether errors are in proportion to the level: differences then are 100 ln(second/first).
    unit : Unit of the results.
    first, second : Names of the methods; none: in the order of the file.
    Raises StudyError : Not two methods, too few samples by both, or a value that isn't what was expected.
    """
    if isinstance(source, Path):
        file = read_study(source, _COLUMNS, ("sample", "method", "result"), _ALIASES)
    else:
        file = _from_record(source, first, second, **only)
    found = _compared(file, (first, second), allowed, percent, unit)
    rank, reason = _judged(found)
    _, findings = ranked([*_doubts(found)])
    facts = {
        "First": found.names[0],
        "Second": found.names[1],
        "Samples by both": str(len(found.samples)),
        "Allowed difference": _told(found, allowed) if allowed > 0 else "not said",
    }
    tables = (_lines_table(found), _bias_table(found), _agreement_table(found), *_class_table(found))
    title = f"{found.names[1]} beside {found.names[0]}"
    return Study(title, file, facts, rank, COMPARISON_VERDICTS[rank], reason, findings, tables, found)


def _from_record(material: Material, first: str, second: str, quantity: str = "", temperature: str = "") -> StudyFile:
    """Return the first results of each sample that both measured within the time of intermediate precision."""
    sets = repeated_results(material.record, material.record, material.laboratory, material.decisions)
    sets = sets[(sets["condition"] == CONDITIONS[2]) & (sets["quantity"] == (quantity or "kinematic viscosity"))]
    by = "instrument" if first in set(sets["instrument"]) else "operator"
    for name in (first, second):
        if name not in set(sets[by]):
            raise StudyError("the record", 0, f"no repeats by '{name}'{nearest(name, map(str, sets[by].unique()))}")
    kept = sets[sets[by].isin([first, second])]
    wanted = float(temperature) if temperature else float(kept["temperature_C"].mode().iloc[0])
    kept = kept[kept["temperature_C"] == wanted].drop_duplicates(["set", by])
    rows = pd.DataFrame(
        {
            "sample": kept["sample"]
            + " "
            + kept["measured_at"].dt.strftime("%Y-%m-%d").groupby(kept["set"]).transform("first"),
            "method": kept[by],
            "result": kept["value"],
        }
    )
    return StudyFile(
        "the record",
        material.laboratory.sha256,
        (f"{quantity or 'kinematic viscosity'} at {wanted:g} °C, from the record",),
        rows.assign(u=math.nan, line=0),
    )


def _compared(file: StudyFile, asked: tuple[str, str], allowed: float, in_percent: bool, unit: str) -> Comparison:
    rows = file.rows.assign(u2=file.rows["u"] ** 2)
    there = tuple(map(str, rows["method"].unique()))
    names = asked if all(asked) else there
    if len(set(names)) != 2 or not set(names) <= set(there):
        raise StudyError(file.name, 0, f"methods {', '.join(there)}: two were expected, or first and second among them")
    if in_percent and (rows["result"] <= 0.0).any():
        raise file.refused(
            int((rows["result"] <= 0.0).argmax()), "a result of 0 or below: in percent they have to be above 0"
        )
    cells = rows.groupby(["sample", "method"], sort=False).agg(
        result=("result", "mean"),
        spread=("result", "var"),
        n=("result", "size"),
        u2=("u2", lambda one: one.mean(skipna=False)),
    )
    table = cells.unstack("method")[
        [(what, name) for what in ("result", "spread", "n", "u2") for name in names]
    ].dropna(subset=[("result", name) for name in names])
    if len(table) < _FEWEST_PAIRS:
        raise StudyError(
            file.name,
            0,
            f"{len(table)} samples were measured by both {names[0]} and {names[1]}: {_FEWEST_PAIRS} or more were expected",
        )
    x, y = (table["result", name].to_numpy(float) for name in names)
    errors = [
        _errors(table[[(what, name) for what in ("result", "spread", "n", "u2")]].to_numpy(float), in_percent)
        for name in names
    ]
    known = all(np.isfinite(one).all() and (one > 0.0).all() for one in errors)
    ratio = (
        float(
            np.mean((errors[0] / x if in_percent else errors[0]) ** 2)
            / np.mean((errors[1] / y if in_percent else errors[1]) ** 2)
        )
        if known
        else math.nan
    )
    given = known and rows["u"].notna().all()
    lines = [functional_line(x, y, *errors)] if given else []
    lines += [deming_line(x, y, ratio=ratio if known else 1.0, proportional=in_percent), passing_bablok_line(x, y)]
    apart = 100.0 * np.log(y / x) if in_percent else y - x
    try:
        agreement = agreement_limits(apart)
    except ValueError as wrong:
        raise StudyError(file.name, 0, str(wrong)) from None
    class_ = bias_class(x, y, *errors) if known else None
    return Comparison(
        (names[0], names[1]),
        tuple(map(str, table.index)),
        x,
        y,
        "%" if in_percent else unit,
        in_percent,
        allowed,
        tuple(lines),
        agreement,
        class_,
        ratio,
    )


def _errors(cells: Array, in_percent: bool) -> Array:
    """Return the standard error of each mean: from u where it is given, else from the repeats of all samples together."""
    mean, variance, number, squared = cells.T
    if np.isfinite(squared).all():
        return np.asarray(np.sqrt(squared / number))
    scale = mean**2 if in_percent else np.ones_like(mean)
    repeated = number > 1
    pooled = np.sum((number - 1.0)[repeated] * (variance / scale)[repeated]) / max(np.sum(number[repeated] - 1.0), 1.0)
    return np.asarray(np.sqrt(pooled * scale / number)) if repeated.any() else np.full_like(mean, math.nan)


def _told(found: Comparison, value: float) -> str:
    return f"{numeral(value, figures=3)} {found.unit}".strip()


def _judged(found: Comparison) -> tuple[int, str]:
    """Return the rank and the sentence with its risk."""
    first, second = found.names
    low, high = (_told(found, one) for one in (found.agreement.lower, found.agreement.upper))
    reach = f"19 of 20 differences lie between {low} and {high}"
    if not found.allowed > 0.0:
        return 1, f"{reach}; say how large a difference matters, and the risk of taking {second} for {first} is told"
    share, least, most = found.agreement.share_beyond(found.allowed)
    biases = [found.bias(level) for level in (found.levels[0], found.levels[2])]
    risk = f"{percent(share)} of differences are expected beyond ±{_told(found, found.allowed)} ({percent(least)} to {percent(most)}); {reach}"
    if least > _SHARE or any(one[1] > found.allowed or one[2] < -found.allowed for one in biases):
        return 2, f"{second} may not stand for {first}: {risk}"
    inside = all(-found.allowed < one[1] and one[2] < found.allowed for one in biases)
    if most <= _SHARE and inside and not [*_doubts(found, grave=True)]:
        return 0, f"{second} may stand for {first}, on samples such as these: {risk}"
    return 1, f"not told yet whether {second} may stand for {first}: {risk}"


def _doubts(found: Comparison, *, grave: bool = False) -> Iterator[tuple[int, str, str, str]]:
    """Yield what makes the sentence unsure; ``grave``: only what it can't be signed with."""
    apart = found.agreement.differences
    test = anderson_darling(apart)
    if test.p_value < 0.01:
        yield (
            2,
            "Distribution",
            f"differences are not normal ({p_value(test.p_value)}): the risk isn't what is told",
            "Look at the samples furthest out.",
        )
    p, grows = _trend(np.abs(apart - np.median(apart)), found.first + found.second)
    if p < 0.01:
        told = "grow" if grows else "shrink"
        yield (
            2,
            "Spread",
            f"differences {told} with the level ({p_value(p)}): one pair of limits doesn't hold for all",
            "Compare in percent (--percent), or each range of levels by itself.",
        )
    if grave:
        return
    if apart.size >= 15:
        odd = extreme_deviates(apart, min(3, apart.size // 5))
        named = [found.samples[place] for place in odd.places[: odd.outliers]]
        if named:
            yield (
                1,
                "Samples",
                f"{', '.join(named)}: further apart than the others (1 %)",
                "Measure them again by both; leave one out for a cause only.",
            )
    if found.lines[0].differs:
        low, _, high = found.levels
        biases = " and ".join(
            f"{signed(found.bias(one)[0])} {found.unit} at {numeral(one, figures=3)}".replace("  ", " ")
            for one in (low, high)
        )
        yield (
            1,
            "Bias",
            f"the line is not y = x: {biases}",
            "Find the cause before a correction is used; a correction is checked on other samples.",
        )
    if found.bias_class and found.bias_class.sample_effects:
        yield (
            1,
            "Samples",
            "methods differ sample by sample by more than their errors explain",
            "No correction mends that: ask which samples, and why.",
        )


def _trend(values: Array, level: Array) -> tuple[float, bool]:
    """Return p of Spearman's rank correlation by Student's t, and whether it is above 0."""
    from scipy.special import stdtr

    r = float(
        np.corrcoef(*(np.argsort(np.argsort(one, kind="stable"), kind="stable") for one in (values, level)))[0, 1]
    )
    t = abs(r) * math.sqrt((values.size - 2) / max(1.0 - r * r, 1e-12))
    return 2.0 * float(stdtr(values.size - 2, -t)), r > 0.0


def _with_reach(value: float, reach: tuple[float, float], figures: int = 3) -> str:
    low, high = (numeral(one, figures=figures) for one in reach)
    return f"{numeral(value, figures=figures)} ({low} to {high})"


def _lines_table(found: Comparison) -> StudyTable:
    rows = tuple(
        (
            one.form,
            _with_reach(one.intercept, one.intercept_interval),
            _with_reach(one.slope, one.slope_interval, 4),
            "no" if one.differs else "yes",
        )
        for one in found.lines
    )
    notes = [
        "Intervals of 95 %; y = x within them is no proof of equality. Those of Deming's line are by leaving out each sample in turn."
    ]
    if math.isnan(found.ratio):
        notes.append("Repeats or u would tell the errors of both methods; without them equal ones are assumed (D = 1).")
    if len(found.samples) < _FEW:
        notes.append(f"Passing and Bablok's line wants {_FEW} samples or more; here are {len(found.samples)}.")
    return StudyTable(
        "Lines y = a + b x, x the first", ("Line", "a (95 %)", "b (95 %)", "y = x within"), rows, tuple(notes)
    )


def _bias_table(found: Comparison) -> StudyTable:
    rows = tuple(
        (numeral(level, figures=4), _with_reach(bias, (low, high)))
        for level in found.levels
        for bias, low, high in (found.bias(level),)
    )
    return StudyTable(
        f"How much higher {found.names[1]} reads",
        ("Level", f"Bias (95 %), {found.unit or 'unit of the results'}"),
        rows,
        (f"By the line: {found.lines[0].form}.",),
    )


def _agreement_table(found: Comparison) -> StudyTable:
    one = found.agreement
    rows = [
        ("Mean difference", _with_reach(one.mean, one.mean_interval)),
        ("Lower limit", _with_reach(one.lower, one.lower_interval)),
        ("Upper limit", _with_reach(one.upper, one.upper_interval)),
    ]
    if found.allowed > 0.0:
        share, least, most = one.share_beyond(found.allowed)
        rows.append(
            (f"Beyond ±{_told(found, found.allowed)}", f"{percent(share)} ({percent(least)} to {percent(most)})")
        )
    note = f"Limits hold 95 % of the differences of means of as many results as here; {counted(one.differences.size, 'sample')}. They suppose a normal spread that is the same at every level."
    return StudyTable(
        "Limits of agreement",
        ("Second less first", f"95 %, {found.unit or 'unit of the results'}"),
        tuple(rows),
        (note,),
    )


def _class_table(found: Comparison) -> Iterator[StudyTable]:
    one = found.bias_class
    if one is None:
        return
    rows = tuple(
        (f"Class {name}" + ", chosen" * (name == one.name), numeral(square, 2)) for name, square in one.squares.items()
    )
    notes = [
        f"Class {one.name}: {one.words}; y = {numeral(one.intercept, figures=3)} + {numeral(one.slope, figures=4)} x. What remains: {p_value(one.p_rest)}."
    ]
    if one.sample_effects:
        like = "that look random" if one.random_effects else "that don't look random: no common correction holds"
        notes.append(
            f"Differences from sample to sample {like}; standard deviation about {numeral(one.effect_deviation)}."
        )
    if not one.can_judge:
        notes.append("The samples lie too close together for a line to be judged.")
    notes.append(
        "The standard is for methods studied by many laboratories; here it goes by the standard errors at hand. Order of decisions from memory."
    )
    yield StudyTable(
        "Classes of correction, as in ASTM D6708", ("Class", "Weighted sum of squares"), rows, tuple(notes)
    )
