"""What is tested was taught: each question of a closing test has its teaching in the lesson, before the test.

The words are looked for in what the lesson says by itself: its text, what its cells say, its questions with their
explanations, its worked example and the captions of its pictures. Whoever adds a question adds where it is taught.
"""

from __future__ import annotations

import importlib
import inspect
import json
import re
from pathlib import Path

import pytest

from labcalc import lessons
from labcalc.lessons import LESSONS, Lesson
from labcalc.lessons.plots import lesson_file

NOTEBOOKS = Path(__file__).parents[2] / "notebooks" / "lessons"

TAUGHT = {
    "repeats": {
        "limit from standard deviation": "× √2 × s",
        "standard deviation from limit": "× √2 × s",
        "judge a pair": "A pair within r: report the mean. A pair beyond r: measure again",
        "pool four pairs": "Pooling takes the mean of d²/2",
        "pairs beyond r": "One healthy pair in twenty",
        "what r means": "r is for the difference of two results under repeatability conditions",
        "pairs needed": "1/√(2ν)",
        "range of four": "3.63",
    },
    "components": {
        "name of a precision": "T for time, O for operator, E for equipment",
        "sum of components": "√(s_day² + s_r²)",
        "mean of one day": "Repeats of one day share that day",
        "day from means": "(variance of the means) − s_r²/n",
        "share of the day": "of the variance, the day",
        "limit for two days": "2.77 × s_I(T)",
        "value of a plan": "s_day²/days + s_r²/results",
        "nothing found": "A component of zero from a few days means that little is known",
        "which limit": "The limit has to fit it",
    },
    "charts": {
        "false alarms expected": "How many of 1000 results lie beyond three sigma?",
        "distance in sigma": "In sigma",
        "limit from moving range": "with sigma from the mean moving range of neighbours, over 1.128",
        "kind of cause": "A *special cause* comes and goes",
        "first action": "Beyond: repeat the check, then look for a cause",
        "delay of single limits": "If one result in n lies beyond the limits, it takes n results on average",
        "price of rules": "Every rule finds some faults sooner, and costs false alarms",
        "price of adjusting": "Theory: √2",
    },
    "averages": {
        "next average": "E = λ x + (1 − λ) E before",
        "limit of an average": "√(λ/(2 − λ))",
        "weight of an old result": "counts λ (1 − λ)^k",
        "which weight": "Faster for small shifts means slower for large ones: the weight chooses",
        "days gained": "How much sooner?",
        "after a repair": "After a repair the EWMA starts afresh",
        "where it settles": "the average moves to the new mean and stays there",
        "narrower limits": "A chart with narrower limits is always sooner, and always pays with false alarms",
        "two charts in one": "Both on one chart, at three sigma each, give a false alarm every",
    },
    "sureness": {
        "uncertainty of a mean": "by the factor 1/√n",
        "interval of a mean": "mean ± t s/√n",
        "results for more": "Twice as sure takes four times as many results",
        "how large sigma may be": "The 95 % interval of σ reaches from below s to above it",
        "meaning of 95 %": "used again and again, it holds the true mean in 95 of 100 cases",
        "bias": "Repeats cure chance. They do not cure a bias",
        "uncertainty of a limit": "s² × (1/n + 9/(2(n − 1)))",
        "too narrow": "Student's factor t makes up for not knowing σ",
    },
    "extrapolation": {
        "error in the cold": "The line turns about the point at 40 °C",
        "both points uncertain": "If they err independently",
        "one error in both": "If both points are wrong by the same 1 %",
        "index from one error": "One percent at either point moves the index by a unit or several",
        "where the line is sure": "Between the points the line is surer than either point",
        "below the cloud point": "The line ends at the cloud point",
        "next measurement": "Beyond them errors grow, with the lever",
        "error of temperature": "for each kelvin",
    },
    "budgets": {
        "certificate": "an expanded uncertainty U is divided by its k",
        "rectangular": "limits without anything else known are divided by √3",
        "combine": "root of the sum of squares",
        "share of the largest": "A part makes its square's share of the sum of squares",
        "mean of four": "Repeats average out only what changes between them",
        "temperature": "multiplied by the slope, such as percent for each kelvin",
        "what to improve": "The largest part rules",
        "how to write it": "U is written with two figures and its k, and the value with as many decimals as U",
    },
    "conformity": {
        "probability of conformity": "U is two standard uncertainties",
        "acceptance limit": "1.645 u inside: one limit has one side",
        "margin by R": "0.59 R",
        "verdict by a rule": "A *decision rule* says how the uncertainty is taken into account",
        "rounding rule": "Yes, it rounds to the limit By some rules",
        "whose risk": "A guard band moves risk from one side to the other",
        "share accepted": "A *guard band* moves the line at which lots are accepted away from the limit",
        "risk from counts": "Here each is a share of all lots",
    },
    "outliers": {
        "result of four": "the mean of the four is reported, otherwise their median",
        "share of far thirds": "Of three good results, one is mostly odd",
        "scatter after dropping": "Scatter of what is reported from three good results",
        "Grubbs' statistic": "Its statistic is the distance over the standard deviation of all",
        "test for a fault": "Cochran's test asks of one group: does it scatter too much beside the others?",
        "grounds for leaving out": "A result is left out for a cause that was found",
        "healthy sets": "At 5 % it calls one healthy set in twenty odd",
        "two that hide each other": "Each makes the standard deviation so large that the other one looks usual",
    },
    "bias": {
        "uncertainty of a bias": "u² = s²/n + (U/2)²",
        "score of a bias": "Beyond about two of these u it is hardly chance",
        "more results": "More results don't help where the certificate's part rules",
        "uncertainty of a last digit": "a step over √12",
        "all alike": "Results that are all alike say that the display is coarse",
        "correct or not": "Correct for a bias that was found and whose cause is known, never for chance",
        "half a sigma": "Not found is not absent",
    },
    "comparison": {
        "error of a mean difference": "Standard error of the mean difference: s/√n",
        "why the same samples": "Compare on the same samples, and look at differences",
        "correlation": "A correlation shows that samples differ. It shows no agreement",
        "z score": "z is the distance from the assigned value in the standard deviation that the round allows",
        "warnings by chance": "is at least one |z| beyond 2?",
        "zeta score": "in the uncertainties that laboratory and round state themselves, added in squares",
        "what ζ says": "A small z with a large ζ: the uncertainty is stated too small",
    },
    "residue": {
        "off by a residue": "1 % of residue changes the viscosity by",
        "left after rinses": "after k rinses f^k is left",
        "rinses needed": "after k rinses f^k is left",
        "first or second fill": "The first fill bears the residue, the second hardly any of it",
        "which order": "From thin to thick, if nothing is urgent",
        "signs by chance": "n first fills that all give more come in 0.5^n of cases",
        "what averaging does": "A mean of all fills only thins the residue",
    },
}
"""Of each lesson's test questions the words that teach it."""


def text_of(lesson: Lesson) -> str:
    """Return what a lesson says before its test."""
    cells = json.loads((NOTEBOOKS / f"{lesson.workbook}.ipynb").read_text("utf-8"))["cells"]
    sources = ["".join(one["source"]) for one in cells]
    end = next(place for place, source in enumerate(sources) if source.startswith("## Test yourself"))
    said = " ".join(sources[:end])
    content = lesson_file(lesson.name)
    asked = [content["ask"][name] for name in content["ask"] if f'"{name}"' in said or name == "own"]
    drawn = re.findall(r"(\w+)\.(plot_\w+)", said)
    shown = [inspect.getsource(getattr(importlib.import_module(f"labcalc.lessons.{of}"), name)) for of, name in drawn]
    captions = [lesson_file(of)["plot"][name] for of, name in re.findall(r'plot_of\("(\w+)", "(\w+)"', " ".join(shown))]
    return " ".join([said, *map(_words, [*asked, *shown, *captions, content["worked"]])]).replace("\n", " ")


def _words(one: object) -> str:
    """Return all texts of a place of a lesson's file, those of keys too."""
    if isinstance(one, dict):
        return " ".join(f"{key} {_words(value)}" for key, value in one.items())
    return " ".join(map(_words, one)) if isinstance(one, list) else str(one)


@pytest.mark.parametrize("lesson", LESSONS, ids=lambda lesson: lesson.name)
def test_each_question_of_a_test_was_taught(lesson: Lesson) -> None:
    text, taught = re.sub(r"\s+", " ", text_of(lesson)), TAUGHT[lesson.name]
    assert sorted(taught) == sorted(one.name for one in lesson.drafts.test)
    assert [name for name, words in taught.items() if words not in text] == []


@pytest.mark.parametrize("lesson", LESSONS, ids=lambda lesson: lesson.name)
def test_signs_of_a_test_were_met_before(lesson: Lesson) -> None:
    """Letters that stand for a quantity are met in the lesson, or in an earlier one, before they are asked about."""
    known = " ".join(text_of(one) for one in LESSONS[: lesson.number])
    signs = re.compile(
        r"\b(s_r|s_I\(T\)|s_R|R|U|ζ|λ|σ|z|k = 2|√n|cloud point|guard band|critical range|assigned value)\b"
    )
    for draft in lesson.drafts.test:
        asked = re.sub(r"\{[^}]*\}", " ", f"{draft.spec['text']} {' '.join(draft.spec.get('options', ()))}")
        assert [sign for sign in signs.findall(asked) if sign not in known] == [], draft.name


def test_each_picture_has_its_words_and_all_words_a_picture() -> None:
    folder = Path(lessons.__file__).parent
    sources = " ".join(path.read_text("utf-8") for path in folder.glob("*.py"))
    named = set(re.findall(r'plot_of\("(\w+)", "(\w+)"', sources))
    assert named == {(one.name, plot) for one in LESSONS for plot in lesson_file(one.name)["plot"]}
