"""Studies of precision: laboratories × levels, or operators × instruments × oils."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from labcalc import statistics
from labcalc.errors import StudyError
from labcalc.judgement.studies import reading
from labcalc.judgement.studies.reading import Finding, Study, StudyFile, StudyTable
from labcalc.statistics.precision.method_precision import LIMIT_FACTOR
from labcalc.wording import first_of, numeral, p_value, percent

_FACTORS = ("laboratory", "operator", "instrument")
_COLUMNS = {**dict.fromkeys((*_FACTORS, "level"), reading.TEXT), "result": reading.NUMBER}
_ALIASES = {"material": "level", "sample": "level", "oil": "level", "part": "level", "lab": "laboratory"}
_PRECISION_VERDICTS = ("fit to be stated", "to be stated with reserve", "not fit to be stated")
_GAUGE_VERDICTS = ("capable", "can't be told yet", "not capable")
_ENOUGH = 30  # degrees of freedom that ISO 4259-1 and ASTM D6300 ask for (memory)
_WORTHLESS = 6
_MOST_LEFT_OUT = 2 / 9  # of a study's laboratories: more, and the study is questioned (IUPAC 1995; memory)
_POOR = 0.3  # of the tolerance: customary in machining
_FORMS = {"constant": "{a}", "proportional": "{b} m", "linear": "{a} + {b} m", "power": "{a} m^{power}"}


@dataclass(frozen=True)
class LaboratoryStudy:
    """A study between laboratories: consistency of all cells, and precision of those kept."""

    consistency: statistics.MandelStatistics
    screened: statistics.ScreenedCells
    precision: statistics.InterlaboratoryPrecision
    relations: tuple[statistics.PrecisionRelation, ...]  # what fits s_r best, and s_R; of three levels or more


def report_precision(
    file: Path, keep: Sequence[str] = (), lower: float | None = None, upper: float | None = None, percent: bool = False
) -> Study:
    """Put together the precision of a method from a CSV file.

    file : Columns laboratory, level and result; or operator or instrument or both, level and result, where each
        measured each as often.
    keep : Outliers that stay, for a reason that the report tells: ``laboratory@level``.
    lower, upper : Limits of the specification, [unit of the results]; without laboratories only.
    percent : Whether errors are in proportion to the level, so that 100 ln of the results is looked at; likewise.
    Raises StudyError : Columns of neither kind, a value that isn't a number, a cell that is missing.
    """
    read = reading.read_study(file, _COLUMNS, ("level", "result"), _ALIASES)
    factors = [name for name in _FACTORS if (read.rows[name] != "").any()]
    for name in factors:
        if (empty := read.rows[name] == "").any():
            raise read.refused(empty.idxmax(), f"{name} is empty: {reading.TEXT} was expected")
    try:
        if keep if factors != ["laboratory"] else percent or (lower, upper) != (None, None):
            raise ValueError("keep is for laboratories; limits and percent are for operators and instruments")
        if factors == ["laboratory"]:
            return _between_laboratories(read, keep)
        if not factors or "laboratory" in factors:
            raise ValueError("beside level and result, laboratory, or operator or instrument or both, was expected")
        ends = [math.nan if one is None else one for one in (lower, upper)]
        return _crossed(read, factors, ends[0], ends[1], percent)
    except ValueError as wrong:
        raise StudyError(read.name, 0, str(wrong)) from None


def _between_laboratories(read: StudyFile, keep: Sequence[str]) -> Study:
    laboratories, levels = (read.rows[name].tolist() for name in ("laboratory", "level"))
    cells = statistics.interlaboratory_cells(laboratories, levels, read.rows["result"])
    kept = [(lab, level) for lab, _, level in (one.partition("@") for one in keep)]
    screened = statistics.screen_cells(cells, keep=kept)
    found, relations = statistics.interlaboratory_precision(screened.cells), tuple[statistics.PrecisionRelation, ...]()
    if len(found.levels) >= 3 and min(*found.mean, *found.repeatability_deviation) > 0.0:
        repeats = found.repeatability_deviation, found.repeatability_degrees_of_freedom
        others = found.reproducibility_deviation, found.reproducibility_degrees_of_freedom
        relations = tuple(statistics.precision_relations(found.mean, *one)[0] for one in (repeats, others))
    study = LaboratoryStudy(statistics.mandel_statistics(cells), screened, found, relations)
    rank, findings = reading.ranked(_flags(study))
    of_R = f"R rests on {numeral(float(found.reproducibility_degrees_of_freedom.min()), 0)} degrees of freedom or more"
    reason = "; ".join(["limits of each level are in the table", *_relation_words(study), of_R])
    counts = f"{cells.counts.sum()}, used {int(found.results.sum())}"
    facts = {"Laboratories": str(len(cells.laboratories)), "Levels": str(len(cells.levels)), "Results": counts}
    verdict, tables = _PRECISION_VERDICTS[rank], (_statement(study),)
    return Study("Precision between laboratories", read, facts, rank, verdict, reason, findings, tables, study)


def _flags(study: LaboratoryStudy) -> Iterator[Finding]:
    out = "Ask for the cause; an outlier without one stays out, one with a good reason stays in (keep) and is told."
    for one in study.screened.flags:
        yield 1, f"Level {one.level}", str(one), out if one.left_out else "Ask for the cause; it stays in."
    left = ~study.screened.kept & np.isfinite(study.consistency.h)
    for level, share in zip(study.precision.levels, left.mean(axis=0), strict=True):
        if share > _MOST_LEFT_OUT:
            found = f"{percent(share, 0)} of the laboratories left out"
            yield 2, f"Level {level}", found, "The study is in question, not they: look at samples and instructions."
    more = "More laboratories, or samples that are alike, would tell."
    yield from ((1, "Variance between laboratories", one, more) for one in study.precision.notes)
    degrees = study.precision.reproducibility_degrees_of_freedom.tolist()
    if few := {level: df for level, df in zip(study.precision.levels, degrees, strict=True) if df < _ENOUGH}:
        told = first_of((f"{level} {numeral(df, 0)}" for level, df in few.items()), 6)
        found = f"of R at level {told}; {_ENOUGH} are asked for"
        yield 1 + (min(few.values()) < _WORTHLESS), "Degrees of freedom", found, "State R with its interval."


def _relation_words(study: LaboratoryStudy) -> list[str]:
    def words(limit: str, one: statistics.PrecisionRelation) -> str:
        factors = (LIMIT_FACTOR * one.intercept, LIMIT_FACTOR * one.slope, one.slope)
        a, b, power = (numeral(factor, figures=3) for factor in factors)
        return f"{limit} = {_FORMS[one.form].format(a=a, b=b, power=power)}, m the level (fit {p_value(one.p_value)})"

    return [words(limit, one) for limit, one in zip(("r", "R"), study.relations, strict=False)]


def _statement(study: LaboratoryStudy) -> StudyTable:
    found = study.precision

    def row(i: int, level: str) -> tuple[str, ...]:
        plain = (found.repeatability_deviation, found.reproducibility_deviation)
        limits = (
            reading.reach(*(LIMIT_FACTOR * float(one) for one in (spread[i], *ends[:, i])))
            for spread, ends in ((plain[0], found.repeatability_interval), (plain[1], found.reproducibility_interval))
        )
        degrees = (found.repeatability_degrees_of_freedom[i], found.reproducibility_degrees_of_freedom[i])
        told = (cell for limit, df in zip(limits, degrees, strict=True) for cell in (limit, numeral(float(df), 0)))
        mean, number = numeral(float(found.mean[i]), figures=5), str(found.laboratories[i])
        return level, mean, number, *(numeral(float(one[i]), figures=4) for one in plain), *told

    forms = [reading.NOTES["forms"]] if study.relations else []
    notes = (reading.NOTES["limits"].format(factor=LIMIT_FACTOR), *forms)
    columns = ("Level", "Mean", "p", "s_r", "s_R", "r (95 %)", "df", "R (95 %)", "df")
    rows = tuple(row(i, level) for i, level in enumerate(found.levels))
    return StudyTable("Statement of precision", columns, rows, notes)


def _crossed(read: StudyFile, factors: list[str], lower: float, upper: float, in_percent: bool) -> Study:
    results = read.rows["result"].to_numpy(float)
    if in_percent and min(results.min(), lower) <= 0.0:
        raise ValueError("a result or limit of 0 or below: in percent they have to be above 0")
    if upper <= lower:
        raise ValueError(f"limits {lower:g} and {upper:g}: the upper one has to be above the lower one")
    codes = {name: read.rows[name].tolist() for name in (*factors, "level")}
    study = statistics.crossed_study(codes, 100.0 * np.log(results) if in_percent else results, "level")
    share, low, high = study.precision_to_tolerance(100.0 * math.log(upper / lower) if in_percent else upper - lower)
    rank, findings = reading.ranked(_gauge_findings(study))
    told = f"6 s are {percent(share)} of the tolerance ({percent(low)} to {percent(high)})"
    told = "give both limits of the specification for precision to tolerance" if math.isnan(share) else told
    rank = 2 if low > _POOR else min(rank, 1) if high <= _POOR else 1
    reason = f"{told}; s of the measurement {reading.reach(*map(math.sqrt, (study.gauge, *study.gauge_interval)))}"
    facts = {f"{name.capitalize()}s": str(len(of)) for name, of in study.levels.items()}
    looked_at = "100 ln of the results" if in_percent else "results as they are"
    facts |= {"Repeats": str(study.repeats), "Looked at": looked_at}
    verdict, tables = _GAUGE_VERDICTS[rank], (_gauge_table(study, "%" if in_percent else "unit of the results"),)
    return Study("Measurement study", read, facts, rank, verdict, reason, findings, tables, study)


def _gauge_findings(study: statistics.CrossedStudy) -> Iterator[Finding]:
    for one in study.effects:
        if one.p_value < 0.05 and one.line.name != study.part:
            what = "from level to level in their bias" if study.part in one.line.name else "in their mean"
            found = f"differ {what} (F = {numeral(one.f, 2)}, {p_value(one.p_value)})"
            yield 1, one.line.name.capitalize(), found, "Watch how each fills, cleans and waits, on one oil."
        elif one.unbiased < 0.0:
            found = "its component came out negative and was set to 0"
            yield 0, one.line.name.capitalize(), found, "Nothing to do: chance, or an effect near 0."
    if study.p_spread < 0.01:
        to_do = "Look at it in percent, or at each range of levels by itself."
        yield 1, "Spread", f"repeats scatter more at some levels than at others ({p_value(study.p_spread)})", to_do
    if min(len(of) for name, of in study.levels.items() if name != study.part) < _WORTHLESS:
        found = f"fewer than {_WORTHLESS} operators or instruments: the upper end of the interval lies far off"
        yield 0, "Size of the study", found, "Quote the interval, not the figure alone."
    if study.repeats == 1:
        found = "none: repeatability and the highest interaction can't be told apart"
        yield 1, "Repeats", found, "Repeat every measurement at least once."


def _gauge_table(study: statistics.CrossedStudy, unit: str) -> StudyTable:
    def row(name: str, variance: float, ends: tuple[float, float], *more: str) -> tuple[str, ...]:
        return name, reading.reach(*map(math.sqrt, (variance, *ends))), *(more or ("",) * 4)

    def tested(one: statistics.CrossedEffect) -> tuple[str, ...]:
        p = "–" if math.isnan(one.f) else p_value(one.p_value)
        return str(one.line.degrees_of_freedom), numeral(one.line.mean_square, figures=4), numeral(one.f, 2), p

    rows = [row(one.line.name, one.variance, one.interval, *tested(one)) for one in study.effects]
    rows.append(row("measurement as a whole", study.gauge, study.gauge_interval))
    told_apart = f"All factors random; {numeral(study.categories, 1)} classes of levels can be told apart."
    columns = ("Source", f"s (95 %), {unit}", "df", "Mean square", "F", "p")
    return StudyTable("What results spread by", columns, tuple(rows), (told_apart, reading.NOTES["tolerance"]))
