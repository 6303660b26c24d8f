"""Questions on components of variance and intermediate precision."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.random import Generator
from numpy.typing import ArrayLike

from labcalc.lessons.components import day_component, plan_spread, share_without_day
from labcalc.lessons.questions import Choice, NumberQuestion, Option, Question, Slip, shuffled_choice
from labcalc.lessons.repeats import limit_factor

_CONDITIONS = (
    ("the same operator on the same instrument, a few minutes apart", 0),
    ("the same operator on the same instrument, on different days", 1),
    ("two operators on the same instrument, on different days", 2),
    ("two operators on two instruments of one laboratory, on different days", 3),
    ("two laboratories", 4),
)
_PRECISIONS = (
    ("Repeatability, s_r", "Repeatability: nothing changes that can be kept."),
    ("Intermediate precision, time changed: s_I(T)", "Only time changes."),
    ("Intermediate precision, time and operator changed: s_I(TO)", "Time and operator change."),
    ("Intermediate precision, time, operator and equipment changed: s_I(TOE)", "All changes within one laboratory."),
    ("Reproducibility, s_R", "Reproducibility: the laboratory changes."),
)


def _name_of_precision(generator: Generator) -> Question:
    what, place = _CONDITIONS[int(generator.integers(len(_CONDITIONS)))]
    return Choice(
        "name of a precision",
        f"Results of one sample come from {what}. Which standard deviation says how they scatter?",
        tuple(Option(name, words if number == place else "") for number, (name, words) in enumerate(_PRECISIONS)),
        place,
        "The name says what changes between the results (ISO 5725-3).",
    )


def _deviations(generator: Generator) -> tuple[float, float]:
    """Draw standard deviations of run and day, [%]."""
    run = round(float(generator.uniform(0.08, 0.20)), 2)
    return run, round(run * float(generator.uniform(0.7, 1.8)), 2)


def _sum(generator: Generator) -> Question:
    run, day = _deviations(generator)
    both = plan_spread(day, run, 1, 1)
    return NumberQuestion(
        "sum of components",
        f"Repeats of one day scatter with {run:.2f} %. The day adds a standard deviation of {day:.2f} %. With which "
        "standard deviation do single results of different days scatter?",
        both,
        "%",
        max(0.015 * both, 0.0051),
        2,
        f"Variances add up: √({run:.2f}² + {day:.2f}²).",
        (
            Slip(run + day, "Variances add up, standard deviations don't."),
            Slip(abs(day - run), "Nothing is taken away: each adds its variance."),
        ),
    )


def _mean_of_one_day(generator: Generator) -> Question:
    run, day = _deviations(generator)
    n = int(generator.integers(3, 9))
    spread = plan_spread(day, run, 1, n)
    return NumberQuestion(
        "mean of one day",
        f"s_r is {run:.2f} %, the day adds {day:.2f} %. A sample is measured {n} times on one day. With which standard "
        "deviation does the mean scatter from day to day?",
        spread,
        "%",
        max(0.015 * spread, 0.0051),
        2,
        f"√({day:.2f}² + {run:.2f}²/{n}). Repeats of one day share the day.",
        (
            Slip(plan_spread(day, run, n, 1), "That holds for results of as many different days."),
            Slip(run / math.sqrt(n), "That leaves out the day."),
        ),
    )


def _day_from_means(generator: Generator) -> Question:
    run, day = _deviations(generator)
    n = int(generator.choice([2, 3, 4]))
    of_means = round(math.sqrt(day**2 + run**2 / n), 3)
    found = math.sqrt(of_means**2 - run**2 / n)
    return NumberQuestion(
        "day from means",
        f"Each day holds {n} repeats with s_r = {run:.2f} %. The means of the days scatter with {of_means:.3f} %. How "
        "large is the standard deviation of the day itself?",
        found,
        "%",
        max(0.02 * found, 0.0051),
        2,
        f"A mean of {n} still carries s_r²/{n}: √({of_means:.3f}² − {run:.2f}²/{n}).",
        (
            Slip(of_means, "The means also carry what is left of the repeats' scatter."),
            Slip(
                math.sqrt(max(of_means**2 - run**2, 0.0)),
                "Too much is taken away: a mean carries only a part of s_r².",
            ),
        ),
    )


def _share(generator: Generator) -> Question:
    run, day = _deviations(generator)
    share = 100.0 * day**2 / (day**2 + run**2)
    return NumberQuestion(
        "share of the day",
        f"s_r is {run:.2f} %, the day adds a standard deviation of {day:.2f} %. Which share of the variance of single "
        "results comes from the day?",
        share,
        "%",
        1.0,
        0,
        f"Shares are shares of the variance: {day:.2f}² / ({day:.2f}² + {run:.2f}²).",
        (
            Slip(100.0 * day / (day + run), "That is a share of standard deviations, and those don't add up."),
            Slip(100.0 - share, "That is the share of the repeats."),
        ),
    )


def _limit_for_days(generator: Generator) -> Question:
    run, day = _deviations(generator)
    limit = limit_factor() * plan_spread(day, run, 1, 1)
    return NumberQuestion(
        "limit for two days",
        f"s_r is {run:.2f} %, the day adds {day:.2f} %. Which limit do 95 % of the differences of two results from "
        "different days keep to?",
        limit,
        "%",
        max(0.015 * limit, 0.0051),
        2,
        f"{limit_factor():.2f} times s_I(T) = {plan_spread(day, run, 1, 1):.3f} %.",
        (
            Slip(limit_factor() * run, "That is r. It is for two results of one day."),
            Slip(plan_spread(day, run, 1, 1), "That is the standard deviation of single results."),
        ),
    )


def _plan(generator: Generator) -> Question:
    run, day = _deviations(generator)
    days, repeats = int(generator.integers(2, 5)), int(generator.integers(2, 4))
    spread = plan_spread(day, run, days, repeats)
    return NumberQuestion(
        "value of a plan",
        f"s_r is {run:.2f} %, the day adds {day:.2f} %. A sample is measured on {days} days, {repeats} times on each. "
        "With which standard deviation does the mean of all scatter?",
        spread,
        "%",
        max(0.02 * spread, 0.00051),
        3,
        f"√({day:.2f}²/{days} + {run:.2f}²/{days * repeats}).",
        (
            Slip(plan_spread(day, run, days * repeats, 1), "The day is divided by the days, not by the results."),
            Slip(plan_spread(day, run, 1, days * repeats), "The day averages out too, over the days."),
        ),
    )


def _found_nothing(generator: Generator) -> Question:
    days = int(generator.integers(3, 6))
    missed = 100.0 * share_without_day(days, 2, 1.0)
    return shuffled_choice(
        generator,
        "nothing found",
        f"A study of {days} days with two results each gives a day component of 0. What does that say?",
        (
            Option("Less than it seems: so few days often miss a day component", ""),
            Option("The days do nothing", "A component of 0 is what this study found, not what is there."),
            Option("There is an error in the study", "A component of 0 is what chance does to a small or short study."),
            Option("Results of different days may be held against r", "For that its interval has to be looked at."),
        ),
        f"A day component as large as s_r is missed by {missed:.0f} % of such studies.",
    )


def _which_limit(generator: Generator) -> Question:
    run, day = _deviations(generator)
    r, apart = limit_factor() * run, limit_factor() * run * float(generator.uniform(1.03, 1.12))
    return shuffled_choice(
        generator,
        "which limit",
        f"r is {r:.2f} %. Monday's result and Thursday's result of one sample lie {apart:.2f} % apart; s_I(T) is "
        f"{plan_spread(day, run, 1, 1):.2f} %. What now?",
        (
            Option("Nothing: the limit for two days is wider than r", ""),
            Option("One of the two is wrong", "Not by this: r was made for results of one day."),
            Option("r of the method is wrong", "r may be right, for what it is for."),
        ),
        f"The limit for two days is built from s_I(T): {limit_factor() * plan_spread(day, run, 1, 1):.2f} %.",
    )


COMPONENTS_POOL = (
    _name_of_precision,
    _sum,
    _mean_of_one_day,
    _day_from_means,
    _share,
    _limit_for_days,
    _which_limit,
    _plan,
    _found_nothing,
)
"""What the test of this lesson is drawn from."""


def four_repeats(variances: Mapping[str, float]) -> Choice:
    """Ask what four repeats of one day do to the scatter from day to day, before it is shown."""
    day, run = math.sqrt(variances["day"]), math.sqrt(variances["run"])
    kept = 100.0 * plan_spread(day, run, 1, 4) / plan_spread(day, run, 1, 1)
    return Choice(
        "four repeats",
        "A sample is measured four times in a row, and the mean is reported. With how much of the scatter of a single "
        "result does this mean scatter from day to day?",
        (
            Option(f"{kept:.0f} %", "The four share their day. Only the repeats' part averages out."),
            Option("50 %", "That is 1/√4. It holds for independent results, and these share their day."),
            Option("25 %", "Even for independent results it is the root that counts: 1/√4."),
        ),
        0,
        "",
    )


def studies_without_day() -> NumberQuestion:
    """Ask how many short studies find no day component, before it is shown."""
    share = 100.0 * share_without_day(4, 2, 1.0)
    return NumberQuestion(
        "studies without a day",
        "The day scatters as much as the repeats do. How many of 100 studies of four days, with two results each, find "
        "no day component at all?",
        share,
        "",
        6.0,
        0,
        "Few days know little of days: four days are three degrees of freedom.",
        (Slip(0.0, "The component is there, but chance hides it now and then."),),
    )


def how_to_spread() -> Choice:
    """Ask how to spread twelve results, before it is shown."""
    return Choice(
        "how to spread",
        "You may measure a sample twelve times. Which plan gives the best mean?",
        (
            Option("One day, twelve repeats", "All twelve share that day."),
            Option("Four days, three repeats on each", "Better than one day. But more days average more."),
            Option("Twelve days, one result on each", "Each result then has a day of its own."),
        ),
        2,
        "For the same number of results, more days are never worse.",
    )


def day_from_table(table: ArrayLike) -> NumberQuestion:
    """Ask for the standard deviation of the days in a table of days and repeats, [mm²/s]."""
    results = np.asarray(table, dtype=float)
    found = day_component(results).components[0].deviation
    of_means = float(results.mean(axis=1).std(ddof=1))
    return NumberQuestion(
        "day from your table",
        "How large is the standard deviation of the day in your table?",
        found,
        "mm²/s",
        max(0.01 * found, 0.0006),
        3,
        f"The means of the days scatter with {of_means:.4f} mm²/s; what the repeats leave in a mean is taken off, as a "
        "variance.",
        (
            Slip(of_means, "That is the scatter of the means: what the repeats leave in it has to come off."),
            Slip(float(results.std(ddof=1)), "That is the scatter of all results."),
        ),
    )


def moving_together() -> Choice:
    """Ask what makes two oils of one morning lie on the same side."""
    return Choice(
        "moving together",
        "Where one oil lies high in the morning, the other one mostly lies high too. What does that?",
        (
            Option("The repeatability of the method", "It acts on each run alone, so it can't join two oils."),
            Option("Something that both runs of a morning share", "Temperature control, adjustment, cleaning, person."),
            Option("A wrong certified value", "It would move an oil on all mornings alike, and drop out of its mean."),
        ),
        1,
        "What two results share can be told apart from what each has alone. That is all there is to components of "
        "variance.",
    )
