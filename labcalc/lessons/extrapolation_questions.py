"""Questions on the viscosity-temperature line and the viscosity index."""

from __future__ import annotations

import math

import numpy as np
from numpy.random import Generator

from labcalc.lessons.extrapolation import Oil, amplification, draw_oil, index_change, viscosity_at
from labcalc.lessons.questions import Choice, NumberQuestion, Option, Question, Slip, shuffled_choice


def _cold_error(generator: Generator) -> Question:
    oil, error = draw_oil(generator), float(generator.choice([0.3, 0.5, 0.8]))
    factor = amplification(oil, -20.0)[1]
    return NumberQuestion(
        "error in the cold",
        f"At −20 °C, 1 % too much at 100 °C changes the viscosity of an oil by {factor:+.1f} %. The one at 100 °C is "
        f"{error:.1f} % too high. By how much is the extrapolated viscosity wrong, with its sign?",
        round(factor, 1) * error,
        "%",
        max(0.05, 0.05 * abs(factor * error)),
        1,
        f"{factor:+.1f} × {error:.1f} %: the line turns about the point at 40 °C.",
        (Slip(error, "Outside the points the error grows."), Slip(-factor * error, "The sign turns beyond 40 °C.")),
    )


def _both(generator: Generator) -> Question:
    a, b, u = (
        round(float(generator.uniform(1.8, 3.2)), 1),
        round(float(generator.uniform(0.9, 2.4)), 1),
        float(generator.choice([0.2, 0.3, 0.4])),
    )
    value = u * math.hypot(a, b)
    return NumberQuestion(
        "both points uncertain",
        f"At some temperature 1 % at 40 °C gives {a:+.1f} %, and 1 % at 100 °C gives {-b:+.1f} %. Both viscosities "
        f"have an "
        f"independent standard uncertainty of {u:.1f} %. What is that of the viscosity on the line?",
        value,
        "%",
        max(0.02 * value, 0.006),
        2,
        f"{u:.1f} × √({a:.1f}² + {b:.1f}²): squares add up, signs don't matter.",
        (
            Slip(u * (a + b), "That is the worst case; independent effects add up in squares."),
            Slip(u * abs(a - b), "The signs would cancel only if both errors were the same one."),
        ),
    )


def _same_error(generator: Generator) -> Question:
    a = round(float(generator.uniform(2.2, 3.2)), 1)
    b, error = round(a - 1.0 - float(generator.uniform(0.1, 0.5)), 1), float(generator.choice([0.3, 0.5]))
    value = error * (a - b)
    return NumberQuestion(
        "one error in both",
        f"At some temperature 1 % at 40 °C gives {a:+.1f} %, and 1 % at 100 °C gives {-b:+.1f} %. A wrong adjustment "
        f"makes "
        f"both viscosities {error:.1f} % too high. By how much is the viscosity on the line too high?",
        value,
        "%",
        max(0.03 * value, 0.011),
        2,
        f"{error:.1f} × ({a:.1f} − {b:.1f}): one error in both points keeps its signs.",
        (
            Slip(error * math.hypot(a, b), "That is for two independent errors; here it is one."),
            Slip(error * (a + b), "One of the two has a minus."),
        ),
    )


def _index(generator: Generator) -> Question:
    oil = draw_oil(generator)
    units, u = index_change(oil)[1], float(generator.choice([0.2, 0.3, 0.5]))
    return NumberQuestion(
        "index from one error",
        f"For an oil with {oil.kv_40:.2f} mm²/s at 40 °C and {oil.kv_100:.2f} mm²/s at 100 °C, 1 % at 100 °C moves the "
        f"viscosity index by {units:.1f} units. The viscosity at 100 °C is {u:.1f} % too high. By how much is the "
        f"index "
        "too high?",
        round(units, 1) * u,
        "",
        max(0.05 * units * u, 0.06),
        1,
        f"{units:.1f} × {u:.1f}. The index compares two viscosities, and so it magnifies what they don't share.",
        (Slip(u, "A percent of viscosity is no unit of the index."),),
    )


def _where_sure(generator: Generator) -> Question:
    asked = int(generator.choice([60, 70, 80]))
    options = (
        Option(f"At {asked} °C", ""),
        Option("At 0 °C", "Outside the points the line swings."),
        Option("At −20 °C", "There it swings most."),
        Option("At 150 °C", "Outside the points the line swings, on this side too."),
    )
    return shuffled_choice(
        generator,
        "where the line is sure",
        "An oil is measured at 40 °C and 100 °C. Where does the line give the surest viscosity?",
        options,
        "Between the points errors are averaged; beyond them they are magnified.",
    )


def _wax(generator: Generator) -> Question:
    cloud = int(generator.integers(-12, 6))
    options = (
        Option("No: below its cloud point it is no longer a simple liquid", ""),
        Option("Yes, with the uncertainty of the line", "The band knows the scatter of the points, not the wax."),
        Option("Yes, if the two points are measured more often", "More points on the line don't tell where it ends."),
    )
    return shuffled_choice(
        generator,
        "below the cloud point",
        f"A gas oil has its cloud point at {cloud} °C. May its viscosity at {cloud - 10} °C be read from the line?",
        options,
        "ASTM D341 holds for a homogeneous liquid between cloud point and initial boiling point.",
    )


def _third_point(generator: Generator) -> Question:
    wanted = int(generator.choice([-20, -10, 0]))
    options = (
        Option(f"Measure at {wanted} °C, or as near to it as the instrument goes", ""),
        Option("Measure again at 100 °C", "That halves one error at best; the lever stays."),
        Option("Measure at 70 °C", "A point between the others hardly turns the line."),
    )
    return shuffled_choice(
        generator,
        "next measurement",
        f"A customer needs the viscosity at {wanted} °C. Measured are 40 °C and 100 °C. What helps most?",
        options,
        "The shortest lever is none: measure where the value is needed.",
    )


def _temperature(generator: Generator) -> Question:
    percent, off = float(generator.choice([3.0, 4.0, 5.0])), float(generator.choice([0.02, 0.05, 0.10]))
    return NumberQuestion(
        "error of temperature",
        f"At 40 °C the viscosity of an oil falls by {percent:.0f} % for each kelvin. The cell is {off:.2f} K warmer "
        f"than "
        "its thermometer says. By how much is the viscosity too low?",
        percent * off,
        "%",
        0.01 + 0.02 * percent * off,
        2,
        f"{percent:.0f} %/K × {off:.2f} K.",
        (Slip(off, "A kelvin is worth several percent."), Slip(percent / off, "Multiply the two.")),
    )


EXTRAPOLATION_POOL = (_cold_error, _both, _same_error, _index, _where_sure, _wax, _third_point, _temperature)
"""What the test of this lesson is drawn from."""


def cold(oil: Oil) -> NumberQuestion:
    """Ask what 1 % at 100 °C does at −20 °C, before it is shown."""
    right, wrong = (float(viscosity_at(-20.0, oil.kv_40, oil.kv_100 * k)) for k in (1.0, 1.01))
    change = 100.0 * (wrong / right - 1.0)
    return NumberQuestion(
        "one percent in the cold",
        "The viscosity at 100 °C is 1 % too high, the one at 40 °C is right. By how many percent is the viscosity at "
        "−20 °C wrong, with its sign?",
        change,
        "%",
        0.5 * abs(change),
        1,
        "The line turns about the point at 40 °C: what is raised at 100 °C sinks in the cold, by more.",
        (Slip(-change, "The size is right, the sign is not: the line turns about 40 °C."),),
    )


def amid(oil: Oil) -> Choice:
    """Ask how sure the line is between its points, before it is shown."""
    factor = float(np.hypot(*amplification(oil, 60.0)))
    return Choice(
        "between the points",
        "Both viscosities are uncertain by 1 %, independently. And the one at 60 °C, between them?",
        (
            Option(f"By {factor:.1f} %: less than either", ""),
            Option("By 1 %: as much as either", "Between the points each error counts in part."),
            Option("By 2 %: both add up", "Parts of independent errors add up in squares."),
        ),
        0,
        "",
    )


def index_units(oil: Oil) -> NumberQuestion:
    """Ask how an index scatters with its viscosities, before it is shown."""
    units = math.hypot(*index_change(oil))
    return NumberQuestion(
        "units of the index",
        "Both viscosities have a standard uncertainty of 1 %, independently. What is that of the viscosity index, in "
        "units?",
        units,
        "",
        0.35 * units,
        1,
        "The index is a comparison of two viscosities; their errors are magnified, unless both share the same one.",
        (),
    )


def viscosity_at_60(oil: Oil) -> NumberQuestion:
    """Ask for the viscosity of a learner's oil at 60 °C, [mm²/s]."""
    value = float(viscosity_at(60.0, oil.kv_40, oil.kv_100))
    straight = oil.kv_40 + (oil.kv_100 - oil.kv_40) / 3.0
    return NumberQuestion(
        "your oil at 60 °C",
        "What is the viscosity of your oil at 60 °C?",
        value,
        "mm²/s",
        0.01 * value,
        2,
        "The line is straight on the double-logarithmic chart, not on plain paper.",
        (Slip(straight, "That is a straight line on plain paper; viscosity falls much faster at first."),),
    )
