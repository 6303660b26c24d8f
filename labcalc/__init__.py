"""labcalc: from a viscosity and density run export to a result that can be signed."""

from __future__ import annotations

__version__ = "0.1.0"
