"""Integrity of the published tables that ship in labcalc/data."""

from __future__ import annotations

import csv
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest

from labcalc.formulae._tables import published_entries, published_table

TABLES = sorted(path.name for path in Path(str(files("labcalc.data"))).glob("*.csv"))

QUADRATICS = Path(__file__).parent / "published" / "curves" / "viscosity_index_quadratics.csv"


@pytest.mark.parametrize("name", TABLES)
def test_a_table_tells_title_source_edition_and_mark(name: str) -> None:
    lines = files("labcalc.data").joinpath(name).read_text("utf-8").splitlines()
    head = dict(line[2:].split(": ", 1) for line in lines if line.startswith("#"))
    assert {"title", "source", "edition", "mark"} <= set(head)
    assert head["mark"] in {"seen", "memory"}


def test_basis_of_the_viscosity_index_is_whole() -> None:
    table = published_table("viscosity_index_basis.csv")
    Y = table["kv_100"]
    assert [column.shape for column in table.values()] == [(311,)] * 3
    steps = {(2.0, 20.0): 0.1, (20.0, 30.0): 0.2, (30.0, 70.0): 0.5}
    for (start, end), step in steps.items():
        part = Y[(start <= Y) & (end >= Y)]
        assert (part[0], part[-1]) == (start, end)
        np.testing.assert_allclose(np.diff(part), step, rtol=1e-9)
    assert all(np.all(np.diff(column) > 0.0) for column in table.values())
    assert np.all(table["L"] > table["H"])
    assert np.all(table["H"] > Y)


def quadratics() -> list[dict[str, str]]:
    with QUADRATICS.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("piece", quadratics(), ids=lambda piece: piece["lowest"])
def test_basis_follows_the_standards_own_quadratics(piece: dict[str, str]) -> None:
    """ASTM D2270-10(2016), table X2.1, fits table 1 to about 0.1 %: a wrong cell of either would stand out."""
    table = published_table("viscosity_index_basis.csv")
    Y = table["kv_100"]
    inside = (float(piece["lowest"]) <= Y) & (float(piece["highest"]) >= Y)
    a, b, c, d, e, f = (float(piece[k]) for k in "abcdef")
    assert inside.any()
    for column, (p, q, r) in {"L": (a, b, c), "H": (d, e, f)}.items():
        np.testing.assert_allclose(((p * Y + q) * Y + r)[inside], table[column][inside], rtol=1.2e-3)


def test_viscosity_grades_are_whole() -> None:
    """ISO 3448:1992: twenty grades, limits of ±10 % of the midpoint, no two overlap."""
    grades = published_entries("viscosity_grades.toml")["grade"]
    midpoint = np.array([one["midpoint"] for one in grades])
    lowest, highest = (np.array([one["kv_40"][end] for one in grades]) for end in ("at_least", "at_most"))
    assert len(grades) == 20
    np.testing.assert_allclose(lowest, 0.9 * midpoint, rtol=1e-12)
    np.testing.assert_allclose(highest, 1.1 * midpoint, rtol=1e-12)
    assert [one["name"] for one in grades] == [f"VG {number:.0f}" for number in np.rint(midpoint)]
    assert np.all(highest[:-1] < lowest[1:])
