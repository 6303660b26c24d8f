"""Questions on repeats and the repeatability limit."""

from __future__ import annotations

import math

import numpy as np
from numpy.random import Generator

from labcalc.lessons.questions import Choice, NumberQuestion, Option, Question, Slip, shuffled_choice
from labcalc.lessons.repeats import limit_factor, pairs_needed, pooled_deviation
from labcalc.statistics import critical_range


def _limit_from_deviation(generator: Generator) -> Question:
    s = round(float(generator.uniform(0.04, 0.40)), 3)
    r = limit_factor() * s
    return NumberQuestion(
        "limit from standard deviation",
        f"The repeatability standard deviation of a method is {s:.3f} mm²/s. What is its repeatability limit r?",
        r,
        "mm²/s",
        max(0.01 * r, 0.0015),
        3,
        f"r = {limit_factor():.2f} × {s:.3f} mm²/s: {1.96:.2f} for 95 %, times √2 because a difference has two ends.",
        (
            Slip(1.96 * s, "That is 1.96 s, the range of a single result."),
            Slip(2.0 * s, "That is 2 s, for a single result."),
            Slip(math.sqrt(2.0) * s, "That is √2 s, the standard deviation of the difference."),
        ),
    )


def _deviation_from_limit(generator: Generator) -> Question:
    r = round(float(generator.uniform(0.10, 0.90)), 2)
    s = r / limit_factor()
    return NumberQuestion(
        "standard deviation from limit",
        f"A method states a repeatability limit r of {r:.2f} %. What is its repeatability standard deviation?",
        s,
        "%",
        0.015 * s,
        3,
        f"s = r / {limit_factor():.2f}.",
        (
            Slip(r / 1.96, "You divided by 1.96: r is for a difference of two results, not for one."),
            Slip(r / 2.0, "You divided by 2: r is for a difference of two results, not for one."),
            Slip(r * limit_factor(), "You multiplied: r is the larger of the two."),
        ),
    )


def _judge_pair(generator: Generator) -> Question:
    level = round(float(generator.uniform(20.0, 90.0)), 1)
    r = round(0.008 * level, 2)
    within = bool(generator.integers(2))
    apart = round(r * float(generator.uniform(0.55, 0.9) if within else generator.uniform(1.15, 1.6)), 2)
    second = round(level + apart, 2)
    options = (
        Option("Report the mean of the two", "" if within else "The pair is farther apart than r allows."),
        Option("Measure again", "" if not within else "There is no reason: the pair agrees."),
        Option("Keep the one that looks better", "Nothing in the two numbers says which one is better."),
    )
    said = "no more than r" if within else "more than r: in 19 cases of 20 a healthy pair is closer"
    return Choice(
        "judge a pair",
        f"Two fills of one oil give {level:.2f} and {second:.2f} mm²/s. r is {r:.2f} mm²/s at this level. What now?",
        options,
        0 if within else 1,
        f"The difference is {apart:.2f} mm²/s, {said}.",
    )


def _pool(generator: Generator) -> Question:
    differences = np.round(generator.normal(0.0, 0.30, 4), 2)
    differences[differences == 0.0] = 0.05
    s = pooled_deviation(differences)
    root = math.sqrt(float(np.mean(differences**2)))
    shown = ", ".join(f"{one:+.2f}" for one in differences)
    return NumberQuestion(
        "pool four pairs",
        f"Four pairs differ by {shown} %. What repeatability standard deviation do they give together?",
        s,
        "%",
        max(0.01 * s, 0.0015),
        3,
        f"Squares of the differences: mean {np.mean(differences**2):.4f}; half of it {s * s:.4f}; its root {s:.3f} %.",
        (
            Slip(root, "That is the standard deviation of a difference; halve the mean square before the root."),
            Slip(
                float(np.std(differences, ddof=1)), "The mean of the differences is not taken off: it should be zero."
            ),
            Slip(float(np.mean(np.abs(differences))), "That is the mean difference; squares are averaged here."),
        ),
    )


def _beyond(generator: Generator) -> Question:
    pairs = int(generator.choice([100, 140, 200, 240, 300, 400]))
    return NumberQuestion(
        "pairs beyond r",
        f"Nothing is wrong with an instrument. {pairs} samples are measured twice. "
        "How many pairs do you expect farther apart than r?",
        0.05 * pairs,
        "",
        0.5,
        0,
        f"r is set so that one pair in twenty lies farther apart by chance alone: {pairs} / 20.",
        (Slip(0.01 * pairs, "That is one in a hundred; r is for one in twenty."),),
    )


def _meaning(generator: Generator) -> Question:
    r = round(float(generator.uniform(0.10, 0.60)), 2)
    options = [
        Option(
            f"Two results under repeatability conditions differ by more than {r:.2f} mm²/s in one case of twenty", ""
        ),
        Option(
            f"A result lies within {r:.2f} mm²/s of the true value",
            "Repeats agree with each other also where all of them are wrong: r knows no true value.",
        ),
        Option(
            f"The standard deviation of results is {r:.2f} mm²/s", f"r is {limit_factor():.2f} standard deviations."
        ),
        Option(
            f"Two laboratories differ by no more than {r:.2f} mm²/s",
            "That is the reproducibility limit R, which is larger.",
        ),
    ]
    return shuffled_choice(
        generator,
        "what r means",
        f"The repeatability limit of a method is {r:.2f} mm²/s. What does that say?",
        options,
        "r is about two results of one sample, one operator, one instrument, within a short time.",
    )


def _needed(generator: Generator) -> Question:
    percent = int(generator.choice([5, 10, 15, 20, 25]))
    n = pairs_needed(percent / 100.0)
    return NumberQuestion(
        "pairs needed",
        f"How many pairs are needed to know s with a relative standard uncertainty of {percent} %?",
        float(n),
        "",
        max(1.0, 0.05 * n),
        0,
        f"The relative standard uncertainty of s is 1/√(2ν), and each pair gives one degree of freedom ν: "
        f"1/(2 × {percent / 100.0:.2f}²).",
        (
            Slip(float(round(1.0 / (percent / 100.0) ** 2)), "You forgot the 2 under the root."),
            Slip(float(round(1.0 / (percent / 100.0))), "The number goes with the square of what you ask for."),
        ),
    )


def _range_of_three(generator: Generator) -> Question:
    r = round(float(generator.uniform(0.10, 0.90)), 2)
    limit = critical_range(r, 3)
    return NumberQuestion(
        "range of three",
        f"r for two results is {r:.2f} %. How far may the largest and the smallest of three results lie apart?",
        limit,
        "%",
        max(0.015 * limit, 0.006),
        2,
        "The range of three is larger than that of two by chance alone: the factor is 3.31 instead of 2.77.",
        (Slip(r, "That is the limit for two; three have more chances to lie apart."),),
    )


REPEATS_POOL = (
    _limit_from_deviation,
    _deviation_from_limit,
    _judge_pair,
    _pool,
    _beyond,
    _meaning,
    _needed,
    _range_of_three,
)
"""What the test of this lesson is drawn from."""


def one_sided() -> Choice:
    """Ask what makes the differences of thin oils lie on one side."""
    return Choice(
        "one side",
        "The first fill of a thin oil mostly gives more than the second. What does that?",
        (
            Option("Chance", "Chance puts as many above zero as below."),
            Option("A residue of the thicker sample before, in the first fill", "The second fill washes it out."),
            Option("A thermometer that reads wrong", "It would be wrong for both fills alike, and cancel out."),
        ),
        1,
        "A difference of repeats shows more than chance: look at its sign before you look at its size.",
    )


def spread_of_difference() -> Choice:
    """Ask for the spread of a difference before it is shown."""
    return Choice(
        "spread of a difference",
        "Single results scatter with a standard deviation s. With which one does the difference of two scatter?",
        (
            Option("s", "The second result has a scatter of its own, which adds to it."),
            Option("1.41 s", "Variances add up: s² + s² = 2 s², and the root is √2 s."),
            Option("2 s", "Variances add up, standard deviations don't: the two seldom err in opposite directions."),
        ),
        1,
        "",
    )


def more_pairs() -> NumberQuestion:
    """Ask for the number of pairs that a good standard deviation takes, before it is shown."""
    needed = pairs_needed(0.10)
    return NumberQuestion(
        "pairs for ten percent",
        "How many pairs does it take to know s to 10 % (relative standard uncertainty)?",
        float(needed),
        "",
        0.2 * needed,
        0,
        "1/√(2 × 50) is 0.10. Most people guess far fewer.",
        (),
    )


def pooled_limit(first: object, second: object) -> NumberQuestion:
    """Ask for the repeatability limit that some pairs give, [mm²/s]."""
    differences = np.asarray(first, dtype=float) - np.asarray(second, dtype=float)
    r = limit_factor() * pooled_deviation(differences)
    root = math.sqrt(float(np.mean(differences**2)))
    return NumberQuestion(
        "limit from your pairs",
        "Which repeatability limit r do your pairs give?",
        r,
        "mm²/s",
        0.01 * r,
        3,
        f"s = {pooled_deviation(differences):.4f} mm²/s, times {limit_factor():.3f}.",
        (
            Slip(limit_factor() * root, "The mean square of the differences has to be halved before the root."),
            Slip(pooled_deviation(differences), "That is s; r is larger."),
        ),
    )
