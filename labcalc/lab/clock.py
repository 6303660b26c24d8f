"""What time it is: the machine's clock, or the moment that ``LABCALC_NOW`` says, so that a result can be had again."""

from __future__ import annotations

import os
from datetime import UTC, datetime

from labcalc.errors import SettingsError

CLOCK_VARIABLE = "LABCALC_NOW"


def present_moment() -> datetime:
    """Return the present moment with its time zone.

    Raises
    ------
    SettingsError
        ``LABCALC_NOW`` is set and is no time with a time zone.
    """
    said = os.environ.get(CLOCK_VARIABLE)
    if said is None:
        return datetime.now(UTC)
    try:
        moment = datetime.fromisoformat(said)
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        raise SettingsError(CLOCK_VARIABLE, "", f"'{said}': a time with its zone, such as '2026-03-31T16:20:00+01:00'")
    return moment
