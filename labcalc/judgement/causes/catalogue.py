"""The causes that a strange result is looked at for: how often, how large, what unit, what to mind at the next step.

Odds and sizes are labcalc's own choice, from what happens at a bench that takes forty samples a day; no published
statistics were found. A laboratory that knows better gives ``rank_causes`` its own odds.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from labcalc.formulae.curves.walther import double_log_argument, solved_viscosity
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


SURE = 0.95  # probability of the leading cause above which its repair is told instead of what tells it apart, [-]

_REPAIRS = {
    "noise": "Nothing is to be repaired. Where the verdict asks for more, fill a clean cell again and report both.",
    "cell temperature": "Hold the cell against a calibrated thermometer, or run a reference oil at this temperature: "
    "off by as much confirms it. Mend the temperature, let it settle, and fill again; never correct the viscosity by "
    "calculation. Runs since the last good check of this cell are doubtful too.",
    "air bubble": "Degas and refill: let the sample stand warm until no bubble rises, look at the cell where it has a "
    "window, and fill anew. Density that comes back while viscosity stays confirms it; the aired fill doesn't count.",
    "residue": "Clean and dry the cell, and fill twice from the same bottle: a second fill that lies further from the "
    "sample before than the first confirms it. Report the fills that agree, and clean twice after such a sample.",
    "solvent": "Drain and dry the cell anew, and for longer, then fill again: viscosity that comes back confirms it. "
    "A density that looks right clears nothing: aromatic solvents weigh what oil weighs. Look after the air supply.",
    "dilution": "Open a second bottle or the retained sample, and have the flash point measured: petrol and kerosine "
    "lower it sharply, gas oil less. If both agree the lot is diluted: hold it, and tell who sampled it.",
    "water": "Have water measured by Karl Fischer titration (ASTM D6304), from a second bottle, shaken. Don't heat it "
    "to 100 °C, and dry it only where the method says so: as received, the result is that of oil with water.",
    "instrument bias": "Stop releasing results of this instrument. Run its reference oil fresh from the bottle, and a "
    "second oil: only if both lie off has the instrument moved. Adjust by the maker's procedure only, write it down, "
    "and measure this sample again.",
    "another product": "Fetch both bottles and read their labels, then run each again from its bottle. A swap has two "
    "halves: look for the run of the same day that shows this product's numbers, and correct both or neither.",
    "slip": "Look the value up in the original record. Correct it there as the laboratory's rules say (struck "
    "through, dated, signed) and export again; never edit the export.",
    "blend": "Open a second bottle, and ask what was in the can, line or tank before: if both bottles agree the lot is "
    "mixed. Hold it, and look at the first and the last bottle of its filling.",
    "light ends": "Take a fresh bottle, cold and closed, fill from it at once, and report that fill: the next ones "
    "have lost more. Say in the report that the sample loses light ends.",
    "wax": "Warm the sample as its method prescribes until it is clear, stir it, and fill again; measure well above "
    "its cloud and pour point, or say that the value depends on how it was heated and cooled.",
    "two at once": "Repair first what is at the cell: clean and dry it, and fill again; what is left is the other's.",
    "changed": "Open a second bottle or the retained sample: if it differs, the first one changed. Acid number and "
    "infrared tell oxidation; viscosity lower by alike per cent hot and cold, density the same, tells shear.",
}
_OF_ANY_OTHER = (
    "Fill a clean cell again from a second bottle, and run a reference oil beside it: what stays with the bottle is "
    "the sample's, what goes with the cell the instrument's. Then ask who sampled and who measured."
)


def repair_of(cause: str) -> str:
    """Return what confirms and repairs a cause; how to fill and clean is told by ``FILLING_AND_CLEANING``."""
    return _REPAIRS.get(cause, _OF_ANY_OTHER)


Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

DEVIATIONS = np.linspace(-3.0, 3.0, 13)  # nodes of a path in standard deviations of its log-normal size
_LOWEST_ORDINATE, _HIGHEST_ORDINATE = -1.57, 0.86  # the chart's ends: 0.21 and 2e7 mm²/s


@dataclass(frozen=True, eq=False)
class Paths:
    """The curves of one cause through the rows of a run."""

    cause: str
    where: tuple[str, ...]  # where it sits or what it is, in words, one a path
    weights: Array  # share of each path, together 1
    sizes: Array  # signed size at each node, path by node
    effects: Array  # what it does to ln ν and ρ [kg/m³]: path by node by row
    unequal: tuple[float, ...] = ()
    """How unequal its size is from fill to fill and from temperature to temperature, as a share, one a path."""
    axes: tuple[tuple[int, bool], ...] = ()
    """The paths as a grid, its last axis the quickest: lengths, and whether what lies between two is possible."""
    told: Array | None = None  # ln of how much likelier each node is by what else is known of the day, path by node


TAIL = 20.0  # degrees of freedom of all deviations together; a single row far off is left to 'something else'


def tail_log(z: Array | float) -> Array:
    """Return how much less likely z standard deviations are than none, as -ln, with the tails of Student's t."""
    return np.asarray((TAIL + 1.0) / 2.0 * np.log1p(np.square(z) / TAIL))


def sizes_of(cause: str) -> Array:
    """Return the sizes at the nodes of a path, in the unit that the physics computes with."""
    scale = CAUSES[cause].scale
    assert scale is not None
    return np.asarray(scale.median * scale.factor**DEVIATIONS)


def ordinate_of(log_viscosity: Array) -> Array:
    """Return the ordinate of the viscosity-temperature chart of ln ν."""
    return np.asarray(np.log10(np.log10(double_log_argument(np.exp(log_viscosity)))))


def log_viscosity_of(ordinate: Array) -> Array:
    """Return ln ν of an ordinate; beyond the chart, at its end."""
    return np.asarray(np.log(solved_viscosity(np.clip(ordinate, _LOWEST_ORDINATE, _HIGHEST_ORDINATE))))
