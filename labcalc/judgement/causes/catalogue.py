"""The causes that a strange result is looked at for: how often, how large, what unit, what to mind at the next step.

Odds and sizes are labcalc's own choice, from what happens at a bench that takes forty samples a day; no published
statistics were found. A laboratory that knows better gives ``rank_causes`` its own odds.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from labcalc.lab.practice import HOT, PRESSED_AIR, SOLVENTS, SPITS

_SOLVENTS, _HOT, _SPITS = f"{SOLVENTS} {PRESSED_AIR}", HOT, SPITS


@dataclass(frozen=True)
class SizeScale:
    """How large a cause usually is: log-normal about ``median``, in kelvin or as a fraction."""

    median: float
    factor: float  # one standard deviation up or down, as a factor
    unit: str  # what people tell the size in
    shown: float = 1.0  # what turns a size into ``unit``


@dataclass(frozen=True)
class Cause:
    """One cause: its stable key, its title, how often a run has it, and its size where it has one."""

    key: str
    title: str
    odds: float  # share of runs that have it before anything was measured, [-]
    scale: SizeScale | None = None
    caution: str = ""


_CAUSES = (
    Cause("noise", "Nothing wrong: measurement noise and the usual spread of the product", 0.876),
    Cause("cell temperature", "The cell was not at its temperature", 0.014, SizeScale(0.3, 2.6, "K"), _HOT),
    Cause("air bubble", "Air in the density cell", 0.020, SizeScale(0.004, 2.6, "%", 100.0), _SOLVENTS),
    Cause("residue", "Residue of the sample before", 0.016, SizeScale(0.015, 2.6, "%", 100.0), _SOLVENTS),
    Cause("solvent", "Solvent or cleaning liquid left in the cell", 0.014, SizeScale(0.01, 2.6, "%", 100.0), _SOLVENTS),
    Cause("dilution", "Fuel or another thin liquid in the sample", 0.006, SizeScale(0.03, 2.4, "%", 100.0), _HOT),
    Cause("water", "Water in the sample", 0.006, SizeScale(0.006, 2.6, "%", 100.0), _SPITS),
    Cause("instrument bias", "The instrument is off, as its reference oils are", 0.008, None, _SOLVENTS),
    Cause("another product", "Another product of the house: samples or names exchanged", 0.006),
    Cause("slip", "A slip of unit or transcription", 0.006),
    Cause("changed", "The sample has changed: thickened, sheared or oxidised", 0.006, SizeScale(0.06, 2.2, "%", 100.0),
          HOT),
    Cause("blend", "Mixed with another product of the house", 0.004, SizeScale(0.15, 2.4, "%", 100.0)),
    Cause("light ends", "The sample loses light ends from fill to fill", 0.002, SizeScale(0.02, 2.2, "%", 100.0), HOT),
    Cause("wax", "Wax or structure in the cold sample", 0.002, SizeScale(0.08, 2.4, "%", 100.0), HOT),
    Cause("two at once", "Two of these at once", 0.006),
    Cause("something else", "Something else, or more than one thing", 0.008),
)  # fmt: skip

CAUSES: Mapping[str, Cause] = MappingProxyType({one.key: one for one in _CAUSES})  # every cause by its key

PRIOR_ODDS: Mapping[str, float] = MappingProxyType({one.key: one.odds for one in _CAUSES})
"""Share of runs that have each cause, [-], together 1: our own choice."""
