"""Questions on control charts."""

from __future__ import annotations

import math

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from labcalc.lessons.charts import OwnChart, false_alarm_share, run_length, upper_limit
from labcalc.lessons.questions import Choice, NumberQuestion, Option, Question, Slip, shuffled_choice
from labcalc.statistics import CHART_CONSTANTS

_FACTOR = CHART_CONSTANTS["trade"].individuals


def _false_alarms(generator: Generator) -> Question:
    charts, results = int(generator.choice([8, 12, 16, 20])), int(generator.choice([20, 22, 44, 60]))
    expected = charts * results * false_alarm_share()
    return NumberQuestion(
        "false alarms expected",
        f"A laboratory keeps {charts} charts and puts {results} results on each in a month. Nothing is wrong. "
        "How many results beyond three sigma do you expect, all charts together?",
        expected,
        "",
        max(0.1, 0.05 * expected),
        2,
        f"{charts} × {results} results, of which {100.0 * false_alarm_share():.2f} % lie beyond three sigma by chance.",
        (
            Slip(0.0, "Chance goes beyond three sigma now and then."),
            Slip(charts * results * 0.05, "That is 5 %, for limits at two sigma."),
        ),
    )


def _z(generator: Generator) -> Question:
    centre, sigma = round(float(generator.uniform(14.0, 120.0)), 2), round(float(generator.uniform(0.02, 0.20)), 3)
    z = round(float(generator.uniform(1.2, 4.5)) * float(generator.choice([-1, 1])), 1)
    result = round(centre + z * sigma, 3)
    z = (result - centre) / sigma
    return NumberQuestion(
        "distance in sigma",
        f"The centre of a chart is {centre:.2f} mm²/s, its sigma {sigma:.3f} mm²/s. A result is {result:.3f} mm²/s. "
        "How many sigma does it lie from the centre, with its sign?",
        z,
        "",
        0.06,
        1,
        f"({result:.3f} − {centre:.2f}) / {sigma:.3f}. "
        + ("It is beyond a limit: a signal." if abs(z) > 3.0 else "It is within the limits at three sigma."),
        (Slip(-z, "The sign tells which side; above the centre is positive."),),
    )


def _limits(generator: Generator) -> Question:
    centre, mean_range = round(float(generator.uniform(14.0, 120.0)), 2), round(float(generator.uniform(0.02, 0.20)), 3)
    upper = centre + _FACTOR * mean_range
    return NumberQuestion(
        "limit from moving range",
        f"The mean of a baseline is {centre:.2f} mm²/s, its mean moving range {mean_range:.3f} mm²/s. "
        f"Where is the upper limit? (The factor is {_FACTOR:.2f}.)",
        upper,
        "mm²/s",
        0.02 * _FACTOR * mean_range + 0.0005,
        3,
        f"{centre:.2f} + {_FACTOR:.2f} × {mean_range:.3f}: three sigma, since sigma is the mean range over 1.128.",
        (
            Slip(centre - _FACTOR * mean_range, "That is the lower limit."),
            Slip(centre + 3.0 * mean_range, "A moving range is not sigma: it is 1.128 sigma on average."),
        ),
    )


def _kind_of_cause(generator: Generator) -> Question:
    cases = (
        ("the cell is filled a little differently each time", True),
        ("temperature control swings by a few millikelvin all day", True),
        ("the last digit of the display is rounded", True),
        ("yesterday's solvent was left in the cell", False),
        ("a new lot of reference oil was opened and the old certified value kept", False),
        ("the thermometer has drifted since March", False),
        ("an analyst on the first day used the wrong bottle", False),
    )
    what, common = cases[int(generator.integers(len(cases)))]
    return Choice(
        "kind of cause",
        f"Results differ because {what}. What kind of cause is this?",
        (
            Option(
                "A common cause", "" if common else "It is not there all the time, and it can be found and removed."
            ),
            Option(
                "A special cause", "It is there in every result, and it made the baseline what it is." if common else ""
            ),
        ),
        0 if common else 1,
        "Common causes make the width of the limits. Special causes go beyond them, or leave a pattern.",
    )


def _first_action(generator: Generator) -> Question:
    z = round(float(generator.uniform(3.1, 4.4)), 1)
    options = (
        Option("Run the reference oil again, from the bottle, and look for a cause", ""),
        Option("Adjust the instrument by the difference", "One result is no reason to adjust: it may be chance."),
        Option("Strike the point out and go on", "A point is left out by a decision with a reason, never by its size."),
        Option(
            "Go on: the next one will be better", "The chart has signalled. It is looked into before results go out."
        ),
    )
    return shuffled_choice(
        generator,
        "first action",
        f"This morning's reference oil lies {z:.1f} sigma above the centre. What first?",
        options,
        f"On a healthy chart this happens once in {1.0 / math.erfc(z / math.sqrt(2.0)):.0f} results or less often.",
    )


def _delay(generator: Generator) -> Question:
    shift = float(generator.choice([1.0, 1.5, 2.0]))
    average = run_length("limits only", shift).average
    return NumberQuestion(
        "delay of single limits",
        f"The mean of an instrument has moved by {shift:.1f} sigma. One result in how many lies beyond the upper limit "
        "at three sigma? (The lower one hardly counts.)",
        average,
        "",
        0.15 * average,
        0,
        f"The limit is {3.0 - shift:.1f} sigma away from the new mean; a result goes beyond it in "
        f"{100.0 / average:.1f} % of cases.",
        (
            Slip(run_length("limits only").average, "That is for a mean that has not moved."),
            Slip(1.0, "It hides well."),
        ),
    )


def _sets(generator: Generator) -> Question:
    name = str(generator.choice(["western electric", "petroleum"]))
    one, more = run_length("limits only").average, run_length(name).average
    return NumberQuestion(
        "price of rules",
        f"Limits alone give a false alarm every {one:.0f} results. With the {name} rules it is one every {more:.0f}. "
        "How many times more often does a healthy chart signal?",
        one / more,
        "",
        0.05 * one / more,
        1,
        f"{one:.0f} / {more:.0f}.",
        (Slip(more / one, "The other way round."), Slip(one - more, "How many times is a quotient.")),
    )


def _tampered(generator: Generator) -> Question:
    s = round(float(generator.uniform(0.08, 0.25)), 2)
    return NumberQuestion(
        "price of adjusting",
        f"An instrument scatters with {s:.2f} %. It is adjusted after every check by exactly what the check was off. "
        "With what standard deviation does it scatter now?",
        math.sqrt(2.0) * s,
        "%",
        max(0.02 * s, 0.0051),
        2,
        "Each result now carries its own error and that of the check before: √2 times as much.",
        (Slip(s, "That is without adjusting."), Slip(2.0 * s, "Variances add up, not standard deviations.")),
    )


CHARTS_POOL = (_false_alarms, _z, _limits, _kind_of_cause, _first_action, _delay, _sets, _tampered)
"""What the test of this lesson is drawn from."""


def drift() -> Choice:
    """Ask what stands behind the last third of the laboratory's chart."""
    return Choice(
        "drift",
        "Look at the last ten results. What is the likeliest story?",
        (
            Option("Chance: all of them are within the limits", "Chance doesn't stay on one side for so long."),
            Option("One bad fill", "One bad fill moves one point; here a whole stretch has moved."),
            Option("The instrument moves slowly: a special cause", ""),
        ),
        2,
        "Each check alone is within its limits. The order of the points tells the story.",
    )


def own_cause(own: OwnChart) -> Choice:
    """Ask whether a learner's own chart hides a shift, before its limits are shown."""
    shifted = own.shifted_from > 0
    behind = (
        f"It moved by two sigma from result {own.shifted_from} on."
        if shifted
        else "It never moved. Chance makes clusters, and the eye is made to find them."
    )
    return Choice(
        "own cause",
        "Look at your results. Did the mean change on the way?",
        (Option("Yes", ""), Option("No", "")),
        0 if shifted else 1,
        behind,
    )


def false_alarms_in_thousand() -> NumberQuestion:
    """Ask how many results of a healthy chart lie beyond three sigma, before it is shown."""
    return NumberQuestion(
        "false alarms in a thousand",
        "Nothing is wrong. How many of 1000 results lie beyond three sigma?",
        1000.0 * false_alarm_share(),
        "",
        1.0,
        1,
        "Few, but not none: with a check on each of 250 days, "
        f"{100.0 * run_length('limits only').probability_within(250):.0f} % of all healthy charts have a false alarm "
        "within a year.",
        (),
    )


def more_rules() -> Choice:
    """Ask what more rules do to false alarms, before it is shown."""
    alone, rules = run_length("limits only").average, run_length("western electric").average
    return Choice(
        "more rules",
        f"Limits alone signal falsely about once in {alone:.0f} results. Three more rules are added, each rare by "
        "itself. How often does the healthy chart signal now?",
        (
            Option("About as often: each rule is rare", "Rare things add up when there are several of them."),
            Option(f"About {alone / rules:.0f} times as often", ""),
            Option("Less often: more rules are stricter", "Each rule is one more way to signal, never one fewer."),
        ),
        1,
        "Every rule finds some faults sooner, and costs false alarms. Choose few rules and act on every signal.",
    )


def adjusting() -> Choice:
    """Ask what adjusting after every result does, before it is shown."""
    return Choice(
        "adjusting",
        "An instrument is healthy. After each check somebody adjusts it by what the check was off. What do results do?",
        (
            Option("They scatter less", "The check itself scatters; its error goes into the adjustment."),
            Option("They scatter as before", "The error of the check is added to that of the next result."),
            Option("They scatter more", ""),
        ),
        2,
        "Adjust on a signal whose cause is found, never on a single result.",
    )


def limit_from_baseline(results: NDArray[np.float64]) -> NumberQuestion:
    """Ask for the upper limit that a baseline gives, [mm²/s]."""
    limit, spread = upper_limit(results), float(np.std(results, ddof=1))
    mean, ranges = float(np.mean(results)), float(np.mean(np.abs(np.diff(results))))
    return NumberQuestion(
        "limit of your chart",
        "Where is the upper limit of your chart?",
        limit,
        "mm²/s",
        0.002,
        3,
        f"Mean {mean:.4f}, mean moving range {ranges:.4f} mm²/s, factor {_FACTOR:.2f}.",
        (
            Slip(mean - _FACTOR * ranges, "That is the lower limit."),
            Slip(mean + 3.0 * spread, "Close: that is three standard deviations. The moving range passes over drift."),
        ),
    )


def first_beyond(own: OwnChart) -> NumberQuestion:
    """Ask for the first result of a learner's chart that lies beyond a limit; 0 for none."""
    return NumberQuestion(
        "first result beyond",
        "Which is the first result beyond a limit? Give 0 if there is none.",
        float(own.first_beyond),
        "",
        0.5,
        0,
        f"The limits are {own.centre - 3.0 * own.sigma:.3f} and {own.centre + 3.0 * own.sigma:.3f} mm²/s.",
        (),
    )
