"""Analysis of variance: NIST certified sets by matching digits, handbook and Guide examples, dense algebra."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, strategies as st
from numpy.typing import ArrayLike
from scipy import stats

from labcalc.statistics import nested_analysis
from labcalc.statistics.precision.analysis_of_variance import AnalysisLine, NestedAnalysis
from tests.statistics.data import columns, rows

CERTIFIED = {row.pop("set"): row for row in rows("strd_one_way_certified.csv")}


def strd(name: str) -> tuple[np.ndarray, np.ndarray]:
    """Return the results of a set and their groups."""
    some = [row for row in rows("strd_one_way.csv") if row["set"] == name]
    times = [int(row["times"]) for row in some]
    results, groups = ([float(row[what]) for row in some] for what in ("result", "group"))
    return np.repeat(results, times), np.repeat(groups, times)


@dataclass(frozen=True)
class OneWay:
    mean: float
    between: AnalysisLine
    within: AnalysisLine

    @property
    def f(self) -> float:
        return self.between.mean_square / self.within.mean_square


def one_way(results: ArrayLike, groups: ArrayLike) -> OneWay:
    """One factor: an analysis nested one level deep."""
    analysis = nested_analysis(results, {"groups": groups}, lowest="results")
    return OneWay(analysis.mean, *analysis.lines)


def found(analysis: OneWay) -> dict[str, float]:
    return {
        "between_ss": analysis.between.sum_of_squares,
        "between_ms": analysis.between.mean_square,
        "f": analysis.f,
        "within_ss": analysis.within.sum_of_squares,
        "within_ms": analysis.within.mean_square,
        "r_squared": 1.0 / (1.0 + analysis.within.sum_of_squares / analysis.between.sum_of_squares),
        "residual_deviation": math.sqrt(analysis.within.mean_square),
    }


def digits(values: dict[str, float], name: str) -> float:
    """Return the fewest digits that agree with the certified values, 15 at the most (as many are certified)."""
    off = [abs(values[what] / float(certified) - 1.0) for what, certified in CERTIFIED[name].items()]
    return min(15.0, -math.log10(max(*off, 1e-15)))


LEADING = {"AtmWtAg": 10.1, "SiRstv": 13.0, "SmLs01": 14.6, "SmLs02": 14.6, "SmLs03": 14.6} | {
    f"SmLs{n:02}": least for n, least in zip(range(4, 10), (10.0, 9.9, 9.9, 4.0, 3.9, 3.9), strict=True)
}


@pytest.mark.parametrize("name", CERTIFIED)
def test_certified_digits_from_binary_numbers(name: str) -> None:
    """NIST StRD: what the nearest binary numbers of the printed ones still hold of all seven certified values."""
    results, groups = strd(name)
    assert digits(found(one_way(results, groups)), name) >= LEADING[name]


@pytest.mark.parametrize("name", ["AtmWtAg", "SmLs04", "SmLs07"])
def test_nothing_is_lost_to_arithmetic(name: str) -> None:
    """In exact arithmetic on the same binary numbers, F is the same to 13 digits: the rest was lost in the input."""
    results, groups = strd(name)
    exact = [Fraction(float(one)) for one in results]
    cells = [[one for one, group in zip(exact, groups, strict=True) if group == label] for label in np.unique(groups)]
    mean = sum(exact) / len(exact)
    means = [sum(cell) / len(cell) for cell in cells]
    between = sum(len(cell) * (one - mean) ** 2 for cell, one in zip(cells, means, strict=True))
    within = sum((one - centre) ** 2 for cell, centre in zip(cells, means, strict=True) for one in cell)
    f = between / (len(cells) - 1) / (within / (len(exact) - len(cells)))
    assert one_way(results, groups).f == pytest.approx(float(f), rel=1e-13)


def test_machine_diameter() -> None:
    """NIST/SEMATECH e-Handbook 3.2.3.1: sums of squares 1.3744e-4 and 1.3200e-4, F 5.206 at full precision."""
    (diameter,) = columns("anova_machine_diameter.csv", "diameter")
    machine = [row["machine"] for row in rows("anova_machine_diameter.csv")]
    analysis = one_way(diameter, machine)
    assert analysis.between.sum_of_squares == pytest.approx(1.3744e-4, abs=5e-9)
    assert analysis.within.sum_of_squares == pytest.approx(1.3200e-4, abs=5e-9)
    assert analysis.f == pytest.approx(5.206, abs=5e-4)
    assert (analysis.between.degrees_of_freedom, analysis.within.degrees_of_freedom) == (4, 20)
    assert analysis.mean == pytest.approx(0.12432, abs=5e-6)
    reference = stats.f_oneway(*(diameter[np.array(machine) == one] for one in sorted(set(machine))))
    assert analysis.f == pytest.approx(reference.statistic, rel=1e-9)


def spread_out(means: np.ndarray, deviations: np.ndarray, number: int) -> np.ndarray:
    """Return results with exactly these means and standard deviations, ``number`` each."""
    shape = np.arange(number) - (number - 1) / 2.0
    return (means[:, None] + deviations[:, None] * shape / np.std(shape, ddof=1)).ravel()


def test_voltage_standard_of_the_guide() -> None:
    """JCGM 100:2008, H.5: s_a 128 µV (9), s_b 85 µV (40); F 2.25 printed, from rounded deviations (memory)."""
    mean, deviation = columns("gum_h5.csv", "mean_V", "s_uV")
    analysis = one_way(spread_out((mean - 10.0) * 1e6, deviation, 5), np.repeat(np.arange(10), 5))
    assert math.sqrt(analysis.between.mean_square) == pytest.approx(128.0, abs=0.5)
    assert math.sqrt(analysis.within.mean_square) == pytest.approx(85.0, abs=0.5)
    assert analysis.f == pytest.approx(2.26, abs=5e-3)
    assert analysis.f == pytest.approx(2.25, abs=2e-2)
    assert (analysis.between.degrees_of_freedom, analysis.within.degrees_of_freedom) == (9, 40)


def gauge(probe: str) -> NestedAnalysis:
    """The gauge study of the e-Handbook, 2.6.3: six results from each mean and deviation."""
    lines = [row for row in rows("gauge_resistivity.csv") if row["probe"] == probe]
    mean, deviation = (np.array([float(row[name]) for row in lines]) for name in ("mean6", "sd6"))
    factors = {name: np.repeat([row[name] for row in lines], 6) for name in ("wafer", "run")}
    return nested_analysis(
        spread_out(mean, deviation, 6), {**factors, "day": np.repeat(np.arange(len(lines)), 6)}, lowest="repeat"
    )


def test_gauge_study() -> None:
    """NIST/SEMATECH e-Handbook 2.6.3, probe 2362: deviations of days .0362 (50) and of runs .0197 (5), as printed.

    From means of four decimals the second is .01965. Level 1 is .0710 in print; pooled over all 300 degrees of
    freedom it is .0729.
    """
    analysis = gauge("2362")
    _, run, day, repeat = analysis.lines
    assert math.sqrt(day.mean_square / 6) == pytest.approx(0.0362, abs=5e-5)
    assert math.sqrt(run.mean_square / 36) == pytest.approx(0.0197, abs=6e-5)
    assert math.sqrt(repeat.mean_square) == pytest.approx(0.0729, abs=5e-5)
    assert [line.degrees_of_freedom for line in analysis.lines] == [4, 5, 50, 300]
    assert [line.groups for line in analysis.lines] == [5, 10, 60, 360]
    assert analysis.coefficients[0] == pytest.approx((72.0, 36.0, 6.0, 1.0))


UNEVEN = {
    "operator": [1, 1, 1, 1, 1, 2, 2, 2, 2, 3, 3, 3],
    "day": [1, 1, 2, 2, 3, 1, 2, 2, 2, 1, 1, 2],
}
"""Days count within their operator."""

SERIES = [5.1, 5.3, 4.8, 4.9, 5.6, 6.0, 6.3, 6.1, 6.4, 5.2, 5.5, 5.0]


def indicator(codes: list[object]) -> np.ndarray:
    names = list(dict.fromkeys(codes))
    return np.array([[float(one == name) for name in names] for one in codes])


def test_unbalanced_lines_against_projections() -> None:
    """Derivation: sums of squares and expected mean squares as quadratic forms y'Ay and tr(A Z Z') / f."""
    analysis = nested_analysis(SERIES, UNEVEN)
    paths: list[list[object]] = [[()] * 12, list(UNEVEN["operator"]), list(zip(*UNEVEN.values(), strict=True))]
    designs = [indicator(path) for path in paths] + [np.eye(12)]
    projections = [design @ np.linalg.pinv(design) for design in designs]
    y = np.array(SERIES)
    for place, line in enumerate(analysis.lines):
        form = projections[place + 1] - projections[place]
        assert line.sum_of_squares == pytest.approx(y @ form @ y, rel=1e-12)
        assert line.degrees_of_freedom == round(np.trace(form))
        expected = [np.trace(form @ one @ one.T) / np.trace(form) for one in designs[1:]]
        assert analysis.coefficients[place] == pytest.approx(expected, abs=1e-12)


def test_materials_side_by_side_against_projections() -> None:
    """Derivation: two materials on each of five days, their means taken out as fixed effects by dense algebra."""
    day, material = np.repeat(np.arange(5), 2), np.tile(["thin", "thick"], 5)
    y = np.array([5.1, 9.3, 4.8, 9.1, 5.6, 9.4, 5.3, 9.6, 5.2, 9.0])
    analysis = nested_analysis(y, {"day": day}, series=material)
    days, materials = indicator(list(day)), indicator(list(material))
    one, two = (design @ np.linalg.pinv(design) for design in (days, np.hstack([days, materials])))
    assert analysis.lines[0].sum_of_squares == pytest.approx(y @ (one - np.ones((10, 10)) / 10) @ y, rel=1e-12)
    assert analysis.lines[1].sum_of_squares == pytest.approx(y @ (np.eye(10) - two) @ y, rel=1e-12)
    assert [line.degrees_of_freedom for line in analysis.lines] == [4, 4]
    with pytest.raises(ValueError, match="an innermost group holds 2 of thick, 0 of thin: each equally often"):
        nested_analysis(y, {"day": day}, series=np.sort(material))


@given(
    st.lists(st.tuples(st.integers(0, 3), st.integers(0, 3), st.floats(-5.0, 5.0)), min_size=12, max_size=40).filter(
        lambda drawn: 1 < len({one[0] for one in drawn}) < len({one[:2] for one in drawn}) < len(drawn)
    ),
    st.randoms(use_true_random=False),
)
def test_order_and_names_of_the_codes_do_not_matter(drawn: list[tuple[int, int, float]], dice: object) -> None:
    """Property: the lines add up to the whole, and neither order nor names of the codes, nor a shift, change them."""
    outer, inner, values = zip(*drawn, strict=True)
    first = nested_analysis(values, {"a": outer, "b": inner})
    total = float(((np.array(values) - np.mean(values)) ** 2).sum())
    assert sum(line.sum_of_squares for line in first.lines) == pytest.approx(total, rel=1e-9, abs=1e-12)
    dice.shuffle(drawn)  # type: ignore[attr-defined]
    outer, inner, values = zip(*drawn, strict=True)
    again = nested_analysis(
        np.array(values) + 100.0, {"a": [f"x{3 - one}" for one in outer], "b": [f"y{one}" for one in inner]}
    )
    for one, other in zip(first.lines, again.lines, strict=True):
        assert (one.groups, one.degrees_of_freedom) == (other.groups, other.degrees_of_freedom)
        assert one.sum_of_squares == pytest.approx(other.sum_of_squares, rel=1e-9, abs=1e-9 * max(total, 1.0))


def test_a_level_that_cannot_be_told_apart_is_refused() -> None:
    with pytest.raises(ValueError, match="result: 3 in 3 of day, one each: what comes from the one can't be told"):
        nested_analysis([1.0, 2.0, 3.0], {"day": [1, 2, 3]})
    with pytest.raises(ValueError, match="operator: 1 in 1 of all results, one each"):
        nested_analysis([1.0, 2.0, 3.0], {"operator": [1, 1, 1]})
    with pytest.raises(ValueError, match="day: the code of result 2 is missing"):
        nested_analysis([1.0, 2.0, 3.0], {"day": [1.0, math.nan, 2.0]})
    with pytest.raises(ValueError, match=r"day: codes of shape \(2,\) for 3 results"):
        nested_analysis([1.0, 2.0, 3.0], {"day": [1, 2]})


def test_two_groups_by_hand() -> None:
    """Groups 1 3 and 5 7 9: sums of squares 30 between (2·9 + 3·4 about 5) and 10 within; F 30/(10/3) = 9."""
    found = one_way([1.0, 3.0, 5.0, 7.0, 9.0], ["a", "a", "b", "b", "b"])
    assert (found.mean, found.f) == (5.0, pytest.approx(9.0))
    assert (found.between.name, found.between.groups, found.between.degrees_of_freedom) == ("groups", 2, 1)
    assert (found.within.name, found.within.groups, found.within.degrees_of_freedom) == ("results", 5, 3)
    assert (found.between.sum_of_squares, found.within.sum_of_squares) == pytest.approx((30.0, 10.0))


def test_a_nested_layout_by_hand() -> None:
    """Expected mean squares of 2 and 3 results a day: n̄ = 5 - 13/5 = 2.4."""
    found = nested_analysis([1.0, 3.0, 5.0, 7.0, 9.0], {"day": ["a", "a", "b", "b", "b"]})
    assert found.coefficients == (pytest.approx((2.4, 1.0)), pytest.approx((0.0, 1.0)))
    assert found.mean_squares.tolist() == pytest.approx([30.0, 10.0 / 3.0])
    assert found.degrees_of_freedom.tolist() == [1.0, 3.0]
    assert found.layout.names == ("day",)
    assert [sizes.tolist() for sizes in found.layout.sizes] == [[5.0], [2.0, 3.0]]


def test_the_fewest_results() -> None:
    """1 and 3 without a factor: one line of one degree of freedom, mean square 2."""
    found = nested_analysis([1.0, 3.0], {})
    assert (found.mean, found.mean_squares.tolist(), found.degrees_of_freedom.tolist()) == (2.0, [2.0], [1.0])
    with pytest.raises(ValueError, match="1 results: an analysis of variance needs 2 or more"):
        nested_analysis([1.0], {})


@pytest.mark.parametrize(
    ("codes", "message"),
    [
        ([1, 1, 2], r"day: codes of shape \(3,\) for 4 results: one code each was expected"),
        ([1.0, math.nan, 2.0, 2.0], "day: the code of result 2 is missing"),
    ],
)
def test_codes_that_are_none_are_refused(codes: list[float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        nested_analysis([1.0, 2.0, 3.0, 4.0], {"day": codes})
