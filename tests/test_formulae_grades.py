"""Tables of grades: whole, ordered, marked; and what the candidates tell."""

from __future__ import annotations

import numpy as np
import pytest

from labcalc import formulae
from labcalc.errors import OutOfRangeError
from labcalc.formulae.kinds.classification import Limits, grade_table

TABLES = tuple(formulae.GRADE_TABLES)


@pytest.mark.parametrize("name", TABLES)
def test_a_table_is_whole(name: str) -> None:
    table = grade_table(name)
    assert table.title
    assert table.source
    assert table.edition
    assert len({grade.name for grade in table.grades}) == len(table.grades)
    for part in (table, *table.quantities.values(), *table.grades):
        assert part.mark in {"seen", "memory"}
    for grade in table.grades:
        assert grade.limits
        for limits in grade.limits.values():
            assert limits.lowest < limits.highest
            assert np.isfinite(limits.lowest) or np.isfinite(limits.highest)
    assert all(any(key in grade.limits for grade in table.grades) for key in table.quantities)


@pytest.mark.parametrize(("name", "overlap"), [("SAE J300", 3), ("SAE J306", 1)])
def test_hot_grades_leave_no_gap(name: str, overlap: int) -> None:
    """SAE J300: grades 8, 12, 16 and 20 overlap, three at most; SAE J306: each ends where the next begins."""
    table = grade_table(name)
    lowest = min(grade.limits["kv_100"].lowest for grade in table.grades)
    highest = max(grade.limits["kv_100"].highest for grade in table.grades)
    kv_100 = np.arange(lowest, min(highest, 50.0) - 0.005, 0.01)
    fitting = formulae.grade_candidates(name, kv_100=kv_100).possible.sum(axis=-1)
    assert fitting.min() == 1
    assert fitting.max() == overlap


def test_winter_grades_ask_less_the_higher_they_are() -> None:
    """SAE J300: each winter grade is cranked 5 °C warmer than the one before, with a limit that never falls."""
    grades = grade_table("SAE J300 winter").grades
    cranking = [next(key for key in grade.limits if key.startswith("cranking")) for grade in grades]
    assert [int(key.rsplit("_", 1)[1]) for key in cranking] == [35, 30, 25, 20, 15, 10]
    limits = [grade.limits[key].highest for grade, key in zip(grades, cranking, strict=True)]
    assert limits == sorted(limits)


def test_limits_belong_to_their_interval_as_written() -> None:
    closed, half_open = Limits(2.0, 4.5, True), Limits(9.3, 12.5, False)
    assert closed.hold(np.array([2.0, 4.5, 4.501, np.nan])).tolist() == [True, True, False, False]
    assert half_open.hold(np.array([9.3, 12.499, 12.5, 12.5 - 1e-12])).tolist() == [True, True, False, False]
    assert closed.words("mm²/s") == "2 mm²/s to 4.5 mm²/s"
    assert half_open.words("mm²/s") == "9.3 mm²/s to below 12.5 mm²/s"
    assert Limits(-np.inf, 8.0, True).words("mm²/s") == "8 mm²/s or less"
    assert Limits(3.8, np.inf, True).words("mm²/s") == "3.8 mm²/s or more"


def test_reasons_name_value_limit_and_what_is_missing() -> None:
    found = formulae.grade_candidates("SAE J300", kv_100=[7.0, 9.3])
    assert found.reasons(0)["SAE 20"] == (
        "kinematic viscosity at 100 °C 7 mm²/s: fits, 6.9 mm²/s to below 9.3 mm²/s; "
        "high-shear viscosity at 150 °C: not known, 2.6 mPa·s or more"
    )
    assert found.reasons(1)["SAE 20"].startswith("kinematic viscosity at 100 °C 9.3 mm²/s: doesn't fit, 6.9 mm²/s")
    assert not found.certain.any()
    certain = formulae.grade_candidates("SAE J300", kv_100=10.0, high_shear_150=2.9)
    assert certain.certain.tolist() == certain.possible.tolist()
    assert certain.candidates() == ("SAE 30",)


def test_a_viscosity_that_is_not_known_lies_between_warmer_and_colder_ones() -> None:
    """By hand, since a liquid's viscosity falls with temperature; limits by ISO 8217 and ASTM D1655."""
    heavy = formulae.grade_candidates("ISO 8217", kv_50=[380.0, 5.0])
    assert not {"DMX", "DMA, DFA", "DMB, DFB"} & set(heavy.candidates(0))
    assert heavy.reasons(0)["DMX"].startswith("kinematic viscosity at 40 °C above 380 mm²/s: doesn't fit, 1.4 mm²/s to")
    assert {"DMX", "DMA, DFA", "DMB, DFB"} <= set(heavy.candidates(1))
    light = formulae.grade_candidates("jet fuel", kv_minus_40=[7.0, 9.0], density_15=800.0)
    assert light.certain[:, 0].tolist() == [True, False]
    assert light.possible[:, 0].tolist() == [True, True]
    assert light.reasons(0)["Jet A, Jet A-1"].startswith("kinematic viscosity at −20 °C below 7 mm²/s: fits, 8 mm²/s")


def test_limits_from_memory_say_so() -> None:
    reasons = formulae.grade_candidates("insulating and white oil", kv_40=3.0).reasons()
    assert "memory" in reasons["ASTM D3487"]
    assert "memory" not in reasons["USP, mineral oil"]


def test_unknown_tables_and_quantities_are_refused() -> None:
    with pytest.raises(ValueError, match=r"table of grades 'SAE J301' is unknown; known are 'ISO 3448', 'SAE J300'"):
        formulae.grade_candidates("SAE J301", kv_100=7.0)
    with pytest.raises(ValueError, match=r"'kv_40' is no quantity of SAE J300; known are 'kv_100', 'high_shear_150'"):
        formulae.grade_candidates("SAE J300", kv_40=7.0)
    with pytest.raises(OutOfRangeError, match="kinematic viscosity at 100 °C is more than zero"):
        formulae.grade_candidates("SAE J300", kv_100=0.0)


def test_values_of_many_samples_broadcast() -> None:
    found = formulae.grade_candidates("SAE J300", kv_100=[[7.0], [14.0]], high_shear_150=[2.2, 2.6, 3.6])
    assert found.possible.shape == (2, 3, 9)
    assert found.candidates(1, 2) == ("SAE 40 with 0W, 5W or 10W",)
    assert found.candidates(0, 0) == ("SAE 12",)
