"""Causes found in simulated runs whose cause is known; see ``causes_simulator`` for the physics that draws them."""

from __future__ import annotations

import math

import numpy as np
import pytest

from labcalc.judgement.causes import PRIOR_ODDS, candidates, with_measurement
from labcalc.judgement.causes.next_measurement import DECIDED_ODDS, Discrimination
from labcalc.judgement.causes.ranking import Weighed, fits_of, weigh
from labcalc.judgement.run.previous_results import NOISE_PROBABILITY
from tests.judgement.causes_simulator import APART, EVEN, Case, cases, reliability, share_within, weighed

Found = tuple[list[Case], list[Weighed]]

ENOUGH = 60
"""Statements in a tenth from which its share says something: its standard error is 6 points or less."""


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


def test_the_next_measurement_decides_as_often_as_it_says(faults: Found) -> None:
    """A clean refill, measured as the true cause makes it: are the two leading causes told apart 19 to 1 by it?"""
    rng, stated, decided = np.random.default_rng(9), [], []
    for case, result in zip(*faults, strict=True):
        cause, rival, *_ = result.probabilities
        wanted = [one for one in candidates(case.evidence) if one.kind == "refill and repeat"]
        choice = Discrimination(case.evidence, fits_of(result), wanted).best(cause, rival)
        open_question = result.probabilities[rival] > 1e-6 and case.cause in (cause, rival)
        if choice is None or not open_question:
            continue
        after = case.evidence
        for value in case.refilled(choice.candidate, rng):
            after = with_measurement(
                after, choice.candidate.quantity, choice.candidate.temperature_C, value, "refill and repeat"
            )
        gained = log_odds(weigh(after, EVEN), cause, rival) - log_odds(result, cause, rival)
        stated.append(choice.probability_of_deciding)
        decided.append((gained if case.cause == cause else -gained) >= math.log(DECIDED_ODDS))
    assert len(stated) > 70
    assert np.mean(decided) == pytest.approx(np.mean(stated), abs=0.08)
    sure = np.array(stated) > 0.99
    assert np.mean(np.array(decided)[sure]) > 0.95


def log_odds(result: Weighed, cause: str, rival: str) -> float:
    return math.log(max(result.probabilities[cause], 1e-300) / max(result.probabilities[rival], 1e-300))


@pytest.mark.slow
def test_probabilities_hold_in_many_cases() -> None:
    """Within 5 points in each tenth, beside one standard error; every tenth has hundreds of statements."""
    found = cases(4400, EVEN, seed=20263, sizes=None)
    results = weighed(found, EVEN)
    assert all(number >= 100 for *_, number in reliability(found, results))
    held((found, results), allowed=1.0)
