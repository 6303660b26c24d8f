"""Questions on the EWMA."""

from __future__ import annotations

import math

import numpy as np
from numpy.random import Generator
from numpy.typing import ArrayLike

from labcalc.lessons.averages import WEIGHT, delay_of_average, delay_of_limits, equal_multiple, half_width
from labcalc.lessons.questions import Choice, NumberQuestion, Option, Question, Slip, shuffled_choice
from labcalc.statistics import ewma


def _next_average(generator: Generator) -> Question:
    before, result = round(float(generator.uniform(-1.0, 1.0)), 2), round(float(generator.uniform(-2.5, 2.5)), 2)
    weight = float(generator.choice([0.2, 0.3, 0.4]))
    value = weight * result + (1.0 - weight) * before
    return NumberQuestion(
        "next average",
        f"An EWMA of weight {weight:g} stands at {before:+.2f} s. The next result is {result:+.2f} s. Where does "
        "it go?",
        value,
        "s",
        0.011,
        2,
        f"{weight:g} × {result:+.2f} + {1.0 - weight:g} × {before:+.2f}.",
        (
            Slip((1.0 - weight) * result + weight * before, "The weights are swapped: λ belongs to the newest result."),
            Slip((result + before) / 2.0, "That is the plain mean of the two."),
        ),
    )


def _limit(generator: Generator) -> Question:
    weight, sigma = float(generator.choice([0.1, 0.2, 0.3, 0.4])), round(float(generator.uniform(0.05, 0.3)), 2)
    limit = sigma * half_width(weight)
    return NumberQuestion(
        "limit of an average",
        f"Single results scatter with {sigma:.2f} %. How far from the centre are the limits of an EWMA of weight "
        f"{weight:g}, at three of its own standard deviations?",
        limit,
        "%",
        max(0.02 * limit, 0.0006),
        3,
        f"3 × {sigma:.2f} % × √(λ/(2 − λ)), and √({weight:g}/{2.0 - weight:g}) is {half_width(weight, 1.0):.3f}.",
        (
            Slip(3.0 * sigma, "That is for single results; an average scatters less."),
            Slip(3.0 * sigma * math.sqrt(weight), "Nearly: the divisor 2 − λ is missing under the root."),
            Slip(3.0 * sigma * weight / (2.0 - weight), "The root is missing."),
        ),
    )


def _weight_of_old(generator: Generator) -> Question:
    weight, ago = float(generator.choice([0.1, 0.2, 0.4])), int(generator.integers(2, 6))
    share = 100.0 * weight * (1.0 - weight) ** ago
    return NumberQuestion(
        "weight of an old result",
        f"What does the result of {ago} checks ago count in an EWMA of weight {weight:g}?",
        share,
        "%",
        max(0.03 * share, 0.06),
        1,
        f"{weight:g} × (1 − {weight:g})^{ago}: each new result takes the part λ from all before it.",
        (
            Slip(100.0 * weight, "That is for the newest one."),
            Slip(100.0 * (1.0 - weight) ** ago, "That is what all results from then on back count together."),
        ),
    )


def _which_weight(generator: Generator) -> Question:
    small = bool(generator.integers(2))
    size = "half a sigma" if small else "four sigma"
    options = (
        Option("A weight of 0.1", "" if small else "A small weight is slow where the shift is large."),
        Option("A weight of 0.9", "" if not small else "A large weight hardly remembers: it is nearly a single limit."),
    )
    return Choice(
        "which weight",
        f"Which EWMA finds a shift of {size} sooner, at equal false alarms?",
        options,
        0 if small else 1,
        "A small weight gathers many results, for small shifts; a large weight reacts at once, for large ones.",
    )


def _delay(generator: Generator) -> Question:
    shift = float(generator.choice([0.75, 1.0, 1.5]))
    single, average = delay_of_limits(shift), delay_of_average(WEIGHT, shift, equal_multiple(WEIGHT))
    return NumberQuestion(
        "days gained",
        f"A shift of {shift:g} s is found after {single:.0f} results by single limits, after {average:.0f} by an EWMA "
        "with as many false alarms. An instrument is checked five days a week. How many weeks sooner is it found?",
        (round(single) - round(average)) / 5.0,
        "",
        0.3,
        1,
        f"({single:.0f} − {average:.0f}) / 5.",
        (Slip(round(single) - float(round(average)), "Those are working days, not weeks."),),
    )


def _reset(generator: Generator) -> Question:
    options = (
        Option("The EWMA starts afresh at the centre", ""),
        Option(
            "The EWMA goes on from where it stands", "It would keep signalling because of results before the repair."
        ),
        Option("The point that signalled is taken out", "A signal stays in the chart; it was there."),
    )
    return shuffled_choice(
        generator,
        "after a repair",
        f"On day {int(generator.integers(20, 90))} an EWMA signalled, the cause was found and removed. What happens to "
        "the chart?",
        options,
        "The average remembers; after a repair its memory is of another instrument.",
    )


def _same_side(generator: Generator) -> Question:
    shift, weight = float(generator.choice([0.8, 1.0, 1.2])), float(generator.choice([0.2, 0.4]))
    limit = half_width(weight)
    return NumberQuestion(
        "where it settles",
        f"The mean moves by {shift:g} s and stays there. At which value does an EWMA of weight {weight:g} settle, on "
        "average?",
        shift,
        "s",
        0.05,
        1,
        f"It moves towards the new mean, whatever its weight. Its limit is {limit:.2f} s: sooner or later it signals.",
        (
            Slip(weight * shift, "That is its first step; it goes on with each result."),
            Slip(0.0, "It follows the mean."),
        ),
    )


def _price(generator: Generator) -> Question:
    multiple = float(generator.choice([2.5, 2.7]))
    found, wide = delay_of_average(WEIGHT, 0.0, multiple), delay_of_average(WEIGHT, 0.0)
    options = (
        Option("Shifts are found sooner, and false alarms come more often", ""),
        Option("Shifts are found sooner, at no price", f"False alarms: every {found:.0f} results, not {wide:.0f}."),
        Option("Shifts are found later", "Narrower limits are reached sooner."),
    )
    return shuffled_choice(
        generator,
        "narrower limits",
        f"The limits of an EWMA are set at {multiple:g} instead of 3 of its standard deviations. What follows?",
        options,
        "Speed and false alarms are bought with one another; charts are compared at equal false alarms.",
    )


AVERAGES_POOL = (_next_average, _limit, _weight_of_old, _which_weight, _delay, _reset, _same_side, _price)
"""What the test of this lesson is drawn from."""


def small_shift() -> NumberQuestion:
    """Ask how soon an EWMA finds a shift of one sigma, before it is shown."""
    single = delay_of_limits(1.0)
    value = delay_of_average(WEIGHT, 1.0, equal_multiple(WEIGHT))
    return NumberQuestion(
        "small shift",
        f"Limits of single results find a shift of one sigma after {single:.0f} results on average. An EWMA of weight "
        f"{WEIGHT:g}, with as many false alarms, after how many?",
        value,
        "",
        4.0,
        0,
        "Results that lie on one side add up in the average, while chance cancels out.",
        (Slip(single, "The average gathers what single results only hint at: it is sooner."),),
    )


def large_shift() -> Choice:
    """Ask which chart is sooner with a large shift, before it is shown."""
    return Choice(
        "large shift",
        "And a shift of three and a half sigma: which chart is sooner?",
        (
            Option("The EWMA, as before", "It has to be pulled up from the centre: only part of a result counts."),
            Option("The single limit, or both alike", ""),
        ),
        1,
        "That is why both stand on one chart: the single limit for the accident, the EWMA for the drift.",
    )


def day_found(z: ArrayLike) -> NumberQuestion:
    """Ask at which result an EWMA of a learner's own results signals first; 0 for never."""
    beyond = np.abs(ewma(z, WEIGHT)) > half_width(WEIGHT)
    first = int(np.argmax(beyond)) + 1 if beyond.any() else 0
    return NumberQuestion(
        "day found",
        "At which of your results does the EWMA go beyond its limits for the first time? Give 0 for never.",
        float(first),
        "",
        0.5,
        0,
        f"Its limits are ±{half_width(WEIGHT):.2f} s.",
        (),
    )


def third_average(z: ArrayLike) -> NumberQuestion:
    """Ask for the EWMA after the third of a learner's own results, [s]."""
    values = np.asarray(z, dtype=float)[:3]
    found = ewma(values, WEIGHT)
    return NumberQuestion(
        "third average",
        "Where does the EWMA stand after your third result? It starts at 0.",
        float(found[-1]),
        "s",
        0.011,
        2,
        "One by one: " + ", ".join(f"{one:+.2f}" for one in found) + ".",
        (
            Slip(float(np.mean(values)), "That is the plain mean of the three."),
            Slip(float(ewma(values, 1.0 - WEIGHT)[-1]), "The weights are swapped: λ belongs to the newest result."),
        ),
    )
