"""When a shift began: weights by numerical integration, and the interval held in simulation (our own promise)."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy import integrate

from labcalc.statistics import onset_of, sustained_shift

STEP = [0.3, -0.5, 0.1, 1.2, 0.4, 1.5]


def by_integration(y: np.ndarray, sigma: float, number: float, freedom: float) -> np.ndarray:
    """Probability of each place: both forms over size and centre, t errors of one sigma, by double quadrature."""
    weights = np.zeros(y.size)
    for tau, is_drift in itertools.product(range(y.size), (False, True)):
        since = np.clip(np.arange(y.size) - tau + 1.0, 0.0, None)
        form = since / since[-1] if is_drift else (since > 0.0).astype(float)

        def likelihood(size: float, centre: float, form: np.ndarray = form) -> float:
            rest = ((y - centre - size * form) ** 2).sum() + number * centre**2
            return float((1.0 + rest / (freedom * sigma**2)) ** (-(freedom + y.size + 1.0) / 2.0))

        weights[tau] += integrate.dblquad(likelihood, -3.0, 3.0, -12.0, 12.0, epsabs=1e-7)[0]
    return weights / weights.sum()


def test_places_by_numerical_integration() -> None:
    probability = by_integration(np.array(STEP), 0.5, 12.0, 11.0)
    total = np.cumsum(probability)
    for confidence in (0.5, 0.8, 0.95):
        found = onset_of(STEP, 0.5, 12.0, 11.0, confidence=confidence)
        ends = [int(np.argmax(total >= at)) for at in (0.5, (1.0 - confidence) / 2.0, (1.0 + confidence) / 2.0)]
        assert [found.place, found.earliest, found.latest] == ends


def test_a_clear_step_is_dated_to_the_result() -> None:
    found = onset_of([0.0, 0.1, -0.1, 0.0, 5.0, 5.1, 4.9], 0.1, np.inf, np.inf)
    assert (found.place, found.earliest, found.latest) == (4, 4, 4)
    assert onset_of([1.0], 0.1, 20.0, 19.0).place == 0


@pytest.mark.parametrize("form", ["step", "drift"])
def test_the_interval_holds_the_beginning(form: str) -> None:
    """Told by a mean as rare as a month's limit, dated ten results later at the most: 95 %, to 3 standard errors.

    A drift of 0.12 standard deviations a result is dated to 4 results on average, where the mean that told it begins
    8 later or more.
    """
    generator, held, away, before = np.random.default_rng(4), [], [], []
    for _ in range(300):
        base, began = generator.normal(size=30), int(generator.integers(3, 40))
        centre, sigma, at = base.mean(), base.std(ddof=1), np.arange(began + 60)
        size = 2.0 * (at >= began) if form == "step" else 0.12 * np.clip(at - began + 1, 0, None)
        y = generator.normal(size=at.size) + size - centre
        shift = sustained_shift(y, sigma, 30.0, 29.0)
        stops = np.flatnonzero(shift.chance < 3.7e-4)
        told = int(stops[stops >= began][0])
        first = int(max([0, *(stops[stops < began][-1:] + 1)]))
        clearest = told + int(shift.chance[told : told + 10].argmin())
        found = onset_of(y[first : clearest + 1], sigma, 30.0, 29.0)
        held.append(found.earliest <= began - first <= found.latest)
        away.append(abs(found.place + first - began))
        before.append(told + 1 - int(shift.window[told]) - began)
    assert np.mean(held) > 0.95 - 3.0 * np.sqrt(0.95 * 0.05 / 300)
    assert np.mean(away) < 4.0
    assert form == "step" or np.mean(before) > 8.0


def test_what_it_can_t_take() -> None:
    with pytest.raises(ValueError, match="0 results: a date of a shift needs 1 or more"):
        onset_of([], 1.0, 20.0, 19.0)
