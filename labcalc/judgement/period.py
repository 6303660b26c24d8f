"""A month as an interval of time."""

from __future__ import annotations

import re
from dataclasses import dataclass

import pandas as pd

from labcalc.errors import MonthError

__all__ = ["Month", "month_of"]


@dataclass(frozen=True)
class Month:
    """A month in the time zone of a laboratory: from ``first`` on and before ``last``."""

    name: str
    """As ``2026-03``."""
    first: pd.Timestamp
    last: pd.Timestamp

    @property
    def before(self) -> Month:
        """The month before."""
        first = self.first - pd.DateOffset(months=1)
        return Month(f"{first:%Y-%m}", first, self.first)

    def holds(self, moments: pd.Series) -> pd.Series:
        """Tell which moments lie in it; an unknown moment lies in none."""
        return (moments >= self.first) & (moments < self.last)


def month_of(name: str, time_zone: str) -> Month:
    """Return the month of that name.

    Raises
    ------
    MonthError
        The name is no month between 1900 and 2199, such as ``2026-03``.
    """
    if re.fullmatch(r"(19|20|21)\d\d-(0[1-9]|1[0-2])", name, re.ASCII) is None:
        raise MonthError(f"'{name}' is no month; year and month are expected, such as 2026-03")
    first = pd.Timestamp(f"{name}-01", tz=time_zone)
    return Month(name, first, first + pd.DateOffset(months=1))
