"""The sample laboratory copied, so that conclusions can be written, and a run with a planted fault."""

from __future__ import annotations

from pathlib import Path

import pytest

from labcalc.judgement import Material, gather
from labcalc.widgets import Problem, problem_of
from labcalc.workbooks import copy_sample_laboratory

RESIDUE = "VD-1-260317-04"
"""BL-26-0525: 3 % of the gas oil before was planted (sample_runs/planted_faults.csv)."""


@pytest.fixture(scope="session")
def material() -> Material:
    return gather()


@pytest.fixture(scope="session")
def residue(material: Material) -> Problem:
    return problem_of(material, RESIDUE)


@pytest.fixture
def lab(tmp_path: Path) -> Path:
    return copy_sample_laboratory(tmp_path / "lab")
