"""Questions on outliers."""

from __future__ import annotations

import math

import numpy as np
from numpy.random import Generator
from numpy.typing import ArrayLike

from labcalc.lessons.outliers import draw_repeats, found_share, masked_statistic
from labcalc.lessons.questions import Choice, NumberQuestion, Option, Question, Slip, shuffled_choice
from labcalc.lessons.threes import deviation_of_closest, share_farther, spread_of_closest
from labcalc.statistics import acceptable_result, grubbs_limit

_R = 0.20


def _reported(generator: Generator) -> Question:
    return _report_question("result of four", draw_repeats(generator, _R), _R, "Four repeats of one oil give")


def _report_question(name: str, results: ArrayLike, r: float, begin: str) -> NumberQuestion:
    repeats = np.asarray(results, dtype=float)
    decided = acceptable_result(repeats, r)
    listed = ", ".join(f"{one:.2f}" for one in repeats)
    within = "within" if decided.rule == "mean" else "beyond"
    return NumberQuestion(
        name,
        f"{begin} {listed} mm²/s. r is {r:.2f} mm²/s; four results may lie {decided.limit:.3f} mm²/s apart. What is "
        "reported?",
        decided.value,
        "mm²/s",
        0.0051,
        3,
        f"They lie {decided.range:.2f} mm²/s apart, {within} the limit: the {decided.rule} of all four.",
    )


def _far_share(generator: Generator) -> Question:
    times = int(generator.choice([2, 3, 5, 10]))
    share = 100.0 * share_farther(float(times))
    odd = f"its third result more than {times} times as far from its neighbour as the other two from each other"
    options = [Option(f"About {share:.0f}", "")]
    options += [Option(f"About {other}", "Two of three lie close together very often.") for other in (5, 1)]
    return shuffled_choice(
        generator,
        "share of far thirds",
        f"Nothing is wrong with any result. How many of 100 sets of three have {odd}?",
        tuple(options),
        "Chance makes an odd one of three as a rule.",
    )


def _dropped(generator: Generator) -> Question:
    s = round(float(generator.uniform(0.05, 0.30)), 2)
    spread = spread_of_closest() * s
    return NumberQuestion(
        "scatter after dropping",
        f"Good results scatter with s = {s:.2f} %. A laboratory measures three times and always drops the odd one. "
        "With which standard deviation does the mean of the other two scatter?",
        spread,
        "%",
        0.03 * spread + 0.005,
        3,
        f"{spread_of_closest():.2f} s: more than the {1.0 / math.sqrt(2.0):.2f} s of two results taken as they come.",
        (
            Slip(s / math.sqrt(3.0), "That is for the mean of all three."),
            Slip(s / math.sqrt(2.0), "That is for two results taken as they come. These two were chosen."),
        ),
    )


def _grubbs_statistic(generator: Generator) -> Question:
    number = int(generator.choice([5, 6, 8]))
    mean, s = round(float(generator.uniform(20.0, 90.0)), 2), round(float(generator.uniform(0.05, 0.20)), 3)
    limit = float(grubbs_limit(number))
    highest = round(mean + s * limit * float(generator.uniform(0.75, 1.2)), 2)
    statistic = (highest - mean) / s
    if abs(statistic - limit) < 0.05:
        highest = round(highest - 0.2 * s, 2)
        statistic = (highest - mean) / s
    beyond = "beyond" if statistic > limit else "within"
    return NumberQuestion(
        "Grubbs' statistic",
        f"{number} results have the mean {mean:.2f} mm²/s and the standard deviation {s:.3f} mm²/s; the highest one is "
        f"{highest:.2f} mm²/s. How large is Grubbs' statistic?",
        statistic,
        "",
        0.02,
        2,
        f"Distance from the mean over the standard deviation. The limit for {number} at 5 % is {limit:.2f}: {beyond} "
        "it.",
        (Slip(highest - mean, "It still has to be divided by the standard deviation."),),
    )


_CASES = (
    ("The three repeats of one sample agree closely, but their mean is far from the means of the others", 0),
    ("The three repeats of one sample lie far apart, their mean is like the others", 1),
    ("All results of the last week are too high by as much", 2),
)
_TESTS = (
    Option("Grubbs' test of the means", "It looks at one mean among the others."),
    Option("Cochran's test", "It looks at the scatter within one group among that of the others."),
    Option("Neither", "Both hold one against the many. A control chart looks at the order in time."),
)


def _test_for(generator: Generator) -> Question:
    what, place = _CASES[int(generator.integers(len(_CASES)))]
    return Choice("test for a fault", f"{what}. Which test sees it?", _TESTS, place, "")


_GROUNDS = (
    ("An air bubble was seen in the cell, and it was written down", True),
    ("The sample was mixed up; its bottle was found in the other rack", True),
    ("The result is beyond the 5 % limit of Grubbs' test, and no cause was found", False),
    ("The other two agree so well", False),
    ("The customer's own result is lower", False),
)


def _grounds(generator: Generator) -> Question:
    what, good = _GROUNDS[int(generator.integers(len(_GROUNDS)))]
    return Choice(
        "grounds for leaving out",
        f"{what}. Is this a ground to leave a result out?",
        (
            Option("Yes, and the report says so", "" if good else "There is no cause in it, only a distance."),
            Option("No", "" if not good else "The cause is known, and it belongs to this result alone."),
        ),
        0 if good else 1,
        "A cause that was found is a ground. A number alone is a reason to look for one.",
    )


def _healthy_flagged(generator: Generator) -> Question:
    sets = int(generator.integers(4, 21)) * 20
    return NumberQuestion(
        "healthy sets",
        f"Grubbs' test at 5 % is made on {sets} healthy sets of results in a year. In how many does it call a result "
        "odd?",
        0.05 * sets,
        "",
        max(0.5, 0.005 * sets),
        0,
        "One in twenty: that is what 5 % means. None of them is an error.",
        (Slip(0.0, "A test at 5 % has false alarms, in 5 % of healthy sets."),),
    )


def _hidden(generator: Generator) -> Question:
    number = int(generator.integers(6, 11))
    cap, limit = masked_statistic(number), float(grubbs_limit(number))
    return shuffled_choice(
        generator,
        "two that hide each other",
        f"Two of {number} results are far off, to the same side and by as much. Grubbs' test of one finds nothing. "
        "Why?",
        (
            Option("Each hides the other: both widen the standard deviation", ""),
            Option("They are not far enough off", "However far: the statistic doesn't grow any more."),
            Option("Grubbs' test needs 25 results", "It works from three on, though poorly with three."),
        ),
        f"The statistic stays below {cap:.2f}, its limit is {limit:.2f}. The test of two looks at them together.",
    )


OUTLIERS_POOL = (
    _reported,
    _far_share,
    _dropped,
    _grubbs_statistic,
    _test_for,
    _grounds,
    _healthy_flagged,
    _hidden,
)
"""What the test of this lesson is drawn from."""


def far_third() -> NumberQuestion:
    """Ask how many good sets have a third that is more than twice as far off, before it is shown."""
    return NumberQuestion(
        "far third",
        "Sort each set. In how many of 100 sets of three good results is one more than twice as far from its neighbour "
        "as the other two from each other?",
        100.0 * share_farther(2.0),
        "",
        8.0,
        0,
        "In most of them, and in your sets too nothing was wrong. Two agree and one is odd: so chance looks in threes.",
        (),
    )


def dropping() -> Choice:
    """Ask what scatters most, before it is shown."""
    return Choice(
        "dropping",
        "All results are good. Which reported value scatters most?",
        (
            Option("The mean of all three", "It is the best of the four."),
            Option("The median of three", "It costs a little, when all are good."),
            Option("The mean of the two closest of three", "Three measured, and less known than from two."),
            Option("The mean of the first two, no third measured", "Less to go by, but taken as they came."),
        ),
        2,
        f"And the two that are left seem to agree: their standard deviation is {deviation_of_closest():.2f} s on "
        "average.",
    )


def found_among_three() -> NumberQuestion:
    """Ask how often Grubbs' test finds a gross error among three, before it is shown."""
    return NumberQuestion(
        "found among three",
        "One of three results is off by ten standard deviations. In how many of 100 cases does Grubbs' test (5 %) find "
        "it?",
        100.0 * found_share(3, 10.0),
        "",
        8.0,
        0,
        f"With six results it would be {100.0 * found_share(6, 10.0):.0f}. Two results are too few to say what is "
        "usual.",
        (Slip(95.0, "5 % is its share of false alarms. How much it finds is another matter."),),
    )


def two_together() -> Choice:
    """Ask what Grubbs' test does to two results that are off together, before it is shown."""
    return Choice(
        "two together",
        "Two of eight results are off by twenty standard deviations, to the same side. What does Grubbs' test of one "
        "do?",
        (
            Option("It finds nothing", "Each makes the standard deviation so large that the other one looks usual."),
            Option("It finds one of them in nearly all sets", "So it would, if the other one were good."),
            Option(
                "It finds one of them in half of the sets", "It would need a statistic that grows with the distance."
            ),
        ),
        0,
        "This is called masking.",
    )


def which_strategy() -> Choice:
    """Ask what to do with repeats where gross errors happen, before it is shown."""
    return Choice(
        "which strategy",
        "Now and then a result is a gross error. Which way of working errs least, when the errors are large?",
        (
            Option("The mean of three", "One gross error spoils it by a third of its size."),
            Option(
                "Drop the odd one of three", "It guards against a gross error, but at a price that is paid every day."
            ),
            Option(
                "Two results; if they lie beyond r, two more, and then mean or median",
                "And mostly two measurements are enough.",
            ),
            Option("The median of three", "It guards as well as dropping does, and costs less. One does better yet."),
        ),
        2,
        "",
    )


def what_to_report(results: ArrayLike, r: float) -> NumberQuestion:
    """Ask what four repeats give, [mm²/s]."""
    return _report_question("your result", results, r, "Your repeats are")
