"""How like neighbouring days are: what means of several days must not be taken for."""

import math
from collections.abc import Sequence

import pandas as pd

from labcalc.judgement.control.charts import Chart


def neighbouring_days(charts: Sequence[Chart]) -> tuple[float, float]:
    """Return how like neighbouring days are in the baselines of some charts, [-]: of a chart's results, and of an
    instrument's mean of a quantity; 0 where a correlation is less than twice its standard error."""
    series = [
        pd.DataFrame(
            {
                "chart": number,
                "instrument": one.instrument,
                "quantity": one.quantity,
                "day": one.days[one.in_baseline],
                "z": (one.plotted[one.in_baseline] - one.limits.centre) / one.limits.sigma,
            }
        )
        for number, one in enumerate(charts)
        if one.limits is not None
    ]
    if not series:
        return 0.0, 0.0
    table = pd.concat(series)
    return _likeness(table, ["chart"]), _likeness(table, ["instrument", "quantity"])


def _likeness(table: pd.DataFrame, keys: list[str]) -> float:
    days = table.groupby([*keys, "day"], sort=True)["z"].mean()
    of = days.groupby(level=keys)
    product = (days * of.shift(-1)).dropna()
    if not product.size:
        return 0.0
    correlation = float(product.mean() / days.pow(2).mean()) + float((1.0 / of.size()).mean())  # n - 1 of n pairs
    return correlation if correlation > 2.0 / math.sqrt(product.size) else 0.0
