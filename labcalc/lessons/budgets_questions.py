"""Questions on uncertainty budgets."""

from __future__ import annotations

import math
from dataclasses import replace

from numpy.random import Generator

from labcalc.lessons.budgets import OwnBudget, Parts
from labcalc.lessons.questions import Choice, NumberQuestion, Option, Question, Slip, shuffled_choice


def _certificate(generator: Generator) -> Question:
    value, U = round(float(generator.uniform(14.0, 120.0)), 2), round(float(generator.uniform(0.02, 0.30)), 2)
    u = U / 2.0
    return NumberQuestion(
        "certificate",
        f"A certificate states {value:.2f} mm²/s ± {U:.2f} mm²/s, k = 2. What is the standard uncertainty?",
        u,
        "mm²/s",
        max(0.02 * u, 0.0006),
        3,
        f"{U:.2f} / 2: an expanded uncertainty is divided by its own coverage factor.",
        (Slip(U, "That is the expanded one."), Slip(U / math.sqrt(3.0), "√3 is for limits, not for k = 2.")),
    )


def _rectangular(generator: Generator) -> Question:
    a = round(float(generator.uniform(0.02, 0.30)), 2)
    u = a / math.sqrt(3.0)
    return NumberQuestion(
        "rectangular",
        f"A thermometer is within ±{a:.2f} K by its specification; nothing more is known. What is its standard "
        "uncertainty?",
        u,
        "K",
        max(0.02 * u, 0.0006),
        3,
        f"{a:.2f} / √3: any value between the limits is equally likely.",
        (Slip(a / 2.0, "That would hold for an expanded uncertainty with k = 2."), Slip(a, "Limits are no u.")),
    )


def _combine(generator: Generator) -> Question:
    a, b, c = (round(float(generator.uniform(low, high)), 2) for low, high in ((0.05, 0.2), (0.05, 0.2), (0.02, 0.1)))
    u = math.hypot(a, b, c)
    return NumberQuestion(
        "combine",
        f"Three independent standard uncertainties: {a:.2f} %, {b:.2f} % and {c:.2f} %. What is the combined one?",
        u,
        "%",
        max(0.015 * u, 0.0006),
        3,
        f"√({a:.2f}² + {b:.2f}² + {c:.2f}²).",
        (Slip(a + b + c, "Independent parts add up in squares."), Slip(u * u, "The root is missing.")),
    )


def _share(generator: Generator) -> Question:
    a, b = round(float(generator.uniform(0.10, 0.20)), 2), round(float(generator.uniform(0.03, 0.09)), 2)
    share = 100.0 * a * a / (a * a + b * b)
    return NumberQuestion(
        "share of the largest",
        f"A budget has two parts: {a:.2f} % and {b:.2f} %. Which share of the variance does the larger one make?",
        share,
        "%",
        1.0,
        0,
        f"{a:.2f}² / ({a:.2f}² + {b:.2f}²).",
        (Slip(100.0 * a / (a + b), "Shares are of squares."),),
    )


def _repeats(generator: Generator) -> Question:
    s, fixed, n = round(float(generator.uniform(0.15, 0.30)), 2), round(float(generator.uniform(0.05, 0.12)), 2), 4
    u = math.hypot(s / math.sqrt(n), fixed)
    return NumberQuestion(
        "mean of four",
        f"One determination scatters with {s:.2f} %. The certificate adds {fixed:.2f} %, the same in each. What is the "
        f"standard uncertainty of the mean of {n}?",
        u,
        "%",
        max(0.015 * u, 0.0006),
        3,
        f"√(({s:.2f}/√{n})² + {fixed:.2f}²): only what changes from one determination to the next averages out.",
        (
            Slip(math.hypot(s, fixed) / math.sqrt(n), "The certificate's part is the same each time; it stays."),
            Slip(math.hypot(s, fixed), "That is of one determination."),
        ),
    )


def _temperature(generator: Generator) -> Question:
    slope, u_T = float(generator.choice([3.0, 3.5, 4.0, 5.0])), round(float(generator.uniform(0.01, 0.05)), 2)
    return NumberQuestion(
        "temperature",
        f"The viscosity falls by {slope:g} % for each kelvin. The temperature has a standard uncertainty of "
        f"{u_T:.2f} K. "
        "What does it add to that of the viscosity?",
        slope * u_T,
        "%",
        max(0.02 * slope * u_T, 0.0006),
        3,
        f"{slope:g} %/K × {u_T:.2f} K: the slope is the sensitivity coefficient.",
        (
            Slip(u_T, "Kelvin are turned into percent by the slope."),
            Slip(slope * u_T / math.sqrt(3.0), "It is u already."),
        ),
    )


def _first(generator: Generator) -> Question:
    large, middle, small = 0.20 + 0.02 * int(generator.integers(5)), 0.09, 0.03
    parts = [("repeatability", large), ("certificate", middle), ("temperature", small)]
    said = ", ".join(f"{name} {size:.2f} %" for name, size in parts)
    options = (
        Option("The repeatability", ""),
        Option("The certificate", "Halved, it changes the combined uncertainty by a few percent."),
        Option("The temperature, since it is the easiest", "It makes about one percent of the variance."),
    )
    return shuffled_choice(
        generator,
        "what to improve",
        f"Standard uncertainties: {said}. Which one is worth work?",
        options,
        "Squares let the largest part rule. Nothing else is worth work until it has shrunk.",
    )


def _rounding(generator: Generator) -> Question:
    value, U = round(float(generator.uniform(40.0, 60.0)), 4), round(float(generator.uniform(0.11, 0.19)), 4)
    options = (
        Option(f"({value:.2f} ± {U:.2f}) mm²/s, k = 2", ""),
        Option(f"({value:.4f} ± {U:.4f}) mm²/s, k = 2", "Digits that U makes unsure tell nothing."),
        Option(f"({value:.0f} ± {U:.2f}) mm²/s, k = 2", "Rounded so far, the value has lost what U still lets stand."),
        Option(f"{value:.2f} mm²/s", "Without U nobody knows how sure it is."),
    )
    return shuffled_choice(
        generator,
        "how to write it",
        f"A calculation gives {value:.4f} mm²/s with an expanded uncertainty of {U:.4f} mm²/s, k = 2. How is it "
        f"written?",
        options,
        "U to two figures, the value to the same decimal (JCGM 100:2008, 7.2.6).",
    )


BUDGETS_POOL = (_certificate, _rectangular, _combine, _share, _repeats, _temperature, _first, _rounding)
"""What the test of this lesson is drawn from."""


def together(parts: Parts) -> Choice:
    """Ask how parts add up, before it is shown."""
    total, combined = float(parts.now.sum()), parts.combined
    return Choice(
        "together",
        f"The components come to {', '.join(f'{size:.3f}' for size in parts.now)} %. How large is the combined "
        f"standard "
        "uncertainty?",
        (
            Option(f"{total:.3f} %, their sum", "They would all have to err in one direction at once."),
            Option(f"{combined:.3f} %", ""),
            Option(f"{max(parts.now):.3f} %, the largest", "The others count, though less than one thinks."),
        ),
        1,
        "Squares add up: the root of the sum of squares.",
    )


def perfect_thermometer(parts: Parts) -> Choice:
    """Ask what it helps to remove the part of the temperature, before it is shown."""
    gain = 100.0 * (1.0 - parts.without("temperature").expanded / parts.expanded)
    return Choice(
        "perfect thermometer",
        "Somebody offers a perfect thermometer: the part of the temperature would be zero. By how much does U fall?",
        (
            Option(f"By about {gain:.0f} % of U", ""),
            Option(
                f"By {100.0 / len(parts.names):.0f} % of U: one of {len(parts.names)} parts", "Parts count by squares."
            ),
            Option("By half", "Only the largest part could do that."),
        ),
        0,
        f"The largest part ({parts.largest}) rules.",
    )


def many_repeats(parts: Parts) -> NumberQuestion:
    """Ask what ten determinations do to U, before it is shown."""
    one, ten = replace(parts, repeats=1).expanded, replace(parts, repeats=10).expanded
    return NumberQuestion(
        "ten repeats",
        f"With one determination U is {one:.2f} %. With the mean of ten?",
        ten,
        "%",
        0.15 * ten,
        2,
        "Certificate, adjustment and temperature are the same in all ten, and stay.",
        (Slip(one / math.sqrt(10.0), "That would hold if nothing were common to the ten."),),
    )


def combined_of(own: OwnBudget) -> NumberQuestion:
    """Ask for the combined standard uncertainty of a learner's own parts, [%]."""
    a, b, c = own.parts
    return NumberQuestion(
        "your combined uncertainty",
        "What is the combined standard uncertainty of your mean?",
        own.combined,
        "%",
        0.015 * own.combined + 0.0005,
        3,
        f"Certificate {a:.4f}, repeatability {b:.4f}, temperature {c:.4f} %; root of the sum of squares.",
        (
            Slip(math.hypot(own.certificate, b, c), "The certificate is expanded with k = 2: halve it first."),
            Slip(math.hypot(a, own.repeatability, c), "The repeatability of a mean is divided by √n."),
            Slip(math.hypot(a, b, own.temperature), "Limits of a rectangular distribution are divided by √3."),
            Slip(a + b + c, "Independent parts add up in squares."),
        ),
    )
