"""A run beside earlier runs, its curves, and the dossier that it is judged by: windows and numbers by hand.

The oils are invented. What stands out is 0.6 % of viscosity and 0.25 kg/m³ of density, from the median of earlier runs.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from labcalc import formulae
from labcalc.errors import UnknownRunError
from labcalc.judgement import Check, Judgement, Material, density_curve, gather, gather_record, viscosity_curve
from tests.judgement.conftest import GOOD, HEADER, LAB, REFERENCE, Judge

COLD = "S1,S-1,2026-03-02 08:00,VD,40,46.00,858.00\n"


def earlier(name: str, day: int, viscosity: float | str, density: float | str, sample: str = "S-1") -> str:
    return f"{name},{sample},2026-02-{day:02} 08:00,VD,40,{viscosity},{density}\n"


def check(judgement: Judgement) -> Check:
    (found,) = (one for one in judgement.checks if one.name == "Earlier runs of the sample and its lot")
    return found


# --- Earlier runs ---


def test_the_difference_from_the_median_of_earlier_runs(judged: Judge) -> None:
    """Median of 45.90, 46.10, 45.80: 46.00 is 0.22 % above 45.90; density 858.00 is 0.05 above 857.95."""
    record = earlier("E1", 1, 45.90, 857.90) + earlier("E2", 2, 46.10, 857.95) + earlier("E3", 3, 45.80, 858.10)
    found = check(judged(COLD, record=REFERENCE + record))
    assert (found.state, found.finding) == (
        "met",
        "kinematic viscosity at 40 °C, 46.00 mm²/s, is +0.22 % from the median of 3 earlier runs, 45.90 mm²/s; 0.6 % "
        "stands out (the worst of 2)",
    )
    dense = check(judged(COLD, record=REFERENCE + earlier("E1", 1, 46.00, 857.80)))
    assert dense.finding == (
        "density at 40 °C, 858.0 kg/m³, is +0.20 kg/m³ from an earlier run, 857.8 kg/m³; 0.25 kg/m³ stands out "
        "(the worst of 2)"
    )


def test_repeats_of_an_earlier_run_are_one_value(judged: Judge) -> None:
    """(45.80 + 46.00) / 2 = 45.90, and 45.70: the median of two is 45.80, 0.44 % below."""
    record = earlier("E1", 1, 45.80, "") + earlier("E1", 1, 46.00, "") + earlier("E2", 2, 45.70, "")
    found = check(judged(COLD.replace("858.00", ""), record=REFERENCE + record))
    assert found.finding == (
        "kinematic viscosity at 40 °C, 46.00 mm²/s, is +0.44 % from the median of 2 earlier runs, 45.80 mm²/s; 0.6 % "
        "stands out"
    )


@pytest.mark.parametrize(
    ("density", "words"), [("858.25", False), ("858.26", True), ("857.75", False), ("857.74", True)]
)
def test_what_stands_out_is_looked_into(judged: Judge, density: str, words: bool) -> None:
    """0.25 kg/m³ from 858.00, which binary holds: noise and spread explain it, which is said only beyond."""
    export = COLD.replace("858.00", density)
    found = check(judged(export, record=REFERENCE + earlier("E1", 1, 46.00, 858.00)))
    assert found.state == "met"
    assert ("noise and spread explain this run (probability " in found.finding) is words


def test_only_results_at_the_same_temperature_count(judged: Judge) -> None:
    for away, known in (("40.04", True), ("40.06", False), ("39.96", True), ("39.94", False)):
        record = earlier("E1", 1, 46.00, 858.00).replace("VD,40,", f"VD,{away},")
        found = check(judged(COLD, record=REFERENCE + record))
        assert (found.finding == "the record holds no earlier run with a result to compare") is not known
    assert check(judged(COLD)).state == "not checked"


# --- Curves ---


def test_the_grid_of_a_curve(judged: Judge) -> None:
    """19 points from 20 K below the coldest to 20 K above the hottest or what it has to reach, and the measured."""
    results = judged().results
    curve = viscosity_curve(results)
    assert curve is not None
    assert curve.temperature_C.tolist() == pytest.approx(sorted([*np.linspace(20.0, 120.0, 19), 40.0, 100.0]))
    assert (curve.measured_C.tolist(), curve.measured.tolist()) == ([40.0, 100.0], [46.12, 6.870])
    assert curve.interval_C == (40.0, 100.0)
    further = viscosity_curve(results, (0.0, 50.0))
    assert further is not None
    assert (further.temperature_C[0], further.temperature_C[-1]) == (-20.0, 120.0)
    at_40 = (math.log10(math.log10(46.82)), math.log10(math.log10(7.57)))
    share = (np.log10(curve.temperature_C + 273.15) - math.log10(313.15)) / math.log10(373.15 / 313.15)
    expected = 10.0**10.0 ** (at_40[0] + share * (at_40[1] - at_40[0])) - 0.7
    assert curve.value == pytest.approx(expected, rel=1e-4), "ASTM D341-20, exactly through both points"


def test_the_band_of_a_line_through_two_points(judged: Judge) -> None:
    """At a measured temperature it is U of the result, 0.5 %; the points are independent as stated."""
    curve = viscosity_curve(judged().results, (39.0,))
    assert curve is not None
    lean = viscosity_curve(judged(GOOD.replace("VD,40", "VD,20").replace("VD,100", "VD,80")).results)
    assert lean is not None
    assert lean.half_width[0] / lean.value[0] > 0.005
    place = int(np.argmin(np.abs(curve.temperature_C - 40.0)))
    assert curve.half_width[place] / curve.value[place] == pytest.approx(0.005, rel=0.1)


def test_repeats_are_points_of_their_own(judged: Judge) -> None:
    curve = viscosity_curve(judged(GOOD + "S1,S-1,2026-03-02 08:20,VD,40,46.20,858.3\n").results)
    assert curve is not None
    assert sorted(curve.measured.tolist()) == [6.870, 46.12, 46.20]
    alone = viscosity_curve(judged(GOOD.splitlines(keepends=True)[0]).results)
    assert alone is not None
    assert (alone.temperature_C.size, alone.value.size, alone.half_width.size) == (0, 0, 0)
    assert viscosity_curve(judged(GOOD.replace("46.12", "").replace("6.870", "")).results) is None


def test_the_density_curve_is_the_tables_from_the_coldest(judged: Judge) -> None:
    results = judged().results
    curve = density_curve(results, "lubricating oil")
    assert curve is not None
    assert (curve.temperature_C[0], curve.temperature_C[-1]) == (-5.0, 120.0), "15 °C is reached"
    expected = formulae.density_at(858.1, 40.0, curve.temperature_C, commodity="lubricating oil")
    assert curve.value == pytest.approx(np.asarray(expected))
    of_table = 1.959964 * 0.04 * np.abs(np.asarray(expected) - 858.1)  # 4 % of the expansion (table_expansion.toml)
    assert curve.half_width == pytest.approx(np.hypot(np.asarray(expected) / 858.1 * 0.3, of_table))
    assert density_curve(judged(GOOD.replace("858.1", "").replace("819.9", "")).results, "lubricating oil") is None
    beyond = density_curve(judged(GOOD.replace("858.1", "1250.0").replace("819.9", "1240.0")).results, "crude oil")
    assert beyond is not None
    assert beyond.value.size == beyond.half_width.size == beyond.temperature_C.size == 0


# --- The dossier ---

Gather = Callable[..., Material]


@pytest.fixture
def gathered(tmp_path: Path) -> Gather:
    """Gather an export with a record, both written inline."""

    def call(today: str, past: str = REFERENCE, lab: str = LAB, header: str = HEADER) -> Material:
        (tmp_path / "lab.toml").write_text(lab, encoding="utf-8")
        (tmp_path / "record").mkdir(exist_ok=True)
        (tmp_path / "record" / "past.csv").write_text(header + past, encoding="utf-8")
        (tmp_path / "today.csv").write_text(header + today, encoding="utf-8")
        return gather([tmp_path / "today.csv"], tmp_path / "lab.toml")

    return call


WITH_LOT = HEADER.replace("Sample,", "Sample,Product,Lot,")


def lotted(text: str, lot: str, product: str = "Oil 46") -> str:
    return "".join(
        ",".join([*line.split(",")[:2], product, lot, *line.split(",")[2:]]) for line in text.splitlines(keepends=True)
    )


def test_history_is_earlier_of_the_sample_or_of_its_lot(gathered: Gather) -> None:
    past = lotted(
        earlier("E1", 1, 46.0, 858.0)
        + earlier("E2", 2, 46.0, 858.0, "S-2")
        + earlier("E4", 4, 46.0, 858.0, "S-4").replace("02-04 08:00", "03-02 08:00")
        + earlier("E5", 5, 46.0, 858.0).replace("02-05 08:00", "03-02 07:59")
        + earlier("E6", 6, 46.0, 858.0).replace("02-06", "03-06"),
        "L1",
    ) + lotted(earlier("E3", 3, 46.0, 858.0, "S-3"), "L2")
    material = gathered(lotted(COLD, "L1"), past, header=WITH_LOT)
    assert set(material.dossier("S1").history["run"]) == {"E1", "E2", "E5"}
    without = gathered(lotted(COLD, ""), past, header=WITH_LOT)
    assert set(without.dossier("S1").history["run"]) == {"E1", "E5"}, "without a lot the sample's own"


def test_reference_oils_and_excluded_runs_are_no_history(gathered: Gather, tmp_path: Path) -> None:
    (tmp_path / "decisions.jsonl").write_text(
        '{"who": "I. Duarte", "when": "2026-03-02T12:00:00+00:00", "what": "exclude", "why": "w", "run": "E1"}\n'
        '{"who": "I. Duarte", "when": "2026-03-02T12:00:00+00:00", "what": "exclude", "why": "w", "run": "E2", '
        '"quantity": "density"}\n'
        '{"who": "I. Duarte", "when": "2026-03-02T12:00:00+00:00", "what": "accept", "why": "w", "run": "E3"}\n',
        encoding="utf-8",
    )
    past = "".join(earlier(f"E{n}", n, 46.0, 858.0) for n in (1, 2, 3))
    material = gathered(COLD, REFERENCE + past)
    assert set(material.dossier("S1").history["run"]) == {"E2", "E3"}
    assert material.excluded == frozenset({"E1"})
    assert gathered(COLD.replace("S-1", "RO-1"), past).dossier("S1").history.empty


def test_the_run_before_is_the_last_that_began_earlier_on_the_instrument(gathered: Gather) -> None:
    past = (
        "B1,T-1,2026-03-02 07:00,VD,40,30.0,850.0\nB1,T-1,2026-03-02 07:10,VD,100,5.0,810.0\n"
        "B2,T-2,2026-03-02 07:30,W,40,30.0,850.0\n"
        "B3,T-3,2026-03-02 08:00,VD,40,30.0,850.0\n"
    )
    before = gathered(COLD, past).dossier("S1").before
    assert (before["run"].tolist(), before["temperature_C"].tolist()) == (["B1", "B1"], [40.0, 100.0])
    assert gathered(COLD.replace("VD", "X"), past).dossier("S1").before.empty
    assert gathered(COLD.replace("08:00", "06:00"), past).dossier("S1").before.empty


def test_reference_results_up_to_the_end_of_the_run(gathered: Gather) -> None:
    past = (
        "R1,RO-1,2026-03-02 08:10,VD,40,50.05,850.05\n"
        "R2,RO-1,2026-03-02 08:11,VD,40,50.05,850.05\n"
        "R3,RO-1,2026-03-02 08:00,W,40,50.05,850.05\n"
    )
    assert set(gathered(GOOD, past).dossier("S1").references["run"]) == {"R1"}
    own = gathered("R9,RO-1,2026-03-02 08:20,VD,40,50.05,850.05\n", past).dossier("R9")
    assert set(own.references["run"]) == {"R1", "R2"}, "not the run itself"
    assert set(own.own_comparisons["run"]) == {"R9"}


def test_of_two_files_that_differ_none_counts(gathered: Gather) -> None:
    material = gathered(COLD, COLD.replace("46.00", "99.00") + earlier("E1", 1, 46.0, 858.0))
    assert material.record["run"].tolist() == ["E1"]
    assert {one.about for one in material.dossier("S1").doubts} == {"versions"}
    assert material.runs == ("S1",)
    assert material.first_sample == "S1"


def test_the_first_sample_is_no_reference_oil(gathered: Gather) -> None:
    oil = "R9,RO-1,2026-03-02 07:20,VD,40,50.05,850.05\n"
    assert gathered(oil + COLD).first_sample == "S1"
    assert gathered(oil).first_sample == "R9"
    with pytest.raises(UnknownRunError, match="there is no run 'X' in the exports; the first is 'R9'"):
        gathered(oil + COLD).dossier("X")


def test_files_that_have_not_changed_are_read_once(gathered: Gather, tmp_path: Path) -> None:
    first = gathered(COLD)
    assert gather([tmp_path / "today.csv"], tmp_path / "lab.toml") is first
    changed = gathered(COLD.replace("46.00", "46.000"))
    assert changed is not first
    assert set(gather_record(tmp_path / "lab.toml").runs) == {"R1"}
