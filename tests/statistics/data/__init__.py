"""Data sets that the statistics are tested against; README.md says where each comes from."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

FOLDER = Path(__file__).parent


def rows(file: str) -> list[dict[str, str]]:
    with (FOLDER / file).open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def columns(file: str, *names: str) -> NDArray[np.float64]:
    """Return the named columns, a row each."""
    return np.array([[float(row[name]) for row in rows(file)] for name in names])
