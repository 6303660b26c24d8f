"""What headers say: lists of the trade's headers, any order, what stays open, and how long it takes."""

from __future__ import annotations

import csv
import time
from itertools import permutations
from pathlib import Path

import pytest
from hypothesis import given, settings, strategies as st

from labcalc.exports.grammar.headers import LANGUAGES, _lines, folded, word_of
from labcalc.exports.grammar.vocabulary import Meaning, carries_measured_unit, meaning_of, unit_of

HERE = Path(__file__).parent


def rows_of(name: str) -> list[dict[str, str]]:
    lines = (HERE / name).read_text("utf-8").splitlines()
    return list(csv.DictReader((line for line in lines if not line.startswith("#")), delimiter=";"))


FAMILIES: dict[tuple[str, str], list[dict[str, str]]] = {}
for _row in rows_of("trade_headers.csv"):
    FAMILIES.setdefault((_row["language"], _row["holds"]), []).append(_row)
SECOND: dict[str, list[str]] = {}
for _row in rows_of("more_trade_headers.csv"):
    SECOND.setdefault(_row["holds"], []).append(_row["header"])
KNOWN_BEFORE = {row["holds"]: row["words"].split("|") for row in rows_of("words_known_before.csv")}


@pytest.mark.parametrize("family", FAMILIES, ids="-".join)
def test_a_family_of_headers(family: tuple[str, str]) -> None:
    for row in FAMILIES[family]:
        meaning = meaning_of(row["header"])
        assert meaning is not None, row["header"]
        assert meaning.holds == row["holds"], row["header"]
        assert (meaning.unit is None) == (not row["unit"]), row["header"]
        assert meaning.unit is None or unit_of(meaning.unit) == unit_of(row["unit"]) is not None, row["header"]
        at = float(row["temperature_C"]) if row["temperature_C"] else None
        assert meaning.temperature_C == at, row["header"]
        assert (meaning.qualifier or meaning.statistic or "") == row["qualifier"], row["header"]
        assert (meaning.method or "") == row["method"], row["header"]


@pytest.mark.parametrize("holds", SECOND)
def test_a_second_list(holds: str) -> None:
    for header in SECOND[holds]:
        meaning = meaning_of(header)
        assert meaning is not None, header
        assert meaning.holds in (holds, "viscosity" if "viscosity" in holds else holds), header


@pytest.mark.regression
@pytest.mark.parametrize("holds", KNOWN_BEFORE)
def test_what_was_understood_before_is_understood_alike(holds: str) -> None:
    for word in KNOWN_BEFORE[holds]:
        for header in (word, word.upper(), word.replace(" ", "_"), word.replace(" ", "."), f"{word}:"):
            meaning = meaning_of(header)
            assert meaning is not None, header
            assert (meaning.holds, meaning.unit, meaning.temperature_C) == (holds, None, None), header


VISCOSITY = {
    "en": ("Kinematic", "viscosity", "at 40 °C"),
    "de": ("kinematische", "Viskosität", "bei 40 °C"),
    "fr": ("cinématique", "viscosité", "à 40 °C"),
    "es": ("cinemática", "viscosidad", "a 40 °C"),
    "it": ("cinematica", "viscosità", "a 40 °C"),
    "pt": ("cinemática", "viscosidade", "a 40 °C"),
    "nl": ("kinematische", "viscositeit", "bij 40 °C"),
    "sv": ("kinematisk", "viskositet", "vid 40 °C"),
    "pl": ("kinematyczna", "lepkość", "w 40 °C"),
}


@pytest.mark.parametrize("language", LANGUAGES)
def test_any_order(language: str) -> None:
    for parts in permutations((*VISCOSITY[language], "(mm²/s)", "ASTM D445")):
        meaning = meaning_of(" ".join(parts))
        assert meaning == Meaning("kinematic viscosity", "mm2/s", 40.0, method="ASTM D445"), parts


@pytest.mark.parametrize(
    "header",
    ["KV 40 °C", "KV 104 °F", "KV 313.15 K", "KV40", "KV_40C", "KV @ 40", "KV 40,0 °C", "KV(40°C)", "KV 40oC",
     "KV at 40 deg. C", "40 °C KV", "KV at temperature 40 °C", "KV (T = 40 °C)"],
)  # fmt: skip
def test_a_temperature_in_any_spelling(header: str) -> None:
    assert meaning_of(header) == Meaning("kinematic viscosity", temperature_C=40.0)


@pytest.mark.parametrize(
    ("header", "sample", "water"),
    [("SG 60/60", 60, 60), ("SG 60/60 °F", 60, 60), ("Sp. gr. 60°/60°F", 60, 60), ("d 15/4", 59, 39.2),
     ("Relative density 20 °C/20 °C", 68, 68), ("Densité relative 15/4", 59, 39.2)],
)  # fmt: skip
def test_temperatures_of_a_relative_density(header: str, sample: float, water: float) -> None:
    """In °F, by hand. 60/60 without a letter is °F by ASTM D1298 (memory); there is no water at 15 °F or 20 °F."""
    meaning = meaning_of(header)
    assert meaning is not None
    assert (meaning.temperature_C, meaning.water_C) == pytest.approx(((sample - 32) / 1.8, (water - 32) / 1.8))


OPEN = {
    "D": False, "V": False, "U": False, "API": True, "Tag": False, "Serial number": False,  # read two ways
    "Time (s)": False, "T90 (°C)": True, "Charge (C)": True,
    "KV1 (cSt)": True, "KV 2 [mm²/s]": True, "KV40 (1) (cSt)": True, "Rep 1 KV40 (cSt)": True,  # a repeat?
    "KV-40 °C (cSt)": True, "D445-40C (cSt)": True, "D4052-15 (g/ml)": True,  # a dash or a sign, an edition?
    "KV210 (cSt)": True, "D60 (g/cm³)": True,  # °F?
    "KV 40 °C 100 °C (cSt)": True, "V40/V100": False, "Kinematic and dynamic viscosity (cSt)": True,
    "Density 15/4 (g/ml)": True, "relative density 50/50": False, "SG 60/60 °F at 15 °C": False, "Gravity": False,
    "ASTM D445": True, "ASTM D4052 (°C)": True, "mm²/s": True, "Result (°C)": True,  # no quantity
    "Density temperature (°C)": True, "Product temperature (°C)": True,
    "Density of water (kg/m³)": True, "Delta KV (cSt)": True, "Density in air (kg/m³)": True,  # a word unknown
    "Rotor 3, 100 rpm (mPa·s)": True, "Density [kg/m³/K]": True,
    "Constant (mm²/s²)": False, "α (1/K)": False, "Torque (mN·m)": False, "Water (mg/kg)": False, "Size": False,
    "Flash point (°C)": False, "Pourpoint °C": False, "Raumtemperatur (°C)": False, "Temp. ambiante (°C)": False,
    "Viscosity ASTM D5293 -25 °C (mPa·s)": False, "Apparent viscosity (cP)": False, "Viscosity index": False,
    "API service category": False, "Sampling date": False, "Density comment (g/ml)": True,
}  # fmt: skip


@pytest.mark.parametrize("header", OPEN)
def test_what_is_not_decided_is_open(header: str) -> None:
    assert meaning_of(header) is None
    assert carries_measured_unit(header) == OPEN[header]


def test_every_word_says_one_thing() -> None:
    seen: dict[str, tuple[str, str]] = {}
    for line in _lines()[1:]:
        part, meaning, language, words = line.split(",")
        assert language in ("", *LANGUAGES)
        for word in words.split("|"):
            assert seen.setdefault(folded(word), (part, meaning)) == (part, meaning), word
    assert len(seen) > 1000
    assert word_of("visk", is_abbreviated=True) == (("quantity", "viscosity"),)
    assert word_of("anal", is_abbreviated=True) == (), "analyst or analyser"
    assert word_of("runde") == (), "no run"


@pytest.mark.parametrize(
    "piece",
    ["x", "viscosity ", "40 °C ", "mm²/s ", "1/", "(", "mm·", "D445 ", "ISO ", "DIN EN ", "d'", "n° ", "k=", "mess",
     "°", "60/60 ", "-1", "kv", ". "],
)  # fmt: skip
def test_a_huge_header_takes_no_time(piece: str) -> None:
    for header in (piece * 100_000, (piece * 200)[:200], "KV (cSt) " + (piece * 200)[:190]):
        started = time.process_time()
        assert meaning_of(header) is None or len(header) <= 200
        carries_measured_unit(header)
        assert time.process_time() - started < 0.2


PIECES = ["KV", "40", "°C", "(", ")", "mm²/s", "-", "/", "60/60", "D", "D445", "ISO 3104", "Soll", "°", "n°", " ", ".",
          "API", "mean", "Probe", "Nr", "t", "K", "U", "\0", "%", "60 °F", "k=2", "Datum", "hh:mm", "SG"]  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(st.one_of(st.text(max_size=60), st.lists(st.sampled_from(PIECES), max_size=8).map("".join)))
def test_any_text_is_understood_or_not(header: str) -> None:
    meaning = meaning_of(header)
    assert meaning is None or meaning.holds
    assert carries_measured_unit(header) in (True, False)
