"""Crossed studies: a published one, sums of squares by statsmodels, coverage."""

from __future__ import annotations

import csv
import itertools

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from statsmodels.stats.anova import anova_lm

from labcalc.shipped import example_file
from labcalc.statistics import CrossedStudy, crossed_study


def thermal() -> CrossedStudy:
    lines = example_file("gauge_study").read_text("utf-8").splitlines()
    table = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    factors = {name: [row[name] for row in table] for name in ("operator", "sample")}
    return crossed_study(factors, [float(row["result"]) for row in table], "sample")


def test_thermal_impedance() -> None:
    """Houf and Berman 1988, as analysed by D. C. Montgomery (memory): mean squares and components to two decimals."""
    found = thermal()
    effects = {one.line.name: one for one in found.effects}
    names = ("sample", "operator", "operator × sample", "repeat")
    squares = [effects[name].line.mean_square for name in names]
    assert squares == pytest.approx([437.33, 19.63, 2.70, 0.51], abs=5.1e-3)
    assert [effects[name].variance for name in names] == pytest.approx([48.29, 0.56, 0.73, 0.51], abs=5.1e-3)
    # F and p, the modified large-sample intervals and ratios: computed elsewhere.
    assert [effects[name].f for name in names[:3]] == pytest.approx([162.3, 7.285, 5.273], abs=0.05)
    assert effects["operator"].p_value == pytest.approx(0.0048, abs=5e-5)
    assert found.gauge == pytest.approx(1.80370, abs=1e-5)
    assert found.gauge_interval == pytest.approx((1.206, 27.02), abs=5e-3)
    assert effects["sample"].interval == pytest.approx((22.69, 161.6), abs=0.05)
    assert found.precision_to_tolerance(40.0) == pytest.approx((0.2015, 0.165, 0.780), abs=5e-4)
    assert found.categories == pytest.approx(7.3, abs=0.05)
    assert found.p_spread > 0.01


def three_factors(seed: int, scale: tuple[float, ...], repeats: int = 2) -> pd.DataFrame:
    """Return a study of 4 operators, 3 instruments, 6 oils: operator, instrument, oil, operator × oil, repeats."""
    random = np.random.default_rng(seed)
    table = pd.DataFrame(itertools.product("abcd", "xyz", "123456", range(repeats)), columns=[*"ois", "r"])
    parts = [random.standard_normal(shape) * s for shape, s in zip((4, 3, 6, (4, 6), len(table)), scale, strict=True)]
    o, i, s = (table[name].astype("category").cat.codes for name in "ois")
    return table.assign(y=parts[0][o] + parts[1][i] + parts[2][s] + parts[3][o, s] + parts[4])


def studied(table: pd.DataFrame) -> CrossedStudy:
    return crossed_study({name: table[name].tolist() for name in "ois"}, table["y"], "s")


@pytest.mark.parametrize("repeats", [1, 2])
def test_sums_of_squares_by_statsmodels(repeats: int) -> None:
    table = three_factors(3, (1.0, 0.5, 3.0, 0.7, 0.4), repeats).sample(frac=1.0, random_state=1)
    found = {one.line.name.replace(" × ", ":"): one.line for one in studied(table).effects}
    expected = anova_lm(smf.ols("y ~ o * i * s" if repeats > 1 else "y ~ (o + i + s) ** 2", table).fit())
    last = "repeat" if repeats > 1 else "o:i:s"
    for name, row in expected.rename(index={"Residual": last}).iterrows():
        assert found[str(name)].sum_of_squares == pytest.approx(row["sum_sq"], rel=1e-9)
        assert found[str(name)].degrees_of_freedom == row["df"]


def test_components_and_interval_of_three_factors() -> None:
    """Simulated, 500 studies: components are unbiased; the gauge's 95 % interval holds its variance in 94 % or more."""
    scale = (0.8, 0.5, 3.0, 0.6, 0.4)
    found = [studied(three_factors(seed, scale)) for seed in range(500)]
    effects = {one.line.name: place for place, one in enumerate(found[0].effects)}
    unbiased = np.mean([[one.unbiased for one in study.effects] for study in found], axis=0)
    for name, s in zip(("o", "i", "s", "o × s", "repeat"), scale, strict=True):
        assert unbiased[effects[name]] == pytest.approx(s**2, rel=0.15)
    assert unbiased[[effects["o × i"], effects["i × s"], effects["o × i × s"]]] == pytest.approx([0.0] * 3, abs=0.02)
    true = sum(s**2 for s in scale) - 9.0
    assert np.mean([low <= true <= high for low, high in (one.gauge_interval for one in found)]) > 0.93


def test_spread_that_grows_with_the_level_is_told() -> None:
    table = three_factors(5, (0.1, 0.1, 3.0, 0.1, 0.4))
    assert studied(table).p_spread > 0.01
    wide = table.assign(y=table["y"] + table["s"].astype(float) * np.random.default_rng(1).standard_normal(len(table)))
    assert studied(wide).p_spread < 0.01


def test_a_cell_that_is_missing_is_named() -> None:
    table = three_factors(1, (1.0,) * 5).iloc[1:]
    with pytest.raises(ValueError, match="o a, i x, s 1: 1 results where the other cells have 2"):
        studied(table)
    with pytest.raises(ValueError, match="operator: only A; two or more were expected"):
        crossed_study({"operator": ["A"] * 4, "oil": [*"1122"]}, [1.0, 2.0, 3.0, 4.0], "oil")
    with pytest.raises(ValueError, match="no factor 'part': the study has a, b"):
        crossed_study({"a": [*"1122"], "b": [*"1212"]}, [1.0, 2.0, 3.0, 4.0], "part")
