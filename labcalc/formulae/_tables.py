"""Published tables that ship in labcalc/data.

Lines that start with # tell their source, the first other line names the columns.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray


@cache
def published_table(name: str) -> dict[str, NDArray[np.float64]]:
    """Return the columns of a table by name."""
    from importlib.resources import files

    lines = files("labcalc.data").joinpath(name).read_text("utf-8").splitlines()
    header, *rows = (line.split(",") for line in lines if not line.startswith("#"))
    return dict(zip(header, np.array(rows, dtype=float).T, strict=True))
