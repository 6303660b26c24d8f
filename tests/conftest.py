"""Property tests draw the same examples everywhere, however slow the machine is."""

from __future__ import annotations

import os

from hypothesis import HealthCheck, settings

settings.register_profile(
    "labcalc",
    deadline=None,
    derandomize=True,
    suppress_health_check=[
        HealthCheck.too_slow,
        HealthCheck.function_scoped_fixture,  # those of property tests hold nothing from one example to the next
    ],
)
settings.load_profile("labcalc")

os.environ.setdefault("LABCALC_NOW", "2100-01-01T00:00:00+00:00")  # no result depends on the machine's clock
