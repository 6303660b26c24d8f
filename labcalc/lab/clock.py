"""What time it is: the machine's clock, or the moment that ``LABCALC_NOW`` says, so that a result can be had again."""

import os
from datetime import UTC, datetime

from labcalc.errors import SettingsError

CLOCK_VARIABLE = "LABCALC_NOW"


def present_moment() -> datetime:
    """Return the present moment with its time zone; SettingsError where ``LABCALC_NOW`` is none."""
    said = os.environ.get(CLOCK_VARIABLE)
    try:
        return datetime.strptime(said, "%Y-%m-%dT%H:%M:%S%z") if said else datetime.now(UTC)
    except ValueError:
        expected = "a time with its zone, such as '2026-03-31T16:20:00+01:00', is expected"
        raise SettingsError(CLOCK_VARIABLE, "", f"'{said}': {expected}") from None
