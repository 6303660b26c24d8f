"""What the run itself shows, row by row, and what its instrument measured on the same day."""

from __future__ import annotations

from html import escape

import pandas as pd

from labcalc.exports import QUANTITY_COLUMNS
from labcalc.figures.markup import Fragment, html_table
from labcalc.judgement import UNITS, reported_value
from labcalc.wording import celsius, plain

_SHORT = {"kinematic viscosity": "ν", "dynamic viscosity": "η", "density": "ρ"}


def show_determinations(rows: pd.DataFrame) -> Fragment:
    """Return every determination of a run as it was measured.

    Parameters
    ----------
    rows : pandas.DataFrame
        Tidy rows of one run.
    """
    measured = {
        f"{_SHORT[quantity]}, {UNITS[quantity]}": column
        for quantity, column in QUANTITY_COLUMNS.items()
        if rows[column].notna().any()
    }
    remarks = rows["remark"].fillna("").astype(str)
    cells = [
        (
            plain(row["temperature_C"]),
            plain(row["replicate"]),
            *(plain(row[column]) if pd.notna(row[column]) else "–" for column in measured.values()),
            *([escape(remark)] if any(remarks) else []),
        )
        for remark, (_, row) in zip(remarks, rows.iterrows(), strict=True)
    ]
    columns = ("°C", "Fill", *measured, *(["Remark"] if any(remarks) else []))
    html = html_table("This run, row by row", columns, cells, numeric=tuple(range(1, 2 + len(measured))))
    return Fragment(html, "\n".join(" ".join(one) for one in cells))


def show_day(day: pd.DataFrame, run: str) -> Fragment:
    """Return what the instrument measured on the day, the run itself marked.

    Parameters
    ----------
    day : pandas.DataFrame
        A row a run, in order: ``run``, ``measured_at``, ``sample``, ``product``, then means by (quantity, °C).
    run : str
        The run that is looked at.
    """
    levels: list[tuple[str, float]] = [*day.columns[4:]]
    heads = [f"{_SHORT[quantity]} at {celsius(temperature)}" for quantity, temperature in levels]
    cells = [
        (
            f"{'▸ ' if row['run'] == run else ''}{row['measured_at']:%H:%M}",
            escape(str(row["sample"])),
            "" if pd.isna(row["product"]) else escape(str(row["product"])),
            *("–" if pd.isna(row[one]) else reported_value(one[0], row[one]) for one in levels),
        )
        for _, row in day.iterrows()
    ]
    numeric = tuple(range(3, 3 + len(levels)))
    html = html_table("The instrument's day", ("Time", "Sample", "Product", *heads), cells, numeric=numeric)
    return Fragment(html, "\n".join(" ".join(one) for one in cells))
