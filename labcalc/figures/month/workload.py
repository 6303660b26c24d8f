"""How much was measured, day by day: bars told apart by hatching."""

from __future__ import annotations

import pandas as pd

from labcalc.figures.picture import Numbers, Picture
from labcalc.figures.theme import INK, blank_figure
from labcalc.judgement import MonthReport
from labcalc.wording import counted

_PATTERNS = ("", "/", ".", "x", "-", "+")
"""Hatching that tells instruments apart in print; the first is plain."""


def draw_workload(report: MonthReport) -> Picture | None:
    """Draw the runs of each day by instrument; None for a month without a run.

    Parameters
    ----------
    report : MonthReport
        The month.

    Returns
    -------
    Picture or None
        Stacked bars, [runs]; reference oils count.
    """
    if report.workload.empty:
        return None
    table = report.workload.pivot_table(
        index="day", columns="instrument", values="runs", aggfunc="sum", fill_value=0, observed=True
    )
    figure = blank_figure("", "Runs a day", height=230)
    figure.layout.barmode = "stack"
    figure.layout.xaxis.type = "date"
    for number, instrument in enumerate(table.columns):
        figure.add_bar(
            x=list(table.index),
            y=table[instrument].tolist(),
            name=str(instrument) or "no name",
            marker={
                "color": INK if number % 2 == 0 else "#ffffff",
                "line": {"color": INK, "width": 1},
                "pattern": {"shape": _PATTERNS[number % len(_PATTERNS)], "fgcolor": INK, "size": 5},
            },
        )
    return Picture(figure, _workload_caption(table), *_workload_numbers(table))


def _workload_caption(table: pd.DataFrame) -> str:
    daily = table.sum(axis=1)
    shares = ", ".join(f"{table[name].sum()} on {name or 'an instrument without a name'}" for name in table.columns)
    return (
        f"{counted(int(daily.sum()), 'run')} on {counted(len(table), 'day')} ({shares}), reference oils among them; "
        f"the fullest day, {daily.idxmax()}, had {int(daily.max())}."
    )


def _workload_numbers(table: pd.DataFrame) -> Numbers:
    rows = tuple((str(day), *map(str, counts)) for day, counts in zip(table.index, table.to_numpy(), strict=True))
    return ("Day", *(str(name) or "no name" for name in table.columns)), rows
