"""What the run itself shows, row by row, and what its instrument measured on the same day."""

from __future__ import annotations

from functools import partial
from html import escape
from typing import Any

import pandas as pd

from labcalc.exports import QUANTITY_COLUMNS
from labcalc.figures.markup import Fragment, html_table
from labcalc.judgement import UNITS, reported_value
from labcalc.wording import celsius, plain

_SHORT = dict(zip(QUANTITY_COLUMNS, ("ν", "η", "ρ"), strict=True))


def show_run_and_day(rows: pd.DataFrame, day: pd.DataFrame, run: str) -> Fragment:
    """Return every determination of a run as it was measured, and its instrument's day with the run itself marked.

    rows : Tidy rows of the run.
    day : As ``days_runs`` returns it.
    run : The run.
    """
    names = {"temperature_C": "°C", "replicate": "Fill"}
    names |= {column: f"{_SHORT[q]}, {UNITS[q]}" for q, column in QUANTITY_COLUMNS.items()} | {"remark": "Remark"}
    own = rows[[*names]].replace("", None).dropna(axis=1, how="all").rename(columns=names)
    levels: Any = day.columns[4:]
    its = pd.DataFrame(
        {
            "Sample": day["sample"].where(day["run"] != run, "▸ " + day["sample"].astype(str)),
            "Time": day["time"],
            "Product": day["product"],
            **{
                f"{_SHORT[quantity]} at {celsius(T)}": day[quantity, T].map(partial(reported_value, quantity))
                for quantity, T in levels
            },
        }
    )
    numbers = tuple(range(1, len(own.columns) - ("Remark" in own)))
    html = _table("This run, row by row", own, numbers)
    html += _table("The instrument's day", its, tuple(range(3, len(its.columns))))
    return Fragment(html, f"{own.to_string()}\n{its.to_string()}")


def _table(caption: str, frame: pd.DataFrame, numeric: tuple[int, ...]) -> str:
    return html_table(
        caption, [*frame.columns], [[*map(_cell, row)] for row in frame.to_numpy(object)], numeric=numeric
    )


def _cell(value: Any) -> str:
    return "–" if pd.isna(value) else escape(value) if isinstance(value, str) else plain(value)
