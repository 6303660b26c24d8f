"""Questions on conformity, decision rules and risks."""

from __future__ import annotations

import math

import numpy as np
from numpy.random import Generator

from labcalc.lessons.conformity import ONE_SIDED_95, Case, acceptance_share, probability_inside, risks, verdict
from labcalc.lessons.questions import Choice, NumberQuestion, Option, Question, Slip
from labcalc.statistics import DECISION_RULES, one_sided_margin


def _limit_and_uncertainty(generator: Generator) -> tuple[float, float]:
    limit = round(float(generator.uniform(28.0, 110.0)), 1)
    return limit, round(limit * float(generator.uniform(0.006, 0.012)), 2)


def _probability(generator: Generator) -> Question:
    limit, expanded = _limit_and_uncertainty(generator)
    half = float(generator.choice([-0.5, 0.5, 1.0]))
    result = round(limit - half * expanded, 2)
    distance = 2.0 * (limit - result) / expanded
    inside = 100.0 * probability_inside(distance)
    return NumberQuestion(
        "probability of conformity",
        f"Limit: at most {limit:.1f} mm²/s. Result: {result:.2f} mm²/s with U = {expanded:.2f} mm²/s (k = 2). With "
        "which probability does the lot conform? (A normal distribution has 84 % below mean + s and 98 % below mean + "
        "2 s.)",
        inside,
        "%",
        1.5,
        0,
        f"The result is {abs(distance):.1f} standard uncertainties {'inside' if distance > 0 else 'outside'} the "
        "limit.",
        (
            Slip(100.0 * probability_inside(distance / 2.0), "You took U for the standard uncertainty: u = U/2."),
            Slip(100.0 - inside, "That is the probability that it doesn't."),
        ),
    )


def _guard_for_95(generator: Generator) -> Question:
    limit, expanded = _limit_and_uncertainty(generator)
    highest = limit - ONE_SIDED_95 * expanded / 2.0
    return NumberQuestion(
        "acceptance limit",
        f"Limit: at most {limit:.1f} mm²/s, U = {expanded:.2f} mm²/s (k = 2). Up to which result is the supplier 95 % "
        "sure that the lot conforms?",
        highest,
        "mm²/s",
        0.03 * expanded + 0.005,
        2,
        f"{ONE_SIDED_95:.3f} standard uncertainties inside: {limit:.1f} − {ONE_SIDED_95:.3f} × {expanded / 2.0:.3f}. "
        "One limit has one side, so 1.64 and not 1.96.",
    )


def _margin_of_r(generator: Generator) -> Question:
    r = round(float(generator.uniform(0.3, 1.4)), 2)
    margin = float(one_sided_margin(r))
    return NumberQuestion(
        "margin by R",
        f"The reproducibility R of a method is {r:.2f} mm²/s at a limit. How far inside the limit has one result to be "
        "for 95 % confidence that the lot conforms?",
        margin,
        "mm²/s",
        0.02 * margin + 0.003,
        2,
        "0.59 R, as ISO 4259 has it: 1.645 standard deviations s_R, and s_R is R/2.77.",
        (
            Slip(r, "R is for the difference of two laboratories' results. One result needs less."),
            Slip(r / math.sqrt(2.0), "That is 0.71 R, for an interval with two sides."),
            Slip(r / 2.0, "R is no expanded uncertainty with k = 2."),
        ),
    )


_ASKED = ("rounding", "simple acceptance", "guarded acceptance", "guarded rejection", "guarded both ways")
_MEANS = {
    "rounding": "The result is rounded to the limit's decimals, then compared",
    "simple acceptance": "The result as it stands is compared with the limit",
    "guarded acceptance": "Met only inside the limit by U",
    "guarded rejection": "Not met only outside the limit by U",
    "guarded both ways": "Met inside by U, not met outside by U, else doubtful",
}


def _by_rule(generator: Generator) -> Question:
    limit, expanded = _limit_and_uncertainty(generator)
    case = Case("", "mm²/s", limit, 1, expanded, 2.0 * expanded, expanded)
    value = round(limit + float(generator.choice([-0.6, 0.6])) * expanded, 2)
    name = str(generator.choice(_ASKED))
    said = verdict(case, DECISION_RULES[name], value)
    verdicts = ("met", "doubtful", "not met")
    return Choice(
        "verdict by a rule",
        f"Limit: at most {limit:.1f} mm²/s. Result: {value:.2f} mm²/s, U = {expanded:.2f} mm²/s. What does the rule "
        f"'{name}' say? ({_MEANS[name]}.)",
        tuple(Option(one, "") for one in verdicts),
        verdicts.index(said),
        f"The result is {'inside' if value < limit else 'outside'} the limit by {abs(value - limit):.2f} mm²/s.",
    )


def _rounded(generator: Generator) -> Question:
    limit, expanded = _limit_and_uncertainty(generator)
    over = round(float(generator.choice([0.02, 0.04, 0.06, 0.08])), 2)
    value = round(limit + over, 2)
    met = verdict(Case("", "mm²/s", limit, 1, expanded, 1.0, 1.0), DECISION_RULES["rounding"], value) == "met"
    return Choice(
        "rounding rule",
        f"Limit: at most {limit:.1f} mm²/s. Result: {value:.2f} mm²/s. Agreed: round to the limit's decimals, then "
        "compare. Is the limit met?",
        (
            Option("Yes", "" if met else "It rounds up, to more than the limit."),
            Option("No", "By the value as it stands it wouldn't be; but rounding was agreed." if met else ""),
        ),
        0 if met else 1,
        f"Rounded to one decimal it is {round(limit + over, 1):.1f} mm²/s.",
    )


def _whose(generator: Generator) -> Question:
    inward = bool(generator.integers(2))
    options = (
        Option("The buyer: fewer bad lots are accepted", "" if inward else "More bad lots are accepted."),
        Option("The supplier: fewer good lots are refused", "" if not inward else "More good lots are refused."),
        Option("Both", "A band shifts risk from one to the other; it takes none away."),
        Option("Nobody: the risks stay as they are", "It moves the line at which lots are accepted."),
    )
    where = "inside" if inward else "outside"
    return Choice(
        "whose risk",
        f"Lots are now accepted up to U {where} the limit, where before the limit itself decided. Whom does this "
        "protect?",
        options,
        0 if inward else 1,
        "What lowers both risks is a smaller uncertainty, or a production farther inside.",
    )


def _accepted_lot(generator: Generator) -> Question:
    limit, expanded = _limit_and_uncertainty(generator)
    half, guard = float(generator.choice([0.5, 1.0])), float(generator.choice([0.0, 1.0]))
    true = round(limit - half * expanded, 2)
    distance = 2.0 * (limit - true) / expanded
    share = 100.0 * acceptance_share(distance, 2.0 * guard)
    band = "no guard band" if guard == 0.0 else "a guard band of U inside the limit"
    return NumberQuestion(
        "share accepted",
        f"A lot's true value is {true:.2f} mm²/s; limit at most {limit:.1f} mm²/s, U = {expanded:.2f} mm²/s (k = 2). "
        f"The rule has {band}. In how many of 100 measurements is the lot accepted? (A normal distribution has 84 % "
        "below mean + s and 98 % below mean + 2 s.)",
        share,
        "",
        1.5,
        0,
        f"Results scatter about the true value with u = U/2, and have to stay below {limit - guard * expanded:.2f}.",
        (
            Slip(100.0 - share, "That is how many are refused."),
            Slip(100.0 * acceptance_share(distance / 2.0, guard), "You took U for the standard uncertainty: u = U/2."),
        ),
    )


def _count_risk(generator: Generator) -> Question:
    lots = int(generator.integers(4, 13)) * 100
    bad = int(generator.integers(15, 40))
    let_through = int(generator.integers(4, bad - 5))
    refused = int(generator.integers(10, 60))
    consumer = bool(generator.integers(2))
    count = let_through if consumer else refused
    whose = "consumer's" if consumer else "producer's"
    return NumberQuestion(
        "risk from counts",
        f"Of {lots} lots, {bad} didn't conform; {let_through} of these were accepted. {refused} lots that conformed "
        f"were refused. How large was the {whose} risk, as a share of all lots?",
        100.0 * count / lots,
        "%",
        0.06,
        1,
        f"{count} of {lots}.",
        (
            Slip(100.0 * let_through / bad, "That is the share among the bad lots."),
            Slip(100.0 * (refused if consumer else let_through) / lots, "That is the other one's risk."),
        ),
    )


CONFORMITY_POOL = (
    _probability,
    _guard_for_95,
    _margin_of_r,
    _by_rule,
    _rounded,
    _whose,
    _accepted_lot,
    _count_risk,
)
"""What the test of this lesson is drawn from."""


def inside_by_half(case: Case) -> NumberQuestion:
    """Ask how often a result inside by half of U comes from a lot that doesn't conform, before it is shown."""
    result = case.limit - case.standard_uncertainty
    outside = 100.0 - 100.0 * probability_inside(1.0)
    return NumberQuestion(
        "inside by half of U",
        f"A result of {result:.2f} {case.unit} is inside the limit by half of U. How many of 100 lots with this result "
        "don't conform all the same?",
        outside,
        "",
        4.0,
        0,
        "Half of U is one standard uncertainty, and a normal distribution has so much beyond one standard deviation on "
        "one side.",
        (
            Slip(0.0, "The result is inside; the true value need not be."),
            Slip(50.0, "That is for a result on the limit."),
        ),
    )


def is_it_met(case: Case) -> Choice:
    """Ask whether a result just above its limit complies, before the rules are shown."""
    value = case.results[2]
    names = np.array([verdict(case, rule, value) for rule in DECISION_RULES.values()])
    return Choice(
        "is it met",
        f"Limit: at most {case.limit:.{case.decimals}f} {case.unit}. Result: {value:.{case.decimals + 1}f} "
        f"{case.unit}. Is the limit met?",
        (
            Option("Yes, it rounds to the limit", "By some rules. Others don't round."),
            Option("No, it is above the limit", "By some rules. Others round, or give the supplier a band."),
            Option("That can't be said yet", ""),
        ),
        2,
        f"Of {names.size} rules in use {(names == 'met').sum()} say met, {(names == 'doubtful').sum()} doubtful, "
        f"{(names == 'not met').sum()} not met. The rule has to be agreed before the measurement.",
    )


def price_of_a_guard_band(case: Case) -> Choice:
    """Ask what a guard band costs in good lots, before it is shown."""
    (consumer, producer), (guarded_consumer, guarded_producer) = (risks(case, guard) for guard in (0.0, 1.0))
    price = (guarded_producer - producer) / (consumer - guarded_consumer)
    return Choice(
        "price of a guard band",
        "A production runs near its limit. A guard band of U is put inside. How many more good lots are refused for "
        "each bad lot that is kept out?",
        (
            Option("About 1", "So it would be if there were as many good lots near the limit as bad ones."),
            Option(f"About {price / 4.0:.0f}", "It is more: near the limit good lots are many, bad ones few."),
            Option(f"About {price:.0f}", "Near the limit good lots are many, bad ones few."),
        ),
        2,
        f"{100.0 * (guarded_producer - producer):.1f} % more of all lots are good and refused, "
        f"{100.0 * (consumer - guarded_consumer):.2f} % fewer are bad and accepted.",
    )


def both_risks() -> Choice:
    """Ask what lowers both risks, before it is shown."""
    return Choice(
        "both risks",
        "What lowers the consumer's and the producer's risk together?",
        (
            Option("A wider guard band", "It lowers the one and raises the other."),
            Option("A production that runs farther inside its limit", "Then few lots come near the limit at all."),
            Option("A stricter decision rule", "A rule shares the risk out. It takes none away."),
        ),
        1,
        "A smaller uncertainty does so too.",
    )


def acceptance_limit(limit: float, expanded_uncertainty: float) -> NumberQuestion:
    """Ask up to which result a supplier is 95 % sure, [mm²/s]."""
    u = expanded_uncertainty / 2.0
    return NumberQuestion(
        "your acceptance limit",
        "Up to which result are you 95 % sure that the lot conforms?",
        limit - ONE_SIDED_95 * u,
        "mm²/s",
        0.02 * u + 0.005,
        2,
        f"{ONE_SIDED_95:.3f} × {u:.3f} mm²/s inside the limit.",
    )
