"""Each fault planted in the sample laboratory's exports that the reader takes is the leading cause of its run."""

from __future__ import annotations

import csv
import math
from dataclasses import replace

import pytest

from labcalc.judgement import Material, gather, judge
from labcalc.judgement.causes import Explanation, evidence_of, rank_causes, with_measurement
from labcalc.judgement.causes.explanation import other_half
from labcalc.judgement.causes.words import titled
from labcalc.shipped import sample_exports, sample_lab

with (sample_lab().parent / "planted_faults.csv").open(encoding="utf-8") as _file:
    PLANTED = {row["sample"]: row for row in csv.DictReader(_file) if row["reader"] == "takes"}

FOUND = {
    "HX68-26-0512": ("air bubble", "in fill 1, at 40 °C", 0.44),  # 3.8 kg/m³ of 863
    "BL-26-0525": ("residue", "", 3.0),
    "HX32-26-0531": ("cell temperature", "at 40 °C", 0.3),
    "BL-26-0560": ("solvent", "a light hydrocarbon such as heptane", 2.5),
    "MX15-26-0570": ("dilution", "a kerosine, a gas oil or a petrol", 4.0),
    "HX68-26-0581": ("another product", "Base oil heavy", math.nan),
    "BH-26-0584": ("another product", "Hydraulic oil HX 68", math.nan),
    "MX15-26-0586": ("slip", "mPa·s written under mm²/s: kinematic viscosity at 40 °C", math.nan),
    "HX46-26-0607": ("air bubble", "at 100 °C", 0.73),  # 6 kg/m³ of 820
}
"""Sample → cause, place, and size where there is one: sizes from planted_faults.csv, bubbles over the density."""


ALIKE = {"HX32-26-0531": 0.55}
"""A cell 0.3 K too warm and 0.2 % of acetone do the same to both quantities; a refill tells them apart."""


@pytest.fixture(scope="module")
def material() -> Material:
    return gather(sample_exports(), sample_lab())


@pytest.fixture(scope="module")
def ranked(material: Material) -> dict[str, tuple[Explanation, ...]]:
    table = material.reading.table
    first = {sample: table.loc[table["sample"] == sample, "run"].iloc[0] for sample in FOUND}
    return {sample: rank_causes(evidence_of(material.dossier(run))) for sample, run in first.items()}


def test_every_planted_fault_is_asked_for() -> None:
    assert set(PLANTED) == set(FOUND)


@pytest.mark.parametrize("sample", FOUND)
def test_the_planted_fault_leads(sample: str, ranked: dict[str, tuple[Explanation, ...]]) -> None:
    cause, where, size = FOUND[sample]
    leading = ranked[sample][0]
    assert (leading.cause, leading.where) == (cause, where), leading.sentence
    assert leading.probability > ALIKE.get(sample, 0.7)
    assert leading.p_value > 0.05
    if not math.isnan(size):
        assert leading.lowest <= size <= leading.highest
    noise = next(one for one in ranked[sample] if one.cause == "noise")
    assert noise.probability < (0.05 if sample in ALIKE else 0.005)


def test_probabilities_are_of_one_whole(ranked: dict[str, tuple[Explanation, ...]]) -> None:
    for explanations in ranked.values():
        stated = [one.probability for one in explanations]
        assert sum(stated) == pytest.approx(1.0)
        assert stated == sorted(stated, reverse=True)


def test_fuel_and_a_residue_of_gas_oil_are_told_apart_by_context_only(
    ranked: dict[str, tuple[Explanation, ...]],
) -> None:
    """After a gas oil both explain the numbers, and the words say so; after another oil the residue doesn't."""
    after_gas_oil, after_base_oil = ranked["BL-26-0525"], ranked["MX15-26-0570"]
    assert [one.cause for one in after_gas_oil[:2]] == ["residue", "dilution"]
    assert "hardly tell it from: fuel or another thin liquid in the sample" in after_gas_oil[0].sentence
    step = after_gas_oil[0].next_measurement
    assert step is not None
    assert step.kind == "refill and repeat"
    apart = f". Chance that this tells '{titled('residue')}' from '{titled('dilution')}': nine in ten."
    assert step.sentence.endswith(apart), "95 % and more"
    assert "a residue of such a liquid in the cell looks the same" in after_base_oil[0].sentence
    assert next(one for one in after_base_oil if one.cause == "residue").probability < 0.02


def test_a_refill_tells_a_warm_cell_from_a_solvent(material: Material) -> None:
    """What shows again in a clean cell was no solvent; so does a reference oil that reads as at 40.3 °C."""
    table = material.reading.table
    evidence = evidence_of(material.dossier(table.loc[table["sample"] == "HX32-26-0531", "run"].iloc[0]))
    again = evidence
    for quantity, value in (("kinematic viscosity", 31.54), ("density", 854.8)):
        again = with_measurement(again, quantity, 40.0, value, "refill and repeat")
    thin = evidence.reference_oils[0].liquid
    warm = float(thin.viscosity_at(40.3))
    checked = with_measurement(evidence, "kinematic viscosity", 40.0, warm, "reference oil")
    for more in (again, checked):
        first = rank_causes(more)[0]
        assert first.cause == "cell temperature"
        assert first.probability > 0.95


def test_cautions_come_with_what_is_to_be_done(ranked: dict[str, tuple[Explanation, ...]]) -> None:
    assert "solvents burn" in ranked["BL-26-0560"][0].caution
    assert "100 °C burn the skin" in ranked["HX32-26-0531"][0].caution
    record = ranked["MX15-26-0586"][0]
    assert record.next_measurement is not None
    assert record.next_measurement.kind == "original record"
    assert record.caution == ""


def test_a_warm_cell_is_doubtful_by_the_other_samples_of_its_lot(material: Material) -> None:
    table = material.reading.table
    judgement = judge(material.dossier(table.loc[table["sample"] == "HX32-26-0531", "run"].iloc[0]))
    check = next(one for one in judgement.checks if one.name.startswith("Earlier runs"))
    assert check.state == "doubtful"
    assert "is −1.3 % from the median of 4 earlier runs" in check.finding
    assert judgement.leading is not None
    assert judgement.leading.cause == "cell temperature"
    assert f". {judgement.leading.sentence}" in judgement.reason


def test_a_right_result_after_a_wrong_one_is_not_blamed(material: Material) -> None:
    """BH-26-0584 was measured again on the other instrument, after the bottles had been exchanged."""
    table = material.reading.table
    again = table.loc[table["sample"] == "BH-26-0584", "run"].iloc[-1]
    evidence = evidence_of(material.dossier(again))
    assert evidence.course.basis == "typical"
    assert rank_causes(evidence)[0].cause == "noise"


def test_both_halves_of_a_swap_name_each_other(material: Material) -> None:
    """Two bottles of one morning were exchanged; the day's other runs of these products are not named."""
    pair = ("HX68-26-0581", "BH-26-0584")
    table = material.reading.table
    runs = [str(table.loc[table["sample"] == sample, "run"].iloc[0]) for sample in pair]
    for run, other, sample in zip(runs, runs[::-1], pair[::-1], strict=True):
        words = f"ts bottle seems exchanged with {sample} (run {other}, same day)"
        judgement = judge(material.dossier(run))
        assert f"; i{words}" in judgement.reason
        assert f" I{words}." in rank_causes(evidence_of(judgement.dossier))[0].sentence


def test_no_other_half_is_named_where_the_other_bottle_is_right(material: Material) -> None:
    """The right bottle of the day shows its own product's numbers: the swap isn't solved, and nobody is named."""
    table = material.reading.table
    evidence = evidence_of(material.dossier(table.loc[table["sample"] == "HX68-26-0581", "run"].iloc[0]))
    assert evidence.day is not None
    right = evidence.day.copy()
    heavy = right["product"] == "Base oil heavy"
    for T, viscosity, density in ((40.0, 96.9, 866.5), (100.0, 11.0, 827.9)):
        here = heavy & (right["temperature_C"].round() == T)
        right.loc[here, ["kinematic_viscosity_mm2_s", "density_kg_m3"]] = viscosity, density
    assert other_half(evidence, "Base oil heavy") is not None
    assert other_half(replace(evidence, day=right), "Base oil heavy") is None
