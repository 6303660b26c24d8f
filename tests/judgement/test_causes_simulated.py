"""Causes found in simulated runs whose cause is known; see ``causes_simulator`` for the physics that draws them."""

from __future__ import annotations

import math

import numpy as np
import pytest

from labcalc.judgement.causes import PRIOR_ODDS
from labcalc.judgement.causes.ranking import Weighed
from labcalc.judgement.earlier import NOISE_PROBABILITY
from tests.judgement.causes_simulator import APART, EVEN, Case, cases, reliability, share_within, weighed

Found = tuple[list[Case], list[Weighed]]

ENOUGH = 25
"""Statements in a tenth from which its share says something."""


@pytest.fixture(scope="module")
def faults() -> Found:
    """Every cause as often as any other, 2 to 10 times noise and spread."""
    found = cases(250, EVEN, seed=20261)
    return found, weighed(found, EVEN)


@pytest.fixture(scope="module")
def even() -> Found:
    """Every cause as often as any other, as large as the package takes for granted."""
    found = cases(500, EVEN, seed=20264, sizes=None)
    return found, weighed(found, EVEN)


@pytest.fixture(scope="module")
def usual() -> Found:
    """As often as the package takes for granted."""
    found = cases(700, PRIOR_ODDS, seed=20262, sizes=None)
    return found, weighed(found, PRIOR_ODDS)


def test_the_true_cause_is_found_where_it_can_be(faults: Found) -> None:
    pairs = [(case, result) for case, result in zip(*faults, strict=True) if case.apart >= APART]
    assert len(pairs) > 80
    assert share_within(pairs, 1) >= 0.85
    assert share_within(pairs, 2) >= 0.95


def test_probabilities_are_what_they_say(even: Found, usual: Found) -> None:
    """Within 5 points in each tenth, beside twice the standard error of so many statements."""
    for found in (even, usual):
        held(found, allowed=2.0)


def held(found: Found, allowed: float) -> None:
    for stated, true, number in reliability(*found):
        if number >= ENOUGH:
            error = math.sqrt(max(stated * (1.0 - stated), 0.01) / number)
            assert abs(true - stated) <= 0.05 + allowed * error, (stated, true, number)


def test_with_nothing_wrong_noise_leads(usual: Found) -> None:
    good = [result for case, result in zip(*usual, strict=True) if case.cause == "noise"]
    assert len(good) > 550
    assert np.mean([one.leading == "noise" for one in good]) >= 0.95


def test_few_good_runs_are_called_doubtful(usual: Found) -> None:
    """At most 1 in 100; the check that uses the limit asks besides that a result stands out."""
    good = [result for case, result in zip(*usual, strict=True) if case.cause == "noise"]
    assert np.mean([one.probabilities["noise"] < NOISE_PROBABILITY for one in good]) <= 0.01


@pytest.mark.slow
def test_probabilities_hold_in_many_cases() -> None:
    """Within 5 points in each tenth, beside one standard error; every tenth has hundreds of statements."""
    found = cases(4400, EVEN, seed=20263, sizes=None)
    results = weighed(found, EVEN)
    assert all(number >= 100 for *_, number in reliability(found, results))
    held((found, results), allowed=1.0)
