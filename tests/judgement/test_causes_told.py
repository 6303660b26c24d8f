"""What is told of causes, to the letter; and what is known around a run, number by number.

D445 as shipped (memory), formulated oils at 40 °C: r = 0.0074 x; ISO 12185 as shipped (memory): r = 0.2 kg/m³.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from labcalc.errors import EvidenceError
from labcalc.exports import TIDY_COLUMNS
from labcalc.judgement import COMPARISON_COLUMNS
from labcalc.judgement.causes import CAUSES, Evidence, NextMeasurement, rank_causes, with_measurement
from labcalc.judgement.causes.evidence import HouseProduct, Row, rows_of
from labcalc.judgement.causes.evidence_from_dossier import noise_of, other_products
from labcalc.judgement.causes.expectation import Course, Expectation, Liquid, Observation
from labcalc.judgement.causes.explanation import leading_cause
from labcalc.judgement.causes.next_measurement import RECORD_TELLS
from labcalc.judgement.causes.ranking import Fit
from labcalc.judgement.causes.surroundings import (
    Determinations,
    EarlierRun,
    InstrumentBias,
    Noise,
    before_of,
    bias_of,
    expected_of,
    liquid_of,
    scatter_of,
)
from labcalc.judgement.causes.words import (
    changes_of,
    next_step,
    opening_of,
    sentence_of,
    size_words,
    titled,
)
from labcalc.lab import Laboratory, Limit, Product, ReportChoices, TypicalValue, practice
from tests.judgement.causes_by_hand import BEFORE, FOUR, KV, OIL, RHO, TYPICAL, measured, row, run_of, usual

ZONE = "Europe/Lisbon"
NAN = math.nan


def fit(cause: str, effect: list[float] | None = None, **more: Any) -> Fit:
    size, low, high = (CAUSES[cause].shown * more.pop(end, NAN) for end in ("size", "lowest", "highest"))
    given = {"where": "", "spread": np.eye(4), "misfit": 3.2, "degrees_of_freedom": 3} | more
    return Fit(
        cause=cause,
        size=size,
        lowest=low,
        highest=high,
        unit=CAUSES[cause].unit,
        effect=np.array(effect or [0.0] * 4),
        predicted=np.zeros(4),
        **given,
    )


def said(cause: str, effect: list[float] | None = None, of: Evidence | None = None, **more: Any) -> str:
    return opening_of(of or usual(*FOUR), fit(cause, effect, **more))


# --- In words ---


def test_changes_worth_telling() -> None:
    """Those of one standard deviation of the noise and more: 0.2 % of viscosity, 0.05 kg/m³."""
    evidence = usual(*FOUR)
    assert changes_of(evidence, np.array([math.log(0.9802), 0.049, 0.00199, -0.05])) == (
        "kinematic viscosity −2.0 % at 40 °C; density −0.050 kg/m³ at 100 °C"
    )
    assert changes_of(evidence, np.array([0.00199, 0.0499, -0.00199, -0.0499])) == "nothing beyond the noise"
    twice = run_of(row(KV, 40.0), row(KV, 40.0, fill=2))
    assert changes_of(twice, np.array([0.0, 0.0123])) == "kinematic viscosity +1.2 % at 40 °C"
    assert changes_of(twice, np.array([-0.02, 0.0123])) == "kinematic viscosity −2.0 % at 40 °C", "what shows it best"
    assert changes_of(twice, np.array([-0.01, 0.0123])) == "kinematic viscosity +1.2 % at 40 °C", "what shows it best"
    assert changes_of(evidence, np.array([math.log(10.0), 0.0, math.log(0.1), 0.0])) == (
        "kinematic viscosity 10 times at 40 °C, 0.10 times at 100 °C"
    )
    hot = changes_of(evidence, np.array([0.005, 0.3, 0.03, 0.1]), np.array([0.006, 0.2, 0.01, 0.2]))
    assert hot == "density +0.30 kg/m³ at 40 °C; kinematic viscosity +3.0 % (95 %: +2.0 to +4.1 %) at 100 °C"


@pytest.mark.parametrize(
    ("size", "written"),
    [
        (0.312, "0.31 K"),
        (3.12, "3.1 K"),
        (31.2, "31 K"),
        (0.00312, "0.0031 K"),
        (0.0000312, "0.000031 K"),
        (0.0, "0 K"),
        (-0.5, "−0.50 K"),
        (1.0, "1.0 K"),
    ],
)
def test_a_size_has_two_figures(size: float, written: str) -> None:
    assert size_words(fit("cell temperature", size=size, lowest=size, highest=size)).startswith(f"{written} (95 %: ")


def test_sizes_are_told_in_their_unit() -> None:
    assert size_words(fit("air bubble", size=0.0044, lowest=0.0021, highest=0.012)) == "0.44 % (95 %: 0.21 to 1.2 %)"
    assert size_words(fit("slip")) == ""
    assert titled("cell temperature") == "the cell was not at its temperature"


def test_how_well_it_fits() -> None:
    """Chi-square tails by scipy; 5 % and 0.1 % are the marks."""
    evidence = usual(*FOUR)

    def words(misfit: float, degrees: int = 3) -> str:
        return sentence_of(evidence, fit("slip", misfit=misfit, degrees_of_freedom=degrees)).split("noise. ")[-1]

    def figures(misfit: float, degrees: int = 3) -> str:
        return fit("slip", misfit=misfit, degrees_of_freedom=degrees).misfit_words

    for mark, better, worse in ((0.05, "fits", "fits badly"), (0.001, "fits badly", "does not fit")):
        edge = float(stats.chi2.isf(mark, 3))
        assert words(edge - 1e-3) == f"It {better} all 4 quantities together."
        assert words(edge + 1e-3) == f"It {worse} all 4 quantities together."
        assert figures(edge) == f"chi-square {edge:.1f} with 3 degrees of freedom, p = {mark:.2g}"
    assert figures(30.0).endswith("p < 0.0001")
    assert figures(float(stats.chi2.isf(1.0001e-4, 3))).endswith("p = 0.0001")
    assert words(3.2, 0) == "One quantity alone can't say whether it fits."
    assert figures(3.2, 0) == "chi-square 3.2 with 0 degrees of freedom"
    alone = sentence_of(usual((KV, 40.0)), fit("noise", misfit=0.5, degrees_of_freedom=1))
    assert "It fits the one quantity." in alone


def test_each_cause_opens_with_its_own_words() -> None:
    effect = [0.01, -0.5, 0.0, 0.0]
    changed = "kinematic viscosity +1.0 % at 40 °C; density −0.50 kg/m³ at 40 °C"
    warm = {"size": 0.31, "lowest": 0.21, "highest": 0.41, "where": "at 40 °C"}
    assert said("cell temperature", effect, **warm) == (
        f"A cell 0.31 K too warm at 40 °C (95 %: 0.21 to 0.41 K) changes {changed}."
    )
    cold = {"size": -0.31, "lowest": -0.41, "highest": -0.21, "where": "at every temperature"}
    assert said("cell temperature", effect, **cold) == (
        f"A cell 0.31 K too cold at every temperature (95 %: 0.21 to 0.41 K) changes {changed}."
    )
    share = {"size": 0.03, "lowest": 0.02, "highest": 0.05}
    assert said("dilution", effect, where="a gas oil", **share) == (
        f"Fuel (a gas oil, or a liquid like it) in the sample, 3.0 % (95 %: 2.0 to 5.0 %) by volume, changes "
        f"{changed}; a residue of such a liquid in the cell looks the same until a clean cell is filled again."
    )
    assert (
        said("water", effect, **share)
        == f"Water in the sample, 3.0 % (95 %: 2.0 to 5.0 %) by volume, changes {changed}."
    )
    assert said("solvent", effect, where="toluene", **share) == (
        f"Cleaning liquid left in the cell, 3.0 % (95 %: 2.0 to 5.0 %) of toluene, changes {changed}."
    )
    assert said("another product", [math.log(68 / 46), 0.0, 0.0, 0.0], where="Oil 68") == (
        "The numbers are those of Oil 68, beside Oil 46 kinematic viscosity +48 % at 40 °C: samples or names may have "
        "been exchanged."
    )
    assert said("slip", [math.log(10), 0.0, 0.0, 0.0], where="ten times too much: kinematic viscosity at 40 °C") == (
        "A slip of the pen or of a setting (ten times too much: kinematic viscosity at 40 °C) changes kinematic "
        "viscosity 10 times at 40 °C."
    )


def test_air_that_comes_out_as_the_sample_warms() -> None:
    share = {"size": 0.005, "lowest": 0.004, "highest": 0.006}
    comes = ", which comes out of the sample as it warms"
    start = "Air, 0.50 % (95 %: 0.40 to 0.60 %) of the cell's volume "
    assert (
        said("air bubble", where="at 100 °C", **share) == f"{start}at 100 °C{comes}, changes nothing beyond the noise."
    )
    assert said("air bubble", where="in fill 1, at 100 °C", **share).startswith(f"{start}in fill 1, at 100 °C{comes}")
    assert said("air bubble", where="at 40 °C", **share).startswith(f"{start}at 40 °C, changes")
    alone = said("air bubble", [0.0], usual((RHO, 40.0)), where="at 40 °C", **share)
    assert alone.startswith(f"{start}at 40 °C, changes")


@pytest.mark.parametrize(
    ("hours", "when"),
    [(1.54, "1.5 h before"), (47.9, "47.9 h before"), (48.0, "2 days before"), (71.0, "3 days before")],
)
def test_when_the_run_before_was(hours: float, when: str) -> None:
    share = {"size": 0.03, "lowest": 0.02, "highest": 0.05}
    evidence = usual(*FOUR, before=replace(BEFORE, hours_ago=hours))
    assert said("residue", of=evidence, **share) == (
        f"A residue of T-1, run {when}, 3.0 % (95 %: 2.0 to 5.0 %) by volume, changes nothing beyond the noise."
    )
    first = replace(evidence, before=replace(BEFORE, hours_ago=hours, estimated="its values are estimated"))
    assert f"{when} (its values are estimated), 3.0 %" in said("residue", of=first, where="in the first fill", **share)
    assert "by volume in the first fill, changes" in said("residue", of=first, where="in the first fill", **share)


def test_a_shift_is_told_as_the_run_shows_it() -> None:
    """One quantity by hand: 0.06² s of its own beside 0.01² + 0.002²; 1.05 times is ln 1.05 · 0.06²/0.003704."""
    own, around = 0.06**2, 0.01**2 + 0.002**2
    thick = run_of(row(KV, 40.0, 46.0 * 1.05))
    given: dict[str, Any] = {"effect": [0.0], "spread": np.array([[own + 0.01**2]])}
    size, half = math.log(1.05) * own / (own + around), 1.96 * math.sqrt(own * around / (own + around))
    ends = [f"+{100 * math.expm1(size + side):.1f}" for side in (0.0, -half, half)]
    assert ends == ["+4.9", "+2.8", "+6.9"]
    told = "kinematic viscosity +4.9 % (95 %: +2.8 to +6.9 %) at 40 °C"
    assert said("changed", of=thick, **given) == f"The sample itself may have thickened or oxidised: {told}."
    thin = run_of(row(KV, 40.0, 46.0 / 1.05))
    assert said("changed", of=thin, **given).startswith("The sample itself may have thinned or sheared: kinematic")
    assert (
        said("changed", of=usual((KV, 40.0)), **given)
        == "The sample itself may have changed: nothing beyond the noise."
    )
    assert said("instrument bias", of=thick, **given) == (
        f"The instrument itself may be off, {told}: no reference oil speaks for this instrument."
    )
    bias = InstrumentBias(0.4, 0.1, -0.12, 0.05, "3 results")
    known = said("instrument bias", of=usual((KV, 40.0), instrument_bias=bias), **given)
    assert known.endswith(
        ": its last reference oils are +0.40 % ± 0.20 % off in viscosity, −0.12 ± 0.10 kg/m³ in density."
    )
    heavy = run_of(row(RHO, 40.0, 855.0))
    assert said("changed", of=heavy, effect=[0.0], spread=np.array([[0.5**2 + 2.0**2]])).startswith(
        "The sample itself may have changed: density −2.8 kg/m³ (95 %:"
    ), "-3 · 4 / (4 + 0.25 + 0.0025) = -2.8; a density alone is no thickening"


def test_noise_names_what_is_furthest() -> None:
    """ln (46.46 / 46) / √(1 %² + 0.2 %²) = 0.98; -2.4 / √(0.6² + 0.05²) = -4.0."""
    away = -2.4 / math.hypot(0.6, 0.05)
    assert said("noise", of=measured(kv40=46.46, rho100=817.6)) == (
        f"Noise and the spread of the product alone: the furthest, density at 100 °C, lies {-away:.1f} standard "
        "deviations below the typical values of Oil 46."
    )
    up = math.log(47.0 / 46.0) / math.hypot(0.01, 0.002)
    assert f"kinematic viscosity at 40 °C, lies {up:.1f} standard deviations above the" in said(
        "noise", of=measured(kv40=47.0)
    )


@pytest.mark.parametrize(
    ("kind", "rows", "chance", "told"),
    [
        ("refill and repeat", FOUR, 0.92, "Clean and dry the cell, fill it again, and measure the kinematic viscosity "
         "and density at 40 °C and 100 °C. Chance that this tells {}: nine in ten"),
        ("same fill again", ((RHO, 40.0),), 0.995, "Measure the density at 40 °C once more with the same fill. Chance "
         "that this tells {}: nine in ten"),
        ("original record", ((KV, 99.5),), 0.3, "Look up the kinematic viscosity at 99.5 °C in the original record. "
         "Chance that this tells {}: three in ten"),
        ("reference oil", ((KV, 40.0), (KV, 100.0), (RHO, 40.0)), 0.0999, "Measure the kinematic viscosity at 40 °C "
         "and 100 °C, density at 40 °C of a reference oil on this instrument. Chance that this tells {}: less than "
         "one in ten"),
    ],
)  # fmt: skip
def test_a_next_step_in_words(kind: str, rows: tuple[tuple[str, float], ...], chance: float, told: str) -> None:
    """All that the fill gives is named; a chance is rounded down, as no more is promised than there is."""
    said = next_step(NextMeasurement(kind, *rows[0], rows, 0.1), "residue", "air bubble", chance)
    assert said == f"{told}.".format("'residue of the sample before' from 'air in the density cell'")


# --- Explanations ---


def test_an_explanation_by_its_numbers() -> None:
    evidence = measured(rho40=854.6)
    every = rank_causes(evidence)
    assert sum(one.probability for one in every) == pytest.approx(1.0)
    air = every[0]
    assert (air.cause, air.unit, air.title) == ("air bubble", "%", "Air in the density cell")
    assert air.lowest < air.size < air.highest
    assert air.size == pytest.approx(100.0 * 3.4 / 858.0, rel=0.2)
    by_cause = {one.cause: one for one in every}
    assert by_cause["noise"].unit == ""
    assert by_cause["changed"].unit == "%"
    assert math.isnan(by_cause["slip"].size) if "slip" in by_cause else True
    dense = {one.cause: one for one in rank_causes(run_of(row(RHO, 40.0, 854.6)))}
    assert dense["instrument bias"].unit == "kg/m³"
    assert "changed" not in dense
    assert -3.4 < dense["instrument bias"].size < 0.0


def test_rivals_of_a_fifth_and_more_are_named_of_the_leading_cause_only() -> None:
    every = rank_causes(usual(*FOUR), {"noise": 1.0, "instrument bias": 1.0, "changed": 1.0})
    rivals = [titled(one.cause) for one in every[1:] if one.probability >= 0.2]
    assert len(rivals) == 1
    assert every[0].sentence.endswith(f" These numbers hardly tell it from: {'; '.join(rivals)}.")
    assert not any("hardly tell" in one.sentence for one in every[1:])
    alone = rank_causes(usual(*FOUR))
    assert "hardly tell" not in alone[0].sentence


def test_each_cause_is_told_apart_from_the_most_probable_other() -> None:
    every = rank_causes(measured(kv40=45.0))
    assert all(
        one.next_measurement is None or f" from '{titled(every[0].cause)}': " in one.next_measurement.sentence
        for one in every[1:]
    )
    first = every[0].next_measurement
    assert first is not None
    assert first.sentence.partition(" from ")[2].startswith(f"'{titled(every[1].cause)}': ")
    only = rank_causes(measured(kv40=45.0), {"noise": 1.0})
    assert [one.next_measurement for one in only] == [None]


def test_a_clean_cell_needs_its_caution() -> None:
    every = {one.cause: one for one in rank_causes(measured(kv40=64.0))}
    slip = every["slip"]
    assert slip.next_measurement is not None
    assert slip.next_measurement.kind == "original record"
    assert RECORD_TELLS == 0.95
    assert slip.next_measurement.sentence.endswith(": nine in ten.")
    assert ". Chance that this tells " in slip.next_measurement.sentence
    assert slip.caution == ""
    for one in every.values():
        step = one.next_measurement
        if step is not None and step.kind not in ("same fill again", "original record"):
            assert one.caution.startswith(f"{practice.SOLVENTS} {practice.PRESSED_AIR} {practice.HOT}")
    heated = every["changed"].caution
    assert heated.endswith("wear the gloves that the safety data sheet asks for.")
    assert every["residue"].caution.count("Cleaning solvents") == 1 if "residue" in every else True


def test_the_leading_cause_in_a_sentence() -> None:
    evidence = measured(rho40=854.6)
    found, every = leading_cause(evidence), rank_causes(evidence)
    assert (found.cause, found.probability) == (every[0].cause, every[0].probability)
    assert found.noise_probability == next(one.probability for one in every if one.cause == "noise")
    assert found.probability > 0.97
    assert found.sentence == "Most likely air in the density cell (probability 98 %)"
    assert leading_cause(measured()).sentence.startswith("Noise and spread alone explain it (probability ")
    assert leading_cause(evidence, {"air bubble": 1.0}).noise_probability == 0.0


# --- Measurements that are added ---


def test_which_fill_an_added_measurement_belongs_to() -> None:
    """Viscosity and density of one kind and temperature share a fill; the second of a quantity is a fill of its own."""
    evidence = run_of(row(KV, 40.0), row(RHO, 40.0), row(KV, 40.0, fill=3))

    def fills(*added: tuple[str, float, str]) -> list[int]:
        one = evidence
        for what, T, kind in added:
            one = with_measurement(one, what, T, 46.0 if what == KV else 858.0, kind)
        return [each.replicate for each in one.rows[3:]]

    again, refill, other = "same fill again", "refill and repeat", "another instrument"
    assert fills((KV, 40.0, again), (RHO, 40.0, again)) == [3, 3]
    assert fills((KV, 40.0, refill), (RHO, 40.0, refill)) == [4, 4]
    assert fills((KV, 40.0, refill), (KV, 100.0, refill), (KV, 40.0, refill), (RHO, 40.0, refill)) == [4, 4, 5, 5]
    assert fills((KV, 40.0, refill), (KV, 40.0, other), (RHO, 40.0, refill)) == [4, 5, 4]
    assert fills((KV, 40.0, refill), (KV, 40.0, again)) == [4, 3]


def test_the_reference_oil_nearest_in_viscosity_is_taken() -> None:
    thin = replace(OIL, liquid=replace(OIL.liquid, name="Thin", viscosities=((40.0, 42.0), (100.0, 6.0))))
    evidence = replace(usual((KV, 40.0)), reference_oils=(thin, OIL))
    added = with_measurement(evidence, KV, 40.0, 50.0, "reference oil")
    assert added.rows[-1].oil == "RO-1 lot A", "ln (50 / 46) = 0.083, ln (46 / 42) = 0.091"
    blind = replace(evidence, course=replace(TYPICAL, viscosity=Course((), 0.95)))
    assert (
        with_measurement(replace(blind, rows=(row(RHO, 40.0),)), RHO, 40.0, 850.0, "reference oil").rows[-1].oil
        == "Thin"
    )
    with pytest.raises(EvidenceError, match="no reference oil is known"):
        with_measurement(usual((KV, 40.0)), KV, 40.0, 50.0, "reference oil")


def test_the_record_corrects_the_value_that_is_furthest_off() -> None:
    evidence = run_of(row(KV, 40.0, 46.2), row(KV, 40.04, 39.5, fill=2), row(KV, 100.0))
    right = with_measurement(evidence, KV, 40.0, 46.0, "original record")
    assert [one.measured for one in right.rows] == [46.2, 46.0, 6.9]
    assert [one.kind for one in right.rows] == ["run", "original record", "run"]
    with pytest.raises(EvidenceError, match=r"run S1 holds no kinematic viscosity at 40\.1 °C to correct"):
        with_measurement(evidence, KV, 40.1, 46.0, "original record")


@pytest.mark.parametrize("value", [0.0, -1.0, 1e99, NAN])
def test_a_measured_value_is_one_of_a_liquid(value: float) -> None:
    with pytest.raises(EvidenceError, match=r"0\.01 to 10000000 at −100 °C to 400 °C is expected"):
        with_measurement(usual((KV, 40.0)), KV, 40.0, value, "refill and repeat")


# --- Around a run ---


def comparisons(*values: float, **more: Any) -> pd.DataFrame:
    at = pd.date_range("2026-02-01 08:00", periods=len(values), freq="D", tz=ZONE)
    fixed = {"sample": "RO-1", "lot": "A", "instrument": "VD", "quantity": KV, "temperature_C": 40.0, "certified": 50.0}
    rows = {"run": [f"R{n}" for n in range(len(values))], "measured_at": at, "value": list(values), "limit": 0.3}
    return pd.DataFrame({**rows, **fixed, **more})[list(COMPARISON_COLUMNS)]


ZIGZAG = (50.0, 50.1, 50.0, 50.2, 50.0, 50.1, 50.0, 50.1, 50.0)


def results(*tables: pd.DataFrame) -> pd.DataFrame:
    return pd.concat(list(tables))


def test_noise_by_the_moving_ranges_of_reference_oils() -> None:
    """Mean |Δ ln ν| / 1.128 of eight and more; each chart by itself; a floor of 0.05 % and 0.02 kg/m³."""
    logs = np.log(ZIGZAG)
    scatter, number = scatter_of(results(comparisons(*ZIGZAG)), True)
    assert (scatter, number) == (pytest.approx(np.abs(np.diff(logs)).mean() / 1.128), 8)
    few = scatter_of(results(comparisons(*ZIGZAG[:8])), True)
    assert (math.isnan(few[0]), few[1]) == (True, 7)
    other = comparisons(*(10.0 * v for v in ZIGZAG[:5]), sample="RO-2")
    assert scatter_of(results(comparisons(*ZIGZAG[:5]), other), True)[1] == 8
    hot = comparisons(*ZIGZAG[:5], temperature_C=100.0)
    assert scatter_of(results(comparisons(*ZIGZAG[:5]), hot), True)[1] == 8
    lots = comparisons(*ZIGZAG[:5], lot="B")
    assert scatter_of(results(comparisons(*ZIGZAG[:5]), lots), True)[1] == 8
    assert scatter_of(results(comparisons(*[50.0] * 9)), True) == (0.0005, 8)
    heavy = comparisons(*[850.0] * 9, quantity=RHO)
    assert scatter_of(results(heavy), False) == (0.02, 8)
    assert scatter_of(results(comparisons(*ZIGZAG), heavy), True)[1] == 8
    assert scatter_of(results(comparisons(*ZIGZAG, quantity="dynamic viscosity")), True)[1] == 0
    dark = comparisons(*(-1.0 if n == 4 else v for n, v in enumerate(ZIGZAG)))
    assert scatter_of(results(dark), True)[1] == 6, "a value that has no logarithm makes no range"


def found(viscosity: list[float], density: list[float] | None = None, at: list[float] | None = None) -> Determinations:
    n = len(viscosity)
    return Determinations(
        np.array(at or [40.0] * n), np.arange(1, n + 1), np.array(viscosity), np.array(density or [NAN] * n)
    )


def test_where_the_noise_comes_from() -> None:
    """Reference oils, else r / 2.77 of the statement, else 0.3 % and 0.1 kg/m³."""
    one, lab = found([NAN, 46.0], [858.0, NAN]), Laboratory()
    oil = Product("Oil 46", precision_class="formulated oils")
    none = pd.DataFrame(columns=list(COMPARISON_COLUMNS))
    default = noise_of(none, one, None, lab)
    assert (default.viscosity, default.density, default.words) == (0.003, 0.1, "labcalc's own default")
    assert noise_of(none, one, replace(oil, precision_class=""), lab).viscosity == 0.003
    stated = noise_of(none, one, oil, lab)
    assert (stated.viscosity, stated.density) == (pytest.approx(0.0074 / 2.77), pytest.approx(0.2 / 2.77))
    assert stated.words.startswith(
        "viscosity: repeatability of ASTM D445, edition 2015 to 2024, formulated oils; density: "
        "repeatability of ISO 12185"
    )
    known = noise_of(results(comparisons(*ZIGZAG)), one, oil, lab)
    assert known.viscosity == scatter_of(results(comparisons(*ZIGZAG)), True)[0]
    assert known.words.startswith(
        "viscosity: 8 differences between reference-oil results of this instrument; density: "
    )
    other = noise_of(none, found([46.0], at=[60.0]), oil, lab)
    assert other.viscosity == 0.003, "nothing is stated at 60 °C"


def test_bias_by_the_last_results_of_each_chart() -> None:
    """ln (50.2 / 50) of the last; certificate's u: √(limit² - own²) / 2 of 50; noise 0.2 %; drift 0.05 %."""
    bias = bias_of(results(comparisons(50.3, 50.2)), Noise(0.002, 0.05, ""), ReportChoices())
    assert bias is not None
    certificate = math.sqrt(0.3**2 - 0.25**2) / 2.0 / 50.0
    assert bias.viscosity_percent == pytest.approx(100.0 * math.log(50.2 / 50.0))
    assert bias.viscosity_sd == pytest.approx(100.0 * math.sqrt(certificate**2 + 0.002**2 + 0.0005**2))
    assert (bias.density_kg_m3, math.isnan(bias.density_sd)) == (0.0, True)
    assert bias.words == "1 last reference-oil results of this instrument"
    heavy = comparisons(850.0, 850.3, quantity=RHO, certified=850.0, limit=0.5)
    hot = comparisons(50.0, 50.1, temperature_C=100.0)
    both = bias_of(results(comparisons(50.3, 50.2), hot, heavy), Noise(0.002, 0.05, ""), ReportChoices())
    assert both is not None
    assert both.viscosity_percent == pytest.approx(50.0 * (math.log(50.2 / 50.0) + math.log(50.1 / 50.0)))
    assert both.viscosity_sd == pytest.approx(100.0 * math.sqrt((certificate**2 + 0.002**2) / 2.0 + 0.0005**2))
    assert both.density_kg_m3 == pytest.approx(0.3)
    u = math.sqrt(0.5**2 - 0.3**2) / 2.0
    assert both.density_sd == pytest.approx(math.sqrt(u**2 + 0.05**2 + 0.03**2))
    assert both.words == "3 last reference-oil results of this instrument"


def test_which_results_say_where_the_instrument_stands() -> None:
    """The newest and what is 72 h older at the most; without a certified value or a time none."""
    noise, report = Noise(0.002, 0.05, ""), ReportChoices()

    def number(*tables: pd.DataFrame) -> str:
        one = bias_of(results(*tables), noise, report)
        return "none" if one is None else one.words.split()[0]

    new, old = (
        comparisons(50.1).assign(measured_at=pd.Timestamp("2026-02-10 08:00", tz=ZONE)),
        comparisons(50.1, sample="RO-2"),
    )
    for at, expected in (("2026-02-07 08:00", "2"), ("2026-02-07 07:59", "1")):
        assert number(new, old.assign(measured_at=pd.Timestamp(at, tz=ZONE))) == expected
    assert number(new.assign(certified=NAN)) == "none"
    assert number(new, new.assign(sample="RO-2", certified=NAN)) == "1"
    assert number(new.assign(measured_at=pd.NaT)) == "none"
    assert bias_of(pd.DataFrame(columns=list(COMPARISON_COLUMNS)), noise, report) is None
    exact = bias_of(results(comparisons(50.1, limit=0.2)), noise, report)
    assert exact is not None
    assert exact.viscosity_sd == pytest.approx(100.0 * math.hypot(0.002, 0.0005)), "a limit below the own one: no U"


def tidy(*rows: dict[str, Any]) -> pd.DataFrame:
    given = {
        "run": "B",
        "sample": "T-1",
        "replicate": 1,
        "measured_at": pd.Timestamp("2026-03-02 08:00", tz=ZONE),
        "remark": "",
    }
    return pd.DataFrame([given | one for one in rows], columns=list(TIDY_COLUMNS))


def thick(T: float, viscosity: float | None, density: float | None, **more: Any) -> dict[str, Any]:
    return {"temperature_C": T, "kinematic_viscosity_mm2_s": viscosity, "density_kg_m3": density} | more


def test_the_run_before_as_a_liquid() -> None:
    rows = tidy(thick(40.02, 460.0, 890.0), thick(39.98, 464.0, None), thick(100.0, 31.0, 855.0))
    start = pd.Timestamp("2026-03-02 09:30", tz=ZONE)
    one = before_of(rows, start, np.array([40.0, 100.0]))
    assert one is not None
    assert (one.sample, one.hours_ago, one.estimated) == ("T-1", 1.5, "")
    assert one.liquid == Liquid("T-1", ((40.0, 462.0), (100.0, 31.0)), ((40.0, 890.0), (100.0, 855.0)))
    carried = before_of(rows, start, np.array([70.0, 15.0, 40.04]))
    assert carried is not None
    assert carried.estimated == "its values at 15 °C and 70 °C are estimated"
    assert before_of(rows.iloc[:0], start, np.array([40.0])) is None
    assert before_of(tidy(thick(40.0, 46.0, None)), start, np.array([40.0])) is None
    assert before_of(tidy(thick(40.0, None, 858.0)), start, np.array([40.0])) is None
    assert liquid_of("x", found([NAN, 0.0])).viscosities == ()


def test_each_measured_quantity_is_a_row() -> None:
    assert rows_of(found([46.0, NAN, 0.0], [858.0, 857.0, NAN])) == [
        Row(KV, 40.0, 1, 46.0),
        Row(RHO, 40.0, 1, 858.0),
        Row(RHO, 40.0, 2, 857.0),
    ]


def test_the_other_products_with_typical_viscosities() -> None:
    thick_one = Product("Oil 68", typical=(TypicalValue(KV, 40.0, 68.0, 0.7),))
    heavy_only = Product("Heavy", typical=(TypicalValue(RHO, 40.0, 900.0, 1.0),))
    own = Product("Oil 46", typical=(TypicalValue(KV, 40.0, 46.0, 0.5),))
    house = other_products((own, thick_one, heavy_only, Product("Bare")), own)
    assert [one.name for one in house] == ["Oil 68"]
    assert house[0].expectation.density.nodes == ()
    assert isinstance(house[0], HouseProduct)


# --- Earlier runs ---


def earlier(viscosity: float, *, same: bool = True, day: str = "2026-02-01", density: float = NAN) -> EarlierRun:
    return EarlierRun(same, day, liquid_of("", found([viscosity], [density])))


OIL_46 = Product(
    "Oil 46",
    typical=(TypicalValue(KV, 40.0, 46.0, 0.46), TypicalValue(RHO, 40.0, 858.0, 0.5)),
    limits=(Limit(KV, 40.0, 41.4, 50.6, 1),),
    commodity="lubricating oil",
)
NOISE = Noise(0.002, 0.05, "")


def expected(*runs: EarlierRun, product: Product | None = OIL_46, lot: str = "L") -> Expectation:
    return expected_of(found([46.1, 46.3], [858.0, 858.2]), product, runs, NOISE, lot)


def test_which_expectation_holds() -> None:
    assert expected().basis == "typical"
    assert expected(product=replace(OIL_46, typical=())).basis == "specification"
    assert expected(product=replace(OIL_46, typical=(), limits=())).basis == "curve"
    curve = expected(product=None)
    assert (curve.basis, curve.commodity) == ("curve", "lubricating oil")
    assert curve.viscosity.nodes[0].mean == pytest.approx(np.median(np.log([46.1, 46.3])))
    assert curve.density.nodes[0].mean == pytest.approx(858.1)


def test_earlier_runs_of_the_sample_narrow_it() -> None:
    """Median of the runs; variance (0.2 %)²/n + (0.2 %)² (1 + 1/n) for days; density (0.05)² and 0.05² likewise."""
    one = expected(
        earlier(46.1, density=858.1),
        earlier(46.3, density=858.3, day="2026-02-03"),
        earlier(46.4, density=858.2),
    )
    assert (one.basis, one.words) == ("history", "3 earlier runs of this sample, the last on 2026-02-03")
    viscosity, density = one.observed
    assert viscosity == Observation(
        True, 40.0, pytest.approx(math.log(46.3)), pytest.approx(0.002 * math.sqrt(1 / 3 + 4 / 3))
    )
    assert density == Observation(False, 40.0, pytest.approx(858.2), pytest.approx(0.05 * math.sqrt(1 / 3 + 4 / 3)))
    single = expected(earlier(46.1))
    assert single.words == "an earlier run of this sample, on 2026-02-01"
    assert single.observed[0].sd == pytest.approx(0.002 * math.sqrt(3.0))


def test_earlier_runs_of_the_lot_spread_by_bottles_too() -> None:
    """(0.05 %)² (1 + 1/n) between bottles, where no run of the sample itself is among them."""
    one = expected(earlier(46.1, same=False), earlier(46.3, same=False))
    assert one.words == "2 earlier runs of lot L, the last on 2026-02-01"
    sd = math.sqrt(0.002**2 / 2.0 + 0.0005**2 * 1.5 + 0.002**2 * 1.5)
    assert one.observed[0] == Observation(True, 40.0, pytest.approx(np.log([46.1, 46.3]).mean()), pytest.approx(sd))
    heavy = expected(earlier(NAN, same=False, density=858.0))
    assert heavy.observed[0].sd == pytest.approx(math.sqrt(0.05**2 + 2 * 0.05**2 + 2 * 0.05**2))
    mixed = expected(earlier(46.1), earlier(46.4, same=False))
    assert mixed.words == "an earlier run of this sample, on 2026-02-01"
    assert mixed.observed[0].value == pytest.approx(math.log(46.1)), "the sample's own run counts"
    assert mixed.observed[0].sd == pytest.approx(0.002 * math.sqrt(1 / 2 + 3 / 2))


def test_determinations_of_a_run_are_one_value() -> None:
    run = EarlierRun(True, "2026-02-01", liquid_of("", found([46.0, 46.2], at=[40.02, 39.98])))
    assert expected(run).observed[0].value == pytest.approx(np.log([46.0, 46.2]).mean())


def test_earlier_runs_that_do_not_fit_the_product_are_not_believed() -> None:
    """Chi-square with 1 degree of freedom, 0.1 %: 3.29 standard deviations of √(1 %² + 3 · 0.2 %²)."""
    edge = math.sqrt(stats.chi2.isf(0.001, 1)) * math.sqrt(0.01**2 + 3.0 * 0.002**2)
    for away, basis in ((edge - 1e-5, "history"), (edge + 1e-5, "typical")):
        assert expected(earlier(46.0 * math.exp(away))).basis == basis
