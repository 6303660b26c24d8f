"""Every sentence that causes can say, read by rules: all causes, both signs, every quantity, small and absurd sizes."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from labcalc.judgement.causes import CAUSES, Evidence, rank_causes, with_measurement, words
from labcalc.judgement.causes.evidence import HouseProduct
from labcalc.judgement.causes.expectation import Course, Expectation, Node
from labcalc.judgement.causes.explanation import Explanation
from labcalc.judgement.causes.ranking import fit_of, weigh
from labcalc.judgement.causes.surroundings import InstrumentBias
from labcalc.judgement.causes.words import opening_of
from labcalc.lab import practice
from tests.judgement.causes_by_hand import BEFORE, FOUR, KV, OIL, RHO, USUAL, row, run_of

OIL_68 = HouseProduct(
    "Oil 68",
    Expectation(
        "typical",
        "typical values of Oil 68",
        Course((Node(40.0, math.log(68.0), 0.01), Node(100.0, math.log(8.9), 0.006)), 0.95),
        Course((Node(40.0, 864.0, 0.5), Node(100.0, 826.0, 0.6)), 0.98),
        "lubricating oil",
    ),
)
LAYOUTS = (FOUR, ((KV, 40.0),), ((RHO, 40.0),), ((KV, 40.0), (RHO, 40.0)), ((KV, 40.0), (KV, 100.0)))
SIZES = (0.004, 0.03, 0.2, 3.0, 560.0)
"""How far a quantity is off: viscosities by this ln [-], up to 7; densities by 100 times as much [kg/m³], up to 300."""

FORBIDDEN = (
    (r"\d[eE][+-]?\d", "a number with an exponent"),
    (r"\b(\w+) \1\b", "a word twice"),
    (r"\b(a|an|the) (a|an|the)\b", "two articles"),
    (r"\b(nan|inf|None)\b|∞", "a number that is none"),
    (r"  | [,.;:)]|\(\)|\.\.|,,|::", "loose marks"),
    (r"(?<![\w\d])-\d", "a hyphen for a minus"),
    (r"[+−]0(\.0*)? (?!to)", "a sign before nothing"),
    (r"\d{7,}", "more figures than are known"),
    (r"probability of (0|100) %", "certainty"),
)


WITH_EFFECT = ("cell temperature", "air bubble", "residue", "solvent", "dilution", "water", "slip")


def evidences() -> Iterator[Evidence]:
    """Every layout, each quantity off in both directions and all together, alone and with what stands around a run."""
    around = {
        "before": BEFORE,
        "house": (OIL_68,),
        "reference_oils": (OIL,),
        "instrument_bias": InstrumentBias(0.4, 0.1, -0.12, 0.05, "3 results"),
    }
    for layout, size, sign, setting in itertools.product(LAYOUTS, SIZES, (1.0, -1.0), ({}, around)):
        for these in (*({one} for one in layout), set(layout)):
            values = {
                (what, T): USUAL[what, T] * math.exp(sign * min(size, 7.0))
                if what == KV
                else USUAL[what, T] + sign * min(100.0 * size, 300.0)
                for what, T in these
            }
            run = run_of(*(row(*place, values.get(place)) for place in layout), **setting)
            yield run
        kind = "reference oil" if setting and layout[0] == (KV, 40.0) else "refill and repeat"
        yield with_measurement(run, *layout[0], USUAL[layout[0]], kind)


@pytest.fixture(scope="module")
def told() -> list[tuple[Evidence, tuple[Explanation, ...]]]:
    return [(one, rank_causes(one)) for one in evidences()]


def complaints(text: str) -> list[str]:
    found = [f"{why}: {text}" for pattern, why in FORBIDDEN if re.search(pattern, text)]
    if not re.match(r"[A-Z0-9]", text) or not text.endswith("."):
        found.append(f"no sentence: {text}")
    return found + ([f"a bracket left open: {text}"] if text.count("(") != text.count(")") else [])


@pytest.mark.slow
def test_every_cause_is_walked_through(told: list[tuple[Evidence, tuple[Explanation, ...]]]) -> None:
    walked = {one.cause for _, every in told for one in every}
    assert walked <= set(CAUSES)
    assert walked >= {"noise", "cell temperature", "air bubble", "residue", "solvent", "dilution", "water"}
    assert walked >= {"instrument bias", "another product", "slip", "changed"}


@pytest.mark.slow
def test_every_sentence_reads_as_a_person_would_say_it(told: list[tuple[Evidence, tuple[Explanation, ...]]]) -> None:
    said = {one.sentence for _, every in told for one in every}
    said |= {one.next_measurement.sentence for _, every in told for one in every if one.next_measurement}
    said |= {one.caution for _, every in told for one in every if one.caution}
    said |= {one.repair for one in CAUSES.values()}
    assert len(said) > 2000
    found = [one for text in said for one in complaints(text)]
    assert not found, found[::50]


@pytest.mark.slow
def test_every_quantity_that_moved_is_named_with_its_direction() -> None:
    """What the numbers of a fit say, by numbers; what its sentence says, by its words."""
    for evidence in evidences():
        single = np.sqrt(np.diag(evidence.error))
        weighed = weigh(evidence)
        for fit in (fit_of(weighed, cause) for cause in weighed.probabilities):
            if fit.cause not in WITH_EFFECT:
                continue  # a shift is told by its posterior, tests of its own
            text = opening_of(evidence, fit)
            for what, T in {(one.quantity, one.temperature_C) for one in evidence.rows if not one.oil}:
                here = [
                    i
                    for i, one in enumerate(evidence.rows)
                    if (one.quantity, one.temperature_C, one.oil) == (what, T, "")
                ]
                best = max(here, key=lambda i: abs(fit.effect[i]) / single[i])
                moved = abs(fit.effect[best]) >= single[best]
                part = re.search(rf"{what} (?!at )([^;]*?, )?([^,;]*) at {T:g} °C", text.partition("changes ")[2])
                assert moved == (part is not None), text
                if part is not None and "times" not in part[2]:
                    assert (part[2].strip()[0] == "+") == (fit.effect[best] > 0.0), text


def test_a_repair_is_of_its_cause() -> None:
    """Each cause has its own; what is on no list asks for a second bottle and a reference oil."""
    repairs = {cause: one.repair for cause, one in CAUSES.items()}
    assert len(set(repairs.values())) == len(repairs)
    expected = {
        "air bubble": "Degas and refill",
        "another product": "Fetch both bottles",
        "dilution": "second bottle or the retained sample, and have the flash point measured",
        "water": "Karl Fischer",
        "slip": "the original record",
        "something else": "a reference oil beside it",
    }
    assert all(words in repairs[cause] for cause, words in expected.items())


def test_the_figures_of_the_trade() -> None:
    """Common practice, as the person who asked for them gave them; no published source."""
    text = practice.FILLING_AND_CLEANING
    assert text.startswith("Common practice: ")
    for figure in ("at least 1.5 mL", "about 1 mL more", "about 2 and 3 mL", "about 120 s", "no more than 1 bar"):
        assert figure in text
    assert text.endswith("The maker's procedure and the laboratory's own safety rules come first.")


def test_a_cause_without_words_of_its_own_is_told_by_its_title_and_what_moved(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(words, "CAUSES", {"changed": replace(CAUSES["changed"], sentence=CAUSES["blend"].sentence)})
    evidence = run_of(row(KV, 40.0, 46.0 * 1.05))
    fit = fit_of(weigh(evidence), "changed")
    text = opening_of(evidence, fit)
    assert text.startswith("The sample has changed: thickened, sheared or oxidised: kinematic viscosity +4.")
