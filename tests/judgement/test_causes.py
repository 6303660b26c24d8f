"""The physics of each cause by hand, the likelihoods by brute force, and what a chemist may add.

The laboratory is the small one of ``conftest``; its numbers are invented.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import iapws
import numpy as np
import pytest

from labcalc.errors import EvidenceError
from labcalc.judgement import Dossier, gather
from labcalc.judgement.causes import (
    CAUSES,
    PRIOR_ODDS,
    Evidence,
    evidence_of,
    rank_causes,
    what_if,
    with_measurement,
)
from labcalc.judgement.causes.mixtures import FUEL, SOLVENTS, WATER_DENSITY
from labcalc.judgement.causes.temperature_and_air import paths_of
from tests.judgement.conftest import GOOD, HEADER, LAB, REFERENCE

TYPICAL = """
typical = [
  { quantity = "kinematic viscosity", temperature_C = 40, mean = 46.12, standard_deviation = 0.40 },
  { quantity = "kinematic viscosity", temperature_C = 100, mean = 6.870, standard_deviation = 0.040 },
  { quantity = "density", temperature_C = 40, mean = 858.0, standard_deviation = 0.5 },
]

[[product]]
name = "Oil 32"
samples = ["T-*"]
typical = [
  { quantity = "kinematic viscosity", temperature_C = 40, mean = 32.00, standard_deviation = 0.30 },
  { quantity = "kinematic viscosity", temperature_C = 100, mean = 5.400, standard_deviation = 0.034 },
  { quantity = "density", temperature_C = 40, mean = 853.0, standard_deviation = 0.5 },
]
"""

WITH_TYPICAL = LAB.replace(
    """
typical = [
  { quantity = "density", temperature_C = 40, mean = 858.0, standard_deviation = 0.5 },
]
""",
    TYPICAL,
)

BEFORE = "B1,B-1,2026-03-02 07:30,VD,40,2.90,817.0\nB1,B-1,2026-03-02 07:40,VD,100,1.20,774.0\n"

Make = Callable[..., Dossier]


@pytest.fixture
def dossier(tmp_path: Path) -> Make:
    """Return the dossier of a run of an export."""

    def call(export: str = GOOD, record: str = REFERENCE + BEFORE, lab: str = WITH_TYPICAL, run: str = "S1") -> Dossier:
        (tmp_path / "lab.toml").write_text(lab, encoding="utf-8")
        (tmp_path / "record").mkdir(exist_ok=True)
        (tmp_path / "record" / "past.csv").write_text(HEADER + record, encoding="utf-8")
        (tmp_path / "today.csv").write_text(HEADER + export, encoding="utf-8")
        return gather([tmp_path / "today.csv"], tmp_path / "lab.toml").dossier(run)

    return call


@pytest.fixture
def evidence(dossier: Make) -> Evidence:
    return evidence_of(dossier())


def effect(evidence: Evidence, cause: str, where: str, size: float) -> np.ndarray:
    """What a cause of a size does to ln ν and ρ at 40 °C, ln ν and ρ at 100 °C."""
    paths = next(one for one in paths_of(evidence, PRIOR_ODDS) if one.cause == cause)
    number = next(i for i, words in enumerate(paths.where) if words == where and paths.sizes[i, 0] * size > 0)
    return np.array([np.interp(abs(size), np.abs(paths.sizes[number]), row) for row in paths.effects[number].T])


# --- Physics ---


def test_a_warm_cell_follows_the_oils_own_line(evidence: Evidence) -> None:
    """ASTM D341, log log (ν + 0.7) = A - B log T, solved here for the two typical values; 0.635 kg/m³ a kelvin."""
    W = [math.log10(math.log10(one + 0.7)) for one in (46.12, 6.870)]
    B = (W[0] - W[1]) / math.log10(373.15 / 313.15)
    warm = 10.0 ** (10.0 ** (W[0] - B * math.log10(313.45 / 313.15))) - 0.7
    change = effect(evidence, "cell temperature", "at 40 °C", 0.3)
    assert change[0] == pytest.approx(math.log(warm / 46.12), rel=5e-3)
    assert change[1] == pytest.approx(-0.3 * 0.635, rel=0.02)
    assert change[2:] == pytest.approx([0.0, 0.0])
    cold = effect(evidence, "cell temperature", "at every temperature", -0.3)
    assert (cold[[0, 2]] > 0.0).all()
    assert cold[[1, 3]] == pytest.approx([0.3 * 0.635] * 2, rel=0.02)


def test_air_lowers_density_and_leaves_dynamic_viscosity(evidence: Evidence) -> None:
    """Mass balance: the air in the cell weighs nothing; η = ν·ρ is measured, so ν rises as ρ falls."""
    change = effect(evidence, "air bubble", "at 100 °C", 0.005)
    density = evidence.expected[3]
    assert change[3] == pytest.approx(-0.005 * density, rel=1e-3)
    assert change[2] + math.log1p(change[3] / density) == pytest.approx(0.0, abs=1e-5)
    assert change[:2] == pytest.approx([0.0, 0.0])


def test_a_residue_is_blended_by_two_rules(evidence: Evidence) -> None:
    """2 % of the gas oil before: the double-log rule of ASTM D7152 and ln ν in proportion, worked out here."""
    paths = next(one for one in paths_of(evidence, PRIOR_ODDS) if one.cause == "residue")
    half = len(paths.where) // 2
    double, plain = ([np.interp(0.02, paths.sizes[i], row) for row in paths.effects[i].T] for i in (0, half))
    for place, (own, other) in enumerate([(46.12, 2.90), (6.870, 1.20)]):
        thin = [0.7 + math.exp(-1.47 - 1.84 * one - 0.51 * one**2) for one in (own, other)]
        W = [math.log10(math.log10(one + more)) for one, more in zip((own, other), thin, strict=True)]
        blended = 10.0 ** (10.0 ** (W[0] + 0.02 * (W[1] - W[0]))) - 0.7
        assert double[2 * place] == pytest.approx(math.log(blended / own), rel=0.01)
        assert plain[2 * place] == pytest.approx(0.02 * math.log(other / own), rel=0.01)
    assert double[1] == pytest.approx(0.02 * (817.0 - 858.0), rel=0.01)


def test_water_thickens_and_makes_heavier(evidence: Evidence) -> None:
    """1 % of drops: by volume (992.2 - 858) / 100, and by G. I. Taylor (1932) between 1 and 2.5 times the fraction."""
    change = effect(evidence, "water", "", 0.01)
    assert change[1] == pytest.approx(0.01 * (992.2 - 858.0), rel=0.01)
    thicker = change[0] + math.log1p(change[1] / 858.0)  # ln η
    assert 0.01 < thicker < 0.025
    assert thicker == pytest.approx(0.01 * (1.0 + 2.5 * 0.653 / 39.6) / (1.0 + 0.653 / 39.6), rel=0.02)


def test_densities_of_water() -> None:
    """IAPWS-95, by an independent implementation; above 100 °C at 0.3 MPa."""
    for T, density in zip(*WATER_DENSITY, strict=True):
        state = iapws.IAPWS95(T=T + 273.15 + 0.01 * (T == 0.0), P=0.1 if T < 99.0 else 0.3)
        assert density == pytest.approx(state.rho, abs=0.06)


def test_usual_liquids_are_within_their_standards() -> None:
    """EN 590: gas oil 2.00 to 4.50 mm²/s at 40 °C, 820 to 845 kg/m³ at 15 °C. Solvents: memory."""
    assert 2.0 <= float(FUEL.viscosity_at(40.0)) <= 4.5
    assert 820.0 <= float(FUEL.density_at(15.0)) <= 845.0
    densities = [float(one.density_at(40.0)) for one in SOLVENTS]
    assert densities == sorted(densities)
    assert all(0.3 < float(one.viscosity_at(40.0)) < 0.7 for one in SOLVENTS)


def test_with_one_fill_the_solvent_boils_off_when_hot(evidence: Evidence) -> None:
    paths = next(one for one in paths_of(evidence, PRIOR_ODDS) if one.cause == "solvent")
    assert (np.abs(paths.effects[:, :, 2]) < np.abs(paths.effects[:, :, 0])).all()


def test_nothing_wrong_needs_no_explanation(evidence: Evidence) -> None:
    leading = rank_causes(evidence)[0]
    assert leading.cause == "noise"
    assert leading.probability > 0.9
    assert math.isnan(leading.size)
    assert leading.unit == ""


def test_the_odds_are_those_that_are_given(dossier: Make) -> None:
    warm = evidence_of(dossier(GOOD.replace("46.12", "45.50")))
    usual = rank_causes(warm)
    only = rank_causes(warm, {"noise": 1.0, "cell temperature": 1.0})
    assert {one.cause for one in only} == {"noise", "cell temperature"}
    ratio = {one.cause: one.probability for one in usual}
    even = {one.cause: one.probability for one in only}
    prior = PRIOR_ODDS["cell temperature"] / PRIOR_ODDS["noise"]
    assert ratio["cell temperature"] / ratio["noise"] == pytest.approx(prior * even["cell temperature"] / even["noise"])
    with pytest.raises(EvidenceError, match="'dust' is no cause; there are: noise, cell temperature"):
        rank_causes(warm, {"dust": 1.0})
    assert sum(PRIOR_ODDS.values()) == pytest.approx(1.0)
    assert set(PRIOR_ODDS) == set(CAUSES)


def test_a_cause_that_cannot_be_is_left_out(dossier: Make) -> None:
    first = evidence_of(dossier(record="", export=GOOD))
    assert first.before is None
    assert "residue" not in {one.cause for one in rank_causes(first)}


# --- What it is compared with ---


def test_without_typical_values_the_specification_is_a_wide_expectation(dossier: Make) -> None:
    """Limits 41.4 to 50.6 mm²/s: the middle of their logarithms, the spread a quarter of their distance."""
    bare = WITH_TYPICAL.replace(TYPICAL, "")
    evidence = evidence_of(dossier(lab=bare))
    assert evidence.course.basis == "specification"
    assert evidence.course.words == "the middle of the specification of Oil 46"
    assert evidence.expected[0] == pytest.approx(math.sqrt(41.4 * 50.6))
    assert evidence.expected_sd[0] / evidence.expected[0] == pytest.approx(math.log(50.6 / 41.4) / 4.0)


def test_of_an_unknown_product_only_the_shape_speaks(dossier: Make) -> None:
    """Air that comes out on heating: the density falls too fast with temperature, whatever the oil is."""
    good = GOOD.replace("S-1", "X-1")
    as_usual, aired = (evidence_of(dossier(one)) for one in (good, good.replace("819.9", "808.9")))
    assert as_usual.course.basis == aired.course.basis == "curve"
    assert rank_causes(as_usual)[0].cause == "noise"
    leading = rank_causes(aired)[0]
    assert (leading.cause, leading.where) == ("air bubble", "at 100 °C")
    assert leading.size == pytest.approx(100.0 * 11.0 / 820.0, rel=0.2)


def test_what_is_not_known_is_refused_in_words(dossier: Make) -> None:
    with pytest.raises(EvidenceError, match="run S1 can't be compared with what is usual"):
        evidence_of(dossier(GOOD.replace("46.12", "0.1").replace("S-1", "X-1")))


LATER = "S2,S-1,2026-03-02 12:00,VD,40,46.20,858.1\n"
EARLIER = "S0,S-1,2026-03-01 12:00,VD,40,46.10,858.0\nS0,S-1,2026-03-01 12:10,VD,100,6.868,819.9\n"


def test_history_is_earlier(dossier: Make) -> None:
    record = REFERENCE + EARLIER + LATER
    assert set(dossier(record=record).history["run"]) == {"S0"}
    evidence = evidence_of(dossier(record=record))
    assert evidence.course.words == "an earlier run of this sample, on 2026-03-01"
    assert evidence.expected_sd[0] < 0.15  # 0.40 mm²/s is the product's


def test_history_is_in_the_digest(dossier: Make) -> None:
    one, other = (dossier(record=REFERENCE + text).digest for text in (EARLIER, EARLIER.replace("6.868", "6.869")))
    assert one != other
    assert dossier(record=REFERENCE + EARLIER + LATER).digest == one


def test_history_that_does_not_fit_the_product_is_not_believed(dossier: Make) -> None:
    wrong = EARLIER.replace("46.10", "40.10")
    assert evidence_of(dossier(record=REFERENCE + wrong)).course.basis == "typical"


def test_a_result_as_the_earlier_ones_is_met_and_another_is_doubtful(dossier: Make) -> None:
    from labcalc.judgement import judge

    def check(export: str) -> tuple[str, str]:
        checks = judge(dossier(export, record=REFERENCE + EARLIER)).checks
        found = next(one for one in checks if one.name == "Earlier runs of the sample and its lot")
        return found.state, found.finding

    state, finding = check(GOOD)
    assert state == "met"
    assert "density at 40 °C, 858.1 kg/m³, is +0.10 kg/m³ from an earlier run" in finding
    state, finding = check(GOOD.replace("46.12,858.1", "45.10,857.7"))
    assert state == "doubtful"
    assert "kinematic viscosity at 40 °C, 45.10 mm²/s, is −2.2 % from an earlier run, 46.10 mm²/s" in finding


# --- What a chemist adds ---


def test_a_measurement_added_decides(dossier: Make) -> None:
    """A thin result after a gas oil is residue or fuel; a clean refill that is right leaves the residue."""
    thin = "S1,S-1,2026-03-02 08:00,VD,40,43.30,857.1\nS1,S-1,2026-03-02 08:10,VD,100,6.610,818.9\n"
    evidence = evidence_of(dossier(thin))
    before = {one.cause: one.probability for one in rank_causes(evidence)}
    assert before["residue"] > 0.2
    assert before["dilution"] > 0.05
    right, same = (
        with_measurement(evidence, "kinematic viscosity", 40.0, nu, "refill and repeat") for nu in (46.1, 43.3)
    )
    assert len(evidence.rows) == 4
    assert right.rows[-1].replicate == 2
    assert rank_causes(right)[0].cause == "residue"
    assert rank_causes(right)[0].probability > 0.95
    assert next(one.probability for one in rank_causes(same) if one.cause == "residue") < 0.01


def test_a_reference_oil_shows_a_warm_cell(dossier: Make) -> None:
    """The certified 50.00 mm²/s, read 1.4 % low at 40 °C as the sample was: the cell, or the instrument."""
    low = evidence_of(dossier(GOOD.replace("46.12", "45.40")))
    again = with_measurement(low, "kinematic viscosity", 40.0, 49.20, "reference oil")
    assert again.rows[-1].oil == "RO-1 lot A"
    assert again.expected[-1] == pytest.approx(50.0)
    assert rank_causes(again)[0].cause in ("cell temperature", "instrument bias")
    right = with_measurement(low, "kinematic viscosity", 40.0, 50.01, "reference oil")
    before, after = ({one.cause: one.probability for one in rank_causes(these)} for these in (low, right))
    assert after["cell temperature"] < before["cell temperature"], "but a cell that settled meanwhile is possible"
    assert after["instrument bias"] < 0.8 * before["instrument bias"]
    with pytest.raises(EvidenceError, match="no certified kinematic viscosity at 100 °C"):
        with_measurement(low, "kinematic viscosity", 100.0, 7.0, "reference oil")


def test_the_original_record_takes_the_place_of_the_value(dossier: Make) -> None:
    slipped = evidence_of(dossier(GOOD.replace("46.12", "39.58")))  # mPa·s under mm²/s
    leading = rank_causes(slipped)[0]
    assert leading.cause == "slip"
    assert leading.where == "mPa·s written under mm²/s: kinematic viscosity at 40 °C"
    assert leading.next_measurement is not None
    assert leading.next_measurement.kind == "original record"
    corrected = with_measurement(slipped, "kinematic viscosity", 40.0, 46.12, "original record")
    assert len(corrected.rows) == len(slipped.rows)
    assert rank_causes(corrected)[0].cause == "noise"


def test_digits_exchanged_are_seen(dossier: Make) -> None:
    leading = rank_causes(evidence_of(dossier(GOOD.replace("46.12", "64.12"))))[0]
    assert leading.cause == "slip"
    assert leading.where == "digits exchanged: kinematic viscosity at 40 °C, 64.12 for 46.12"


def test_what_cannot_be_added_is_refused(evidence: Evidence) -> None:
    with pytest.raises(EvidenceError, match="'shake' is no kind of measurement; there are: refill and repeat"):
        with_measurement(evidence, "density", 40.0, 858.0, "shake")
    with pytest.raises(EvidenceError, match="'colour' can't be added"):
        with_measurement(evidence, "colour", 40.0, 858.0, "refill and repeat")
    with pytest.raises(EvidenceError, match="density −1 at 40 °C: 300 to 2000 at −100 °C to 400 °C is expected"):
        with_measurement(evidence, "density", 40.0, -1.0, "refill and repeat")
    with pytest.raises(EvidenceError, match="run S1 holds no density at 60 °C to correct"):
        with_measurement(evidence, "density", 60.0, 850.0, "original record")


# --- What if ---


def test_what_if_nothing_is_wrong(evidence: Evidence) -> None:
    nothing = what_if(evidence)
    assert nothing.predicted == pytest.approx(evidence.expected)
    noise = next(one for one in rank_causes(evidence) if one.cause == "noise")
    assert nothing.misfit == pytest.approx(noise.misfit)
    assert nothing.residual_sd == pytest.approx(evidence.residual_sd)


def test_what_if_adds_up_what_each_cause_does(evidence: Evidence) -> None:
    warm, aired, both = (
        what_if(evidence, 0.3),
        what_if(evidence, bubble_fraction=0.002),
        what_if(evidence, 0.3, 0, 0, 0.002),
    )
    thick = evidence.viscous
    apart = np.log(warm.predicted[thick] * aired.predicted[thick] / evidence.expected[thick])
    assert np.log(both.predicted[thick]) == pytest.approx(apart)
    assert warm.predicted[0] < evidence.expected[0]
    thin = what_if(evidence, residue_fraction=0.02, dilution_fraction=0.02)
    assert (thin.predicted < evidence.expected).all()
    assert "standard deviations" in thin.sentence


def test_what_if_refuses_what_cannot_be(evidence: Evidence) -> None:
    with pytest.raises(EvidenceError, match=r"fraction 1\.2: expected 0 to 0\.9"):
        what_if(evidence, residue_fraction=1.2)
    with pytest.raises(EvidenceError, match="temperature offset 40 K: expected −20 K to 20 K"):
        what_if(evidence, 40.0)


def test_a_derived_viscosity_moves_with_the_density(evidence: Evidence) -> None:
    apart, together = (replace(evidence, coupled=coupled) for coupled in (False, True))
    still, moved = (what_if(one, bubble_fraction=0.01).predicted[0] for one in (apart, together))
    assert still == pytest.approx(evidence.expected[0])
    assert moved == pytest.approx(evidence.expected[0] / 0.99)
