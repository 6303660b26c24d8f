"""A month, or any days, as an interval of time."""

from __future__ import annotations

import itertools
import re
from dataclasses import dataclass
from datetime import date

import pandas as pd

from labcalc.errors import MonthError, PeriodError

_NAMES = {  # how a month and a year are written, by their number of months
    1: (r"(19|20|21)\d\d-(0[1-9]|1[0-2])", "month; year and month are expected, such as 2026-03"),
    12: (r"(19|20|21)\d\d", "year; four digits are expected, such as 2026"),
}


@dataclass(frozen=True)
class Period:
    """An interval in the time zone of a laboratory: from ``first`` on and before ``last``."""

    name: str  # as ``2026-03``, or ``2026-01-05 to 2026-02-10``
    first: pd.Timestamp
    last: pd.Timestamp

    def holds(self, moments: pd.Series) -> pd.Series:
        """Tell which moments lie in it; an unknown moment lies in none."""
        return (moments >= self.first) & (moments < self.last)


@dataclass(frozen=True)
class Month(Period):
    """A month, or a year."""

    months: int = 1

    @property
    def parts(self) -> tuple[Month, ...]:
        """The months in it."""
        if self.months == 1:
            return (self,)
        starts = [self.first + pd.DateOffset(months=number) for number in range(self.months + 1)]
        return tuple(Month(f"{one:%Y-%m}", one, end) for one, end in itertools.pairwise(starts))

    @property
    def twelve_months(self) -> Period:
        """The twelve months up to its end."""
        return Period(f"the twelve months to {self.name}", self.last - pd.DateOffset(months=12), self.last)


def month_of(name: str, time_zone: str, months: int = 1) -> Month:
    """Return the month of that name, or, of 12 ``months``, the year; MonthError where it is none from 1900 to 2199."""
    form, expected = _NAMES[months]
    if re.fullmatch(form, name, re.ASCII) is None:
        raise MonthError(f"'{name}' is no {expected}")
    first = pd.Timestamp(f"{name}-01-01"[:10], tz=time_zone)
    return Month(name, first, first + pd.DateOffset(months=months), months)


def days_of(first_day: str, last_day: str, time_zone: str) -> Period:
    """Return the period from a day to another, both included; raise PeriodError where one is no day such as
    ``2026-03-31``, or the last comes before the first."""
    first, last = (_midnight(day, time_zone) for day in (first_day, last_day))
    if last < first:
        raise PeriodError(f"the period ends on {last_day}, before it begins on {first_day}")
    return Period(f"{first_day} to {last_day}", first, last + pd.DateOffset(days=1))


def _midnight(day: str, time_zone: str) -> pd.Timestamp:
    try:
        if re.fullmatch(r"(19|20|21)\d\d-\d\d-\d\d", day, re.ASCII):
            return pd.Timestamp(date.fromisoformat(day)).tz_localize(time_zone)
    except ValueError:
        pass
    raise PeriodError(f"'{day}' is no day; year, month and day are expected, such as 2026-03-31")
