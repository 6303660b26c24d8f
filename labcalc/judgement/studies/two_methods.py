"""Two methods, instruments or operators on the same samples: may one stand for the other?"""

import hashlib
import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from labcalc import statistics
from labcalc.errors import StudyError
from labcalc.judgement.duplicates.pairing import CONDITIONS, repeated_results
from labcalc.judgement.record.measurements import Material
from labcalc.judgement.studies import reading
from labcalc.judgement.studies.reading import Finding, Study, StudyFile, StudyTable
from labcalc.statistics.precision.comparison_lines import CORRECTIONS
from labcalc.statistics.series import Array
from labcalc.wording import at_celsius, celsius, numeral, p_value, probability

_VERDICTS = ("one may stand for the other", "can't be told yet", "one may not stand for the other")
_COLUMNS = {"sample": reading.TEXT, "method": reading.TEXT, "result": reading.NUMBER, "u": reading.POSITIVE}
_ALIASES = {"instrument": "method", "operator": "method", "laboratory": "method", "oil": "sample", "level": "sample"}
_SHARE = 0.05  # of differences that may lie beyond what is allowed
_FEWEST_PAIRS, _FEWEST_FOR_ODD = 10, 15  # samples; Rosner's limits hold from 15 on
_DOUBT = 0.01


@dataclass(frozen=True, eq=False)
class Comparison:
    """Both methods' means sample by sample, the lines between them, and how far apart they lie.
    Differences are second less first, in the unit of the results, or in percent where ``in_percent``."""

    names: tuple[str, str]
    samples: tuple[str, ...]
    first: Array
    second: Array
    unit: str
    in_percent: bool
    allowed: float  # 0: nobody said
    lines: tuple[statistics.ComparisonLine, ...]  # Deming's, which biases are told by, and Passing and Bablok's
    agreement: statistics.AgreementLimits
    bias_class: statistics.BiasClass | None  # None: the standard errors aren't known

    def told(self, value: float) -> str:
        """Return a difference with its unit."""
        return f"{numeral(value, figures=3)} {self.unit}".strip()

    @property
    def p_values(self) -> tuple[float, float]:
        """p of normal differences, and of a spread that has nothing to do with the level: 1 of constant ones."""
        from scipy.stats import spearmanr

        apart = self.agreement.differences
        away, level = np.abs(apart - np.median(apart)), self.first + self.second
        trend = float(spearmanr(away, level).pvalue) if np.ptp(away) > 0.0 < np.ptp(level) else 1.0
        return statistics.anderson_darling(apart).p_value, trend

    @property
    def is_normal(self) -> bool:
        """Whether differences look normal, and alike at every level."""
        return min(self.p_values) >= _DOUBT

    @property
    def share_beyond(self) -> tuple[float, float, float]:
        """Share of differences beyond what is allowed, lowest and highest, [-]; counted where they are not normal."""
        return (self.agreement.share_beyond if self.is_normal else self.agreement.counted_beyond)(self.allowed)

    @property
    def share_words(self) -> str:
        """The share with its interval; where it is counted, how many of how many."""
        share, low, high = self.share_beyond
        number = len(self.samples)
        told = probability(share) if self.is_normal else f"{round(share * number)} of {number}"
        return f"{told} ({probability(low)} to {probability(high)})"

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
    quantity: str = "",
    temperature: float | None = None,
) -> Study:
    """Put together how two methods, instruments or operators compare.

    source : A CSV file with sample, method and result, a line a result, and u, its standard uncertainty, where it is
        known; or the record.
    allowed : Largest difference that doesn't matter, [unit of the results, or % where percent]; 0: nobody said.
    percent : Whether errors are in proportion to the level: differences then are 100 ln(second/first).
    unit : Unit of the results.
    first, second : Names of the methods; none: in the order of the file.
    quantity, temperature : Of the record: kinematic viscosity or density, [°C]; none: that measured most often.
    Raises StudyError : Not two methods, too few samples by both, or a value that isn't what was expected.
    """
    if allowed < 0.0 or (isinstance(source, Path) and (quantity or temperature is not None)):
        raise StudyError("comparison", 0, "an allowed difference below 0, or a quantity or temperature beside a file")
    if isinstance(source, Path):
        file = reading.read_study(source, _COLUMNS, ("sample", "method", "result"), _ALIASES)
    else:
        file = _from_record(source, (first, second), quantity or "kinematic viscosity", temperature)
    found = _compared(file, (first, second), allowed, percent, unit)
    rank, reason = _judged(found)
    _, findings = reading.ranked(_doubts(found))
    facts = {"First": found.names[0], "Second": found.names[1], "Samples by both": str(len(found.samples))}
    facts["Allowed difference"] = found.told(allowed) if allowed > 0.0 else "not said"
    tables = (_lines_table(found), _differences_table(found), *_class_table(found))
    title = f"{found.names[1][:1].upper()}{found.names[1][1:]} beside {found.names[0]}"
    return Study(title, file, facts, rank, _VERDICTS[rank], reason, findings, tables, found)


def _from_record(material: Material, names: tuple[str, str], quantity: str, temperature: float | None) -> StudyFile:
    """Return the first result of each within the time of intermediate precision, a sample a set."""
    sets = repeated_results(material.record, material.record, material.laboratory, material.decisions)
    sets = sets[(sets["condition"] == CONDITIONS[2]) & (sets["quantity"] == quantity)]
    by = "instrument" if names[0] in set(sets["instrument"]) else "operator"
    for name in names:
        if name not in set(sets[by]):
            there = {one: sorted(map(str, sets[one].dropna().unique())) for one in ("instrument", "operator")}
            told = "; ".join(f"{one}s with repeats: {', '.join(some) or 'none'}" for one, some in there.items())
            raise StudyError("the record", 0, f"no {quantity} repeated by '{name}'; {told}")
    kept = sets[sets[by].isin(names)]
    wanted = float(kept["temperature_C"].mode().iloc[0]) if temperature is None else temperature
    if wanted not in (known := sorted(kept["temperature_C"].unique().tolist())):
        there_are = ", ".join(map(celsius, known))
        raise StudyError("the record", 0, f"no repeats at {celsius(wanted)}; there are {there_are}")
    kept = kept[kept["temperature_C"] == wanted].drop_duplicates(["set", by])
    day = kept["measured_at"].dt.strftime("%Y-%m-%d").groupby(kept["set"]).transform("first")
    rows = pd.DataFrame({"sample": kept["sample"] + " " + day, "method": kept[by], "result": kept["value"]})
    digest = hashlib.sha256(rows.to_csv().encode()).hexdigest()
    return StudyFile("the record", digest, (at_celsius(quantity, wanted),), rows.assign(u=math.nan, line=0))


def _compared(file: StudyFile, asked: tuple[str, str], allowed: float, in_percent: bool, unit: str) -> Comparison:
    rows, there = file.rows, tuple(map(str, file.rows["method"].unique()))
    names = asked if any(asked) else there
    if len(set(names)) != 2 or not set(names) <= set(there):
        told = f"first '{names[0]}', second '{names[1]}' of methods" if any(asked) else "methods"
        expected = "two were expected, or first and second among them"
        raise StudyError(file.name, 0, f"{told} {', '.join(there)}: {expected}")
    if in_percent and (low := rows["result"] <= 0.0).any():
        raise file.refused(low.idxmax(), "a result of 0 or below: in percent they have to be above 0")
    cells = rows.assign(u2=rows["u"] ** 2).groupby(["sample", "method"], sort=False)
    parts = {"mean": cells["result"].mean(), "variance": cells["result"].var(), "n": cells["result"].size()}
    parts["u2"] = cells["u2"].apply(lambda one: one.mean(skipna=False))
    table = pd.DataFrame(parts).reset_index("method")
    first, second = (table[table["method"] == name] for name in names)
    samples = first.index.intersection(second.index, sort=False)
    if len(samples) < _FEWEST_PAIRS:
        both = f"{len(samples)} samples were measured by both {names[0]} and {names[1]}"
        raise StudyError(file.name, 0, f"{both}: {_FEWEST_PAIRS} or more were expected")
    first, second = first.loc[samples], second.loc[samples]
    x, y = (one["mean"].to_numpy(float) for one in (first, second))
    errors = [_errors(one, in_percent) for one in (first, second)]
    known = all(bool(np.all(one > 0.0)) for one in errors)
    sizes = [np.mean((one / level if in_percent else one) ** 2) for one, level in zip(errors, (x, y), strict=True)]
    ratio = float(sizes[0] / sizes[1]) if known else 1.0
    try:
        agreement = statistics.agreement_limits(100.0 * np.log(y / x) if in_percent else y - x)
        deming = statistics.deming_line(x, y, ratio=ratio, proportional=in_percent)
        lines = (deming, statistics.passing_bablok_line(x, y))
    except ValueError as wrong:
        raise StudyError(file.name, 0, str(wrong)) from None
    class_ = statistics.bias_class(x, y, *errors) if known else None
    shown = tuple(map(str, samples)), x, y, "%" if in_percent else unit
    return Comparison((names[0], names[1]), *shown, in_percent, allowed, lines, agreement, class_)


def _errors(cells: pd.DataFrame, in_percent: bool) -> Array:
    """Return the standard error of each mean: from u where it is given, else from the repeats of all; NaN without."""
    if cells["u2"].notna().all():
        return np.asarray(np.sqrt(cells["u2"] / cells["n"]), dtype=float)
    scale, degrees = cells["mean"] ** 2 if in_percent else 1.0, cells["n"] - 1.0
    pooled = (degrees * cells["variance"] / scale).sum() / degrees.sum() if degrees.sum() else math.nan
    return np.asarray(np.sqrt(pooled * scale / cells["n"]), dtype=float)


def _judged(found: Comparison) -> tuple[int, str]:
    """Return the rank and the sentence with its risk."""
    first, second = found.names
    lower, upper = (found.told(one[0]) for one in (found.agreement.lower, found.agreement.upper))
    limits = f"19 of 20 differences lie between {lower} and {upper}" if found.is_normal else "no limits hold for all"
    if not found.allowed > 0.0:
        return 1, f"{limits}; say how large a difference matters (allowed), and the risk of the exchange is told"
    _, least, most = found.share_beyond
    risk = f"{found.share_words} of differences lie beyond ±{found.told(found.allowed)}; {limits}"
    biases = [found.bias(level) for level in (found.levels[0], found.levels[2])]
    if least > _SHARE or any(one[1] > found.allowed or one[2] < -found.allowed for one in biases):
        return 2, f"{second} may not stand for {first}: {risk}"
    if most <= _SHARE and all(-found.allowed < one[1] and one[2] < found.allowed for one in biases):
        return 0, f"{second} may stand for {first}, on samples such as these: {risk}"
    return 1, f"not told yet whether {second} may stand for {first}: {risk}"


def _odd_places(differences: Array) -> tuple[int, ...]:
    """Return which differences are odd at 1 %; of few one, or the two that hide each other, in two tests: 2 %."""
    if np.ptp(differences) == 0.0:
        return ()
    if differences.size >= _FEWEST_FOR_ODD:
        found = statistics.extreme_deviates(differences, 3)
        return found.places[: found.outliers]
    tests = (statistics.grubbs_test(differences), statistics.tietjen_moore_test(differences, 2))
    return next((one.places for one in tests if one.standing == "outlier"), ())


def _doubts(found: Comparison) -> Iterator[Finding]:
    p_normal, p_level = found.p_values
    if p_normal < _DOUBT:
        what = f"differences are not normal ({p_value(p_normal)}): the share beyond is counted"
        yield 2, "Distribution", what, "Look at the samples furthest out."
    if p_level < _DOUBT:
        to_do = "Compare in percent, or each range of levels by itself."
        yield 2, "Spread", f"differences change with the level ({p_value(p_level)}): the share beyond is counted", to_do
    if named := [found.samples[place] for place in _odd_places(found.agreement.differences)]:
        to_do = "Measure them again by both; leave one out for a cause only."
        others, chance = len(found.samples) - len(named), 1 if len(found.samples) >= _FEWEST_FOR_ODD else 2
        yield 1, "Samples", f"{', '.join(named)}: further apart than the other {others} ({chance} %)", to_do
    if found.lines[0].differs:
        ends = (found.levels[0], found.levels[2])
        told = " and ".join(f"{found.told(found.bias(one)[0])} at {numeral(one, figures=3)}" for one in ends)
        yield 1, "Bias", f"the line is not y = x: {told}", "Find the cause; check a correction on other samples."
    if found.bias_class and found.bias_class.sample_effects:
        what = "methods differ sample by sample by more than their errors explain"
        yield 1, "Samples", what, "No correction mends that: ask which samples, and why."


def _lines_table(found: Comparison) -> StudyTable:
    def row(one: statistics.ComparisonLine) -> tuple[str, ...]:
        slope = reading.reach(one.slope, *one.slope_interval, figures=4)
        return one.form, reading.reach(one.intercept, *one.intercept_interval), slope, "no" if one.differs else "yes"

    columns = ("Line", "a (95 %)", "b (95 %)", "y = x within")
    rows = tuple(map(row, found.lines))
    return StudyTable("Lines y = a + b x, x the first", columns, rows, (reading.NOTES["lines"],))


def _differences_table(found: Comparison) -> StudyTable:
    one = found.agreement
    rows = [(f"Bias at {numeral(level, figures=3)}", reading.reach(*found.bias(level))) for level in found.levels]
    names = ("Mean difference", "Lower limit of agreement", "Upper limit of agreement")
    rows += [(name, reading.reach(*ends)) for name, ends in zip(names, (one.mean, one.lower, one.upper), strict=True)]
    if found.allowed > 0.0:
        rows.append((f"Share beyond ±{found.told(found.allowed)}", found.share_words))
    columns = ("Difference", f"{found.unit or 'unit of the results'} (95 %)")
    return StudyTable(f"How much higher {found.names[1]} reads", columns, tuple(rows), (reading.NOTES["differences"],))


def _class_table(found: Comparison) -> Iterator[StudyTable]:
    one = found.bias_class
    if one is None:
        return
    marks = dict.fromkeys(one.squares, "") | {one.name: ", chosen"}
    rows = tuple((f"Class {name}{marks[name]}", numeral(square, 2)) for name, square in one.squares.items())
    line = f"y = {numeral(one.intercept, figures=3)} + {numeral(one.slope, figures=4)} x"
    remains = f"What remains beside the errors: {p_value(one.p_rest)}."
    notes = [f"Class {one.name}: {CORRECTIONS[one.name]}, {line}. {remains}"]
    if one.sample_effects:
        like = "look random" if one.random_effects else "don't look random: no common correction holds"
        notes.append(f"Differences from sample to sample {like}; their s is about {numeral(one.effect_deviation)}.")
    if one.p_spread > 0.05:
        notes.append("The samples lie too close together for a line to be judged.")
    notes.append(reading.NOTES["classes"])
    columns = ("Class", "Weighted sum of squares")
    yield StudyTable("Classes of correction, as in ASTM D6708", columns, rows, tuple(notes))
