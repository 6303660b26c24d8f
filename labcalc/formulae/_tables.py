"""Published tables that ship in labcalc/data.

Lines of a CSV file that start with # tell its source, the first other line names the columns.
"""

from functools import cache
from typing import Any

import numpy as np

from labcalc.formulae._refusals import Array


@cache
def published_table(name: str) -> dict[str, Array]:
    """Return the columns of a table of numbers by name."""
    lines = _text(name).splitlines()
    header, *rows = (line.split(",") for line in lines if not line.startswith("#"))
    return dict(zip(header, np.array(rows, dtype=float).T, strict=True))


@cache
def published_entries(name: str) -> dict[str, Any]:
    """Return what a TOML file tells."""
    import tomllib

    return tomllib.loads(_text(name))


def _text(name: str) -> str:
    from importlib.resources import files

    return files("labcalc.data").joinpath(name).read_text("utf-8")
