"""What a laboratory says about an export that does not say it itself."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

DATE_ORDERS = ("day-month-year", "month-day-year", "year-month-day")


@dataclass(frozen=True)
class Column:
    """What a column of an export holds: tidy column or quantity, unit, and temperature if it is for one."""

    holds: str
    """A text column of the tidy table (``sample``, ``lot``, ...), ``measured_at``, ``date``, ``time``, ``replicate``,
    ``temperature``, ``kinematic viscosity``, ``dynamic viscosity``, ``density``, or ``ignored``."""
    unit: str | None = None
    temperature_C: float | None = None


@dataclass(frozen=True)
class Profile:
    """How to read exports whose file names match one of the patterns; what is None is found out from the file."""

    name: str
    files: tuple[str, ...]
    """Shell-style patterns on the file name, without folder, case ignored."""
    encoding: str | None = None
    delimiter: str | None = None
    decimal: str | None = None
    thousands: str | None = None
    date_order: str | None = None
    sheet: str | None = None
    instrument: str | None = None
    operator: str | None = None
    columns: Mapping[str, Column] = field(default_factory=dict)
    """Header as the export writes it → what it holds."""
