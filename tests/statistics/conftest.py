"""Properties hold however busy the machine is: no example fails for the time that it takes."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("statistics", deadline=None)
settings.load_profile("statistics")
