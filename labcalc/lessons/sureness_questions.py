"""Questions on the uncertainty of a mean, a standard deviation and a limit."""

from __future__ import annotations

import math

import numpy as np
from numpy.random import Generator
from numpy.typing import ArrayLike

from labcalc.lessons.questions import Choice, NumberQuestion, Option, Question, Slip, shuffled_choice
from labcalc.lessons.repeats import COVER_95
from labcalc.lessons.sureness import coverage_of_normal_factor, mean_half_width, spread_of_limit
from labcalc.statistics import coverage_factor, spread_interval


def _standard_uncertainty(generator: Generator) -> Question:
    n, s = int(generator.choice([4, 9, 16, 25])), round(float(generator.uniform(0.05, 0.40)), 2)
    u = s / math.sqrt(n)
    return NumberQuestion(
        "uncertainty of a mean",
        f"{n} results have a standard deviation of {s:.2f} mm²/s. What is the standard uncertainty of their mean?",
        u,
        "mm²/s",
        max(0.02 * u, 0.0006),
        3,
        f"{s:.2f} / √{n}.",
        (Slip(s, "That is of one result; the mean is surer."), Slip(s / n, "It goes with the root of the number.")),
    )


def _expanded(generator: Generator) -> Question:
    n, s = int(generator.integers(4, 9)), round(float(generator.uniform(0.05, 0.40)), 2)
    half, t = mean_half_width(s, n), coverage_factor(0.95, n - 1.0)
    return NumberQuestion(
        "interval of a mean",
        f"{n} results: s = {s:.2f} mm²/s. Student's factor for {n - 1} degrees of freedom and 95 % is {t:.2f}. "
        "What is the half width of the 95 % interval of the mean?",
        half,
        "mm²/s",
        max(0.02 * half, 0.0006),
        3,
        f"{t:.2f} × {s:.2f} / √{n}.",
        (
            Slip(t * s, "The root of the number is missing: that is for one result."),
            Slip(COVER_95 * s / math.sqrt(n), f"{COVER_95:.2f} is for a known σ; s is itself an estimate."),
        ),
    )


def _how_many(generator: Generator) -> Question:
    n, times = int(generator.choice([3, 4, 5])), int(generator.choice([2, 3]))
    return NumberQuestion(
        "results for more",
        f"The mean of {n} results is not sure enough: its standard uncertainty must become {times} times smaller. "
        "How many results does that take in all?",
        float(n * times**2),
        "",
        0.5,
        0,
        f"{times}² = {times**2} times as many: it goes with the root of the number.",
        (Slip(float(n * times), "It goes with the root: twice as sure takes four times as many."),),
    )


def _upper_spread(generator: Generator) -> Question:
    n, s = int(generator.choice([5, 10, 15, 20])), round(float(generator.uniform(0.05, 0.30)), 2)
    factor = spread_interval(1.0, n - 1.0)[1]
    return NumberQuestion(
        "how large sigma may be",
        f"{n} results give s = {s:.2f} %. The upper end of the 95 % interval of σ is {factor:.2f} times s. "
        "How large may σ be?",
        factor * s,
        "%",
        max(0.02 * factor * s, 0.006),
        2,
        f"{factor:.2f} × {s:.2f}: from {n} results s is no more than a first idea.",
        (Slip(s, "s is only the estimate."), Slip(s / factor, "The other way round: σ may be larger than s.")),
    )


def _meaning(generator: Generator) -> Question:
    low = round(float(generator.uniform(30.0, 90.0)), 2)
    options = (
        Option("The way it was made holds the true mean in 95 % of cases", ""),
        Option("95 % of single results lie in it", "Single results scatter √n times wider than their mean."),
        Option("95 % of it is true", "An interval holds the true mean, or it does not."),
        Option("The instrument is 95 % accurate", "The interval knows nothing of a bias that all results share."),
    )
    return shuffled_choice(
        generator,
        "meaning of 95 %",
        f"The 95 % interval of a mean is {low:.2f} to {low + 0.12:.2f} mm²/s. What does 95 % say?",
        options,
        "It is a promise about the procedure, kept in 95 of 100 uses.",
    )


def _bias(generator: Generator) -> Question:
    n = int(generator.choice([10, 20, 50]))
    options = (
        Option("No: what all results share does not average out", ""),
        Option("Yes: each result makes the mean surer", "It makes it surer against chance, not against a bias."),
        Option("Yes, if Student's factor is used", "The factor knows the scatter of the results and nothing else."),
    )
    return shuffled_choice(
        generator,
        "bias",
        f"The thermometer reads 0.05 K too low all week. Does the mean of {n} results of that week come nearer to the "
        "true value than the mean of 3?",
        options,
        "A bias is found with a reference oil, not with more repeats.",
    )


def _limit(generator: Generator) -> Question:
    n, s = int(generator.choice([10, 15, 20, 30])), round(float(generator.uniform(0.08, 0.30)), 2)
    u = s * spread_of_limit(n)
    return NumberQuestion(
        "uncertainty of a limit",
        f"Limits at mean ± 3 s are set from {n} results with s = {s:.2f} %. u² of a limit is "
        "s² × (1/n + 9/(2(n − 1))). What is the standard uncertainty of a limit?",
        u,
        "%",
        max(0.02 * u, 0.0006),
        3,
        f"{s:.2f} × √(1/{n} + 9/{2 * (n - 1)}). A limit is not a line but a stripe.",
        (Slip(u * u / s, "The root is missing."), Slip(s / math.sqrt(n), "That is of the mean alone.")),
    )


def _coverage(generator: Generator) -> Question:
    n = int(generator.choice([3, 4, 5]))
    share = 100.0 * coverage_of_normal_factor(n)
    options = tuple(
        Option(text, words)
        for text, words in (
            (f"In {share:.0f} % of cases", ""),
            ("In 95 % of cases", f"{COVER_95:.2f} is for a σ that is known; from {n} results s is often too small."),
            (f"In {100.0 - share / 20.0:.0f} % of cases", "Few results make the interval less sure, not more."),
        )
    )
    return shuffled_choice(
        generator,
        "too narrow",
        f"Somebody gives mean ± {COVER_95:.2f} s/√n, from {n} results, as a 95 % interval. How often does it hold "
        "the true mean?",
        options,
        "Student's factor makes up for an s that is itself an estimate.",
    )


SURENESS_POOL = (_standard_uncertainty, _expanded, _how_many, _upper_spread, _meaning, _bias, _limit, _coverage)
"""What the test of this lesson is drawn from."""


def missed() -> NumberQuestion:
    """Ask how many of forty 95 % intervals miss the true value, before they are shown."""
    return NumberQuestion(
        "intervals that miss",
        "Forty laboratories give a 95 % interval for the same oil. How many miss the true value, about?",
        2.0,
        "",
        2.0,
        0,
        "One in twenty, on average; chance makes it none to five or so.",
        (),
    )


def six_results() -> Choice:
    """Ask what the factor 1.96 covers for few results, before it is shown."""
    return Choice(
        "six results",
        f"σ is unknown; s comes from the same six results as the mean. What does mean ± {COVER_95:.2f} s/√6 cover?",
        (
            Option("95 %", f"{COVER_95:.2f} would be right if σ were known."),
            Option(f"{100.0 * coverage_of_normal_factor(6):.0f} %", ""),
            Option("99 %", "An s from few results is often too small, so the interval is too narrow."),
        ),
        1,
        f"Student's factor for six results is {coverage_factor(0.95, 5.0):.2f}.",
    )


def spread_of_fifteen() -> NumberQuestion:
    """Ask how far s from fifteen results may lie below σ, before it is shown."""
    low = 1.0 / spread_interval(1.0, 14.0)[1]
    return NumberQuestion(
        "low spread",
        "95 % of all standard deviations s from fifteen results lie between two multiples of the true σ. Which is the "
        "lower one?",
        low,
        "",
        0.12,
        2,
        "A standard deviation from fifteen results is good to about a fifth.",
        (),
    )


def half_width_of_mean(results: ArrayLike) -> NumberQuestion:
    """Ask for the half width of the 95 % interval of the mean of a learner's results, [mm²/s]."""
    values = np.asarray(results, dtype=float)
    s = float(np.std(values, ddof=1))
    half, t = mean_half_width(s, values.size), coverage_factor(0.95, values.size - 1.0)
    return NumberQuestion(
        "half width",
        "What is the half width of the 95 % interval of your mean?",
        half,
        "mm²/s",
        0.02 * half + 0.0005,
        3,
        f"s = {s:.4f} mm²/s; {t:.2f} × s / √{values.size}.",
        (
            Slip(t * s, "The root of the number is missing."),
            Slip(COVER_95 * s / math.sqrt(values.size), f"{COVER_95:.2f} is for a known σ."),
            Slip(half * math.sqrt((values.size - 1) / values.size), "s divides by n − 1: numpy needs ddof=1."),
        ),
    )
