"""Hostile input: more of it, drawn anew, where LABCALC_FUZZ says how many examples a property gets."""

from __future__ import annotations

import os

from hypothesis import settings

if examples := os.environ.get("LABCALC_FUZZ"):
    settings.register_profile("nightly", settings.get_profile("labcalc"), max_examples=int(examples), derandomize=False)
    settings.load_profile("nightly")
