"""How much was measured in a month, and by whom."""

from __future__ import annotations

import pandas as pd


def workload_of(rows: pd.DataFrame) -> pd.DataFrame:
    """Count the runs of a month.

    rows : pandas.DataFrame The month's rows of the tidy table.
    Returns : ``day``, ``instrument``, ``operator``, ``role``, ``runs``; an unknown instrument or operator is an empty
        text.
    """
    first = rows.drop_duplicates("run")
    keys = {
        name: first[name].astype(object).where(first[name].notna(), "") for name in ("instrument", "operator", "role")
    }
    table = pd.DataFrame({"day": first["measured_at"].dt.strftime("%Y-%m-%d"), **keys})
    return table.groupby(["day", "instrument", "operator", "role"], sort=True).size().rename("runs").reset_index()
