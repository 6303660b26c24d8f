"""Repeats of a run: ISO 5725-6:1994, 5.2, and ASTM D445 (both memory). The oil and its numbers are invented.

D445 as shipped (memory), formulated oils at 40 °C: r = 0.0074 x = 0.341 mm²/s, d = 0.0037 x = 0.171 mm²/s at 46.12.
ISO 5725-6, table 1: critical range of 3 is 3.314/2.772 = 1.196 r, of 4 1.311 r, of 5 1.392 r.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from labcalc.figures import show_reported
from labcalc.judgement import Check, Judgement, by_component
from tests.judgement.conftest import GOOD, LAB, Judge

DETERMINATIONS = LAB.replace("[report]", '[report]\nreplicates = "determinations"')


def more(*values: float) -> str:
    return GOOD + "".join(
        f"S1,S-1,2026-03-02 08:{20 + 10 * place},VD,40,{value},858.1\n" for place, value in enumerate(values)
    )


def check(judgement: Judgement, quantity: str = "kinematic viscosity") -> Check:
    return next(one for one in judgement.checks if one.name == f"Repeats: {quantity} at 40 °C")


@pytest.mark.parametrize(
    ("values", "state", "end"),
    [
        ((46.40,), "met", "the mean is the result"),
        ((46.54,), "met", "the mean is the result"),
        ((46.55,), "not met", "no result yet: measure 2 more"),
        ((46.50, 46.30), "met", "the mean is the result"),
        ((46.60, 46.30), "not met", "no result yet: measure 1 more"),
        ((46.50, 46.30, 46.30), "met", "the mean is the result"),
        ((46.80, 46.30, 46.32), "doubtful", "the median, 46.31 mm²/s, is the result: look for the cause"),
        ((46.80, 46.30, 46.32, 46.30), "not met", "no result: clean, fill anew and measure again"),
    ],
)
def test_fills_are_decided_until_the_fourth(judged: Judge, values: tuple[float, ...], state: str, end: str) -> None:
    found = check(judged(more(*values)))
    assert found.state == state
    assert found.finding.endswith(f": {end}")
    assert found.basis.endswith("; ISO 5725-6:1994, 5.2 [memory]")


def test_the_finding_tells_spread_limit_and_which_limit(judged: Judge) -> None:
    """0.0074 · 46.26 = 0.342, 0.0037 · 46.26 = 0.171; two pairs keep r · 2.4324 / 1.9600 in 97 % (tables of z)."""
    assert check(judged(more(46.40))).finding == (
        "46.12, 46.40 mm²/s lie 0.280 mm²/s apart; limit 0.425 mm²/s, r of 2 fills (determinations of one fill: d, "
        "0.171 mm²/s): the mean is the result"
    )
    assert check(judged(more(46.50))).finding == (
        "46.12, 46.50 mm²/s lie 0.380 mm²/s apart; limit 0.425 mm²/s, r of 2 fills (determinations of one fill: d, "
        "0.171 mm²/s) for all comparisons of this run together (one alone: 0.343 mm²/s, which one good pair in twenty "
        "exceeds): the mean is the result"
    )


def test_the_median_is_what_the_report_gives_and_calculates_with(judged: Judge) -> None:
    judgement = judged(more(46.80, 46.30, 46.32))
    kinematic, dynamic, density = judgement.results[:3]
    assert (kinematic.reported, kinematic.rule, density.rule) == ("46.31", "median", "mean")
    assert dynamic.value == pytest.approx(46.31 * 858.1e-3, rel=1e-12)
    assert judgement.verdict == "needs a second look"
    assert "median of 4" in show_reported(judgement).html


def test_the_mean_is_reported_while_nothing_else_is_decided(judged: Judge) -> None:
    kinematic = judged(more(46.60, 46.30)).results[0]
    assert (kinematic.rule, kinematic.value) == ("mean", pytest.approx((46.12 + 46.60 + 46.30) / 3))


def test_a_median_of_four_is_less_certain_than_their_mean(judged: Judge) -> None:
    """Simulation of four normal results; the laboratory states no uncertainty, so that the budget is computed."""
    four = np.random.default_rng(4).normal(size=(200_000, 4))
    ratio = np.std(np.median(four, axis=1)) / np.std(four.mean(axis=1))
    lab = LAB.replace("expanded_uncertainty_percent = 0.5\n", "")
    sizes = []
    for values in ((46.80, 46.30, 46.32), (46.30, 46.30, 46.32)):
        kinematic = judged(more(*values), lab=lab).results[0]
        sizes.append(by_component(kinematic.effects)["repeatability"] / kinematic.value)
    assert sizes[0] / sizes[1] == pytest.approx(ratio, rel=0.005)


@pytest.mark.parametrize(
    ("values", "state", "end"),
    [
        ((46.28,), "met", "the mean is the result"),
        ((46.30,), "not met", "no result: clean, fill anew and measure again"),
        ((46.30, 46.20), "met", "the mean is the result"),
    ],
)
def test_determinations_of_one_fill_are_held_against_d(
    judged: Judge, values: tuple[float, ...], state: str, end: str
) -> None:
    found = check(judged(more(*values), lab=DETERMINATIONS))
    assert found.state == state
    assert f"d of {len(values) + 1} determinations of one fill: {end}" in found.finding
    assert found.basis.endswith("; ASTM D445, determinability [memory]")


def test_where_no_d_is_stated_r_holds(judged: Judge) -> None:
    found = check(judged(more(46.28), lab=DETERMINATIONS), "density")
    assert "limit 0.200 kg/m³, r of 2 results: no d is stated" in found.finding


def test_more_than_ten_are_not_checked(judged: Judge) -> None:
    lines = "".join(f"S1,S-1,2026-03-02 09:{minute:02},VD,40,46.1{minute % 10},858.1\n" for minute in range(11))
    found = check(judged(GOOD + lines))
    assert (found.state, found.finding) == ("not checked", "12 repeats: a critical range is given for 2 to 10")


def test_a_statement_that_gives_no_limit_here_is_named(judged: Judge) -> None:
    own = '[[precision]]\nclass = "formulated oils"\nquantity = "kinematic viscosity"\nsource = "Own study"\n'
    found = check(judged(more(46.28), lab=LAB + own + "repeatability = { factor = 0.01, offset = -50 }\n"))
    assert (found.state, found.finding) == ("not checked", "Own study gives no repeatability at 46.20 mm²/s")
    assert math.isfinite(judged(more(46.28)).results[0].value)


def test_a_determinability_that_gives_no_limit_here_is_named(judged: Judge) -> None:
    own = '[[precision]]\nclass = "formulated oils"\nquantity = "kinematic viscosity"\nsource = "Own study"\n'
    own += "repeatability = { factor = 0.01 }\ndeterminability = { factor = 0.005, offset = -50 }\n"
    found = check(judged(more(46.28), lab=DETERMINATIONS + own))
    assert (found.state, found.finding) == ("not checked", "Own study gives no d at 46.20 mm²/s")
