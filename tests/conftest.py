"""Property tests draw the same examples everywhere, however slow the machine is."""

from __future__ import annotations

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
