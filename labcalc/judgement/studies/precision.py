"""Studies of precision: laboratories × levels, or operators × instruments × oils."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from labcalc.errors import StudyError
from labcalc.judgement.studies.reading import NUMBER, TEXT, Study, StudyFile, StudyTable, ranked, read_study
from labcalc.statistics import (
    CrossedStudy,
    InterlaboratoryPrecision,
    MandelStatistics,
    PrecisionRelation,
    ScreenedCells,
    crossed_study,
    interlaboratory_cells,
    interlaboratory_precision,
    mandel_statistics,
    precision_relations,
    screen_cells,
)
from labcalc.wording import counted, numeral, p_value, percent

_FACTORS = ("laboratory", "operator", "instrument")
_COLUMNS = {**dict.fromkeys((*_FACTORS, "level"), TEXT), "result": NUMBER}
_ALIASES = {"material": "level", "sample": "level", "oil": "level", "part": "level", "lab": "laboratory"}
PRECISION_VERDICTS = ("fit to be stated", "to be stated with reserve", "not fit to be stated")
GAUGE_VERDICTS = ("capable", "can't be told yet", "not capable")
_ENOUGH = 30  # degrees of freedom that ISO 4259-1 and ASTM D6300 ask for (memory)
_WORTHLESS = 6
_MOST_LEFT_OUT = 2 / 9  # of a study's laboratories: more, and the study is questioned (IUPAC 1995; memory)
_GOOD, _POOR = 0.1, 0.3  # of the tolerance: customary in machining


@dataclass(frozen=True)
class LaboratoryStudy:
    """A study between laboratories: consistency of all cells, and precision of those kept."""

    consistency: MandelStatistics
    screened: ScreenedCells
    precision: InterlaboratoryPrecision
    relations: tuple[tuple[str, PrecisionRelation], ...]
    """The form that fits best, of s_r and of s_R; none for fewer than three levels."""


def report_precision(
    file: Path,
    *,
    keep: Sequence[str] = (),
    lower: float | None = None,
    upper: float | None = None,
    percent: bool = False,
) -> Study:
    """Put together the precision of a method from a CSV file.

    file : Columns laboratory, level and result, for a study between laboratories; or operator or instrument or both, level
        and result, where each measured each as often.
    keep : Outliers that stay, for a reason that the report tells: ``laboratory@level``.
    lower, upper : Limits of the specification, [unit of the results]; crossed studies only.
    percent : Whether errors are in proportion to the level; crossed studies only: 100 ln of the results is looked at.
    Raises StudyError : Columns of neither kind, a value that isn't a number, a cell that is missing.
    """
    read = read_study(file, _COLUMNS, ("level", "result"), _ALIASES)
    factors = [name for name in _FACTORS if (read.rows[name] != "").any()]
    for name in factors:
        if (read.rows[name] == "").any():
            raise read.refused(int((read.rows[name] == "").argmax()), f"{name} is empty: {TEXT} was expected")
    if not factors or (factors[0] == "laboratory" and len(factors) > 1):
        raise StudyError(
            read.name,
            0,
            "the column laboratory, or operator or instrument or both, was expected beside level and result",
        )
    try:
        return (
            _between_laboratories(read, keep)
            if factors == ["laboratory"]
            else _crossed(read, factors, (lower, upper), percent)
        )
    except ValueError as wrong:
        raise StudyError(read.name, 0, str(wrong)) from None


def _between_laboratories(read: StudyFile, keep: Sequence[str]) -> Study:
    cells = interlaboratory_cells(read.rows["laboratory"].tolist(), read.rows["level"].tolist(), read.rows["result"])
    screened = screen_cells(cells, keep=[(lab, level) for lab, _, level in (one.partition("@") for one in keep)])
    found = interlaboratory_precision(screened.cells)
    spreads = (
        (name, one, df)
        for name, one, df in (
            ("s_r", found.repeatability_deviation, found.repeatability_degrees_of_freedom),
            ("s_R", found.reproducibility_deviation, found.reproducibility_degrees_of_freedom),
        )
    )
    usable = len(found.levels) >= 3 and bool(np.all(found.mean > 0.0) and np.all(found.repeatability_deviation > 0.0))
    relations = (
        tuple((name, precision_relations(found.mean, one, df)[0]) for name, one, df in spreads) if usable else ()
    )
    study = LaboratoryStudy(mandel_statistics(cells), screened, found, relations)
    rank, findings = ranked([*_flags(study)])
    fewest = float(found.reproducibility_degrees_of_freedom.min())
    reason = "; ".join(
        [
            *(_relation_words(name, one, found.limit_factor) for name, one in relations),
            f"s_R rests on {numeral(fewest, 0)} degrees of freedom or more",
        ]
    )
    facts = {
        "Laboratories": str(len(cells.laboratories)),
        "Levels": str(len(cells.levels)),
        "Results": f"{cells.counts.sum()}, used {int(found.results.sum())}",
    }
    tables = (_statement(found), _deviations(found), *_relation_table(study), *_flag_table(study))
    return Study(
        "Precision between laboratories", read, facts, rank, PRECISION_VERDICTS[rank], reason, findings, tables, study
    )


def _flags(study: LaboratoryStudy) -> Iterator[tuple[int, str, str, str]]:
    cause = "Ask the laboratory for the cause; an outlier with none stays out, one with a good reason stays in (--keep) and is told."
    yield from ((1, f"Level {one.level}", str(one), cause) for one in study.screened.flags)
    left = ~study.screened.kept & np.isfinite(study.consistency.h)
    for level, share in zip(study.precision.levels, left.mean(axis=0), strict=True):
        if share > _MOST_LEFT_OUT:
            yield (
                2,
                f"Level {level}",
                f"{percent(share, 0)} of the laboratories left out",
                "The study is in question, not they: look at sample and instructions.",
            )
    yield from (
        (1, "Variance between laboratories", one, "More laboratories, or samples that are alike, would tell.")
        for one in study.precision.notes
    )
    for level, df in zip(
        study.precision.levels, study.precision.reproducibility_degrees_of_freedom.tolist(), strict=True
    ):
        if df < _ENOUGH:
            yield (
                1 + (df < _WORTHLESS),
                f"Level {level}",
                f"R rests on {numeral(df, 1)} degrees of freedom; {_ENOUGH} are asked for",
                "State R with its interval; more laboratories narrow it.",
            )


def _reach(value: float, low: float, high: float) -> str:
    return f"{numeral(value, figures=3)} ({numeral(low, figures=3)} to {numeral(high, figures=3)})"


def _statement(found: InterlaboratoryPrecision) -> StudyTable:
    def limits(deviation: float, interval: np.ndarray, place: int) -> str:
        return _reach(*(found.limit_factor * float(one) for one in (deviation, interval[0, place], interval[1, place])))

    rows = tuple(
        (
            level,
            numeral(float(found.mean[i]), figures=5),
            limits(found.repeatability_deviation[i], found.repeatability_interval, i),
            numeral(float(found.repeatability_degrees_of_freedom[i]), 0),
            limits(found.reproducibility_deviation[i], found.reproducibility_interval, i),
            numeral(float(found.reproducibility_degrees_of_freedom[i]), 1),
        )
        for i, level in enumerate(found.levels)
    )
    note = f"r and R are {found.limit_factor:g} s: of two results under these conditions one pair in twenty lies further apart. Degrees of freedom of R by Satterthwaite."
    return StudyTable("Statement of precision", ("Level", "Mean", "r (95 %)", "df", "R (95 %)", "df"), rows, (note,))


def _deviations(found: InterlaboratoryPrecision) -> StudyTable:
    columns = (
        found.deviation_of_means,
        found.repeatability_deviation,
        found.between_laboratory_deviation,
        found.reproducibility_deviation,
    )
    rows = tuple(
        (level, str(found.laboratories[i]), *(numeral(float(one[i]), figures=4) for one in columns))
        for i, level in enumerate(found.levels)
    )
    return StudyTable(
        "Standard deviations",
        ("Level", "Laboratories", "s of means", "s_r", "s_L", "s_R"),
        rows,
        ("As in ISO 5725-2; with equal numbers of results as in ASTM E691.",),
    )


def _relation_words(name: str, one: PrecisionRelation, factor: float) -> str:
    a, b = (numeral(factor * value, figures=3) for value in (one.intercept, one.slope))
    limit = "r" if name == "s_r" else "R"
    forms = {
        "constant": a,
        "proportional": f"{b} m",
        "linear": f"{a} + {b} m",
        "power": f"{a} m^{numeral(one.slope, figures=3)}",
    }
    return f"{limit} = {forms[one.form]}"


def _relation_table(study: LaboratoryStudy) -> Iterator[StudyTable]:
    rows = tuple(
        (_relation_words(name, one, study.precision.limit_factor), one.form, p_value(one.p_value))
        for name, one in study.relations
    )
    if rows:
        note = "m: mean of the level. The form with the least deviance and fewest parameters; a small p says that it doesn't fit. Few levels say little about a form: take the simplest that serves."
        yield StudyTable("Precision and level", ("Relation", "Form", "Fit"), rows, (note,))


def _flag_table(study: LaboratoryStudy) -> Iterator[StudyTable]:
    rows = tuple(
        (
            f"{' and '.join(one.laboratories)}, level {one.level}",
            one.test,
            numeral(one.statistic, 3),
            numeral(one.limit_5_percent, 3),
            numeral(one.limit_1_percent, 3),
            f"{one.standing}, {'left out' if one.left_out else 'kept'}",
        )
        for one in study.screened.flags
    )
    if rows:
        yield StudyTable("Stragglers and outliers", ("Laboratory", "Test", "Statistic", "5 %", "1 %", "Standing"), rows)


def _crossed(read: StudyFile, factors: list[str], limits: tuple[float | None, float | None], in_percent: bool) -> Study:
    results = read.rows["result"].to_numpy(float)
    if in_percent and (results <= 0.0).any():
        raise ValueError("a result of 0 or below: in percent they have to be above 0")
    bottom, top = (math.nan if one is None else one for one in limits)
    tolerance = top - bottom
    if tolerance <= 0.0:
        raise ValueError(f"limits {bottom:g} and {top:g}: the upper one has to be above the lower one")
    study = crossed_study(
        {name: read.rows[name].tolist() for name in [*factors, "level"]},
        100.0 * np.log(results) if in_percent else results,
        "level",
    )
    ratio = study.precision_to_tolerance(100.0 * math.log(top / bottom) if in_percent else tolerance)
    rank, findings = ranked([*_gauge_findings(study, in_percent)])
    capable = 1 if math.isnan(tolerance) or ratio[1] <= _POOR < ratio[2] else 2 if ratio[1] > _POOR else 0
    rank = max(min(rank, 1), capable)
    unit = "%" if in_percent else "unit of the results"
    gauge = (math.sqrt(one) for one in (study.gauge, *study.gauge_interval))
    told = (
        "give both limits of the specification for precision to tolerance"
        if math.isnan(tolerance)
        else f"6 s are {percent(ratio[0])} of the tolerance ({percent(ratio[1])} to {percent(ratio[2])})"
    )
    reason = f"{told}; s of the measurement {_reach(*gauge)}"
    facts = {
        **{name.capitalize() + "s": str(len(of)) for name, of in study.levels.items()},
        "Repeats": str(study.repeats),
        "Looked at": "100 ln of the results" if in_percent else "results as they are",
    }
    return Study(
        "Measurement study",
        read,
        facts,
        rank,
        GAUGE_VERDICTS[rank],
        reason,
        findings,
        (_gauge_table(study, unit), _effect_table(study)),
        study,
    )


def _gauge_findings(study: CrossedStudy, in_percent: bool) -> Iterator[tuple[int, str, str, str]]:
    for one in study.effects:
        if one.p_value < 0.05 and one.line.name != study.part:
            what = "level" in one.line.name and "differ from level to level in their bias" or "differ in their mean"
            yield (
                1,
                one.line.name.capitalize(),
                f"{what} (F = {numeral(one.f, 2)}, {p_value(one.p_value)})",
                "Let them measure one oil side by side, and compare how each fills, cleans and waits.",
            )
        elif one.unbiased < 0.0:
            yield (
                0,
                one.line.name.capitalize(),
                "its component came out negative and was set to 0",
                "Nothing to do: chance, or an effect near 0.",
            )
    if min(len(of) for name, of in study.levels.items() if name != study.part) < _WORTHLESS:
        yield (
            1,
            "Size of the study",
            f"fewer than {_WORTHLESS} operators or instruments: the upper end of the interval lies far off",
            "Quote the interval, not the figure alone.",
        )
    if study.repeats == 1:
        yield (
            1,
            "Repeats",
            "none: repeatability and the highest interaction can't be told apart",
            "Repeat every measurement at least once.",
        )


def _gauge_table(study: CrossedStudy, unit: str) -> StudyTable:
    reproducibility = max(study.gauge - study.repeatability.variance, 0.0)
    rows = (
        (
            "Repeatability",
            _reach(*(math.sqrt(one) for one in (study.repeatability.variance, *study.repeatability.interval))),
        ),
        ("Between operators and instruments", numeral(math.sqrt(reproducibility), figures=3)),
        ("The measurement as a whole", _reach(*(math.sqrt(one) for one in (study.gauge, *study.gauge_interval)))),
        ("Classes of samples told apart", numeral(study.categories, 1)),
    )
    note = "Up to 10 % of a tolerance is good, above 30 % not capable: customary in machining. Where ISO 4259 sets limits 4 R apart, 54 % is what the smallest tolerance gives."
    return StudyTable("Standard deviations", ("Of", f"s (95 %), {unit}"), rows, (note,))


def _effect_table(study: CrossedStudy) -> StudyTable:
    rows = tuple(
        (
            one.line.name,
            str(one.line.degrees_of_freedom),
            numeral(one.line.mean_square, figures=4),
            numeral(one.f, 2),
            numeral(one.p_value, 4),
            _reach(one.variance, *one.interval),
        )
        for one in study.effects
    )
    return StudyTable(
        "Analysis of variance, all factors random", ("Source", "df", "Mean square", "F", "p", "Component (95 %)"), rows
    )
