"""The physics of the causes with a size: the cell's temperature and air; what gets into the oil is in ``mixtures``."""

import math
from collections.abc import Callable, Container

import numpy as np

from labcalc.judgement.causes.catalogue import Array, Mask, Paths, log_viscosity_of, ordinate_of, sizes_of, tail_log
from labcalc.judgement.causes.evidence import Evidence
from labcalc.judgement.causes.expectation import OIL_DENSITY_SLOPE, ZERO_C
from labcalc.judgement.causes.mixtures import blend, changed, dilution, fading, light_ends, residue, solvent, water, wax
from labcalc.judgement.uncertainty.sources import DEFAULT_LINE_SLOPE
from labcalc.wording import celsius

_OFF_EVERYWHERE = 0.3  # share of temperature faults that are the same at every temperature, [-]: labcalc's own choice
_LASTS = ((1.0, 0.6), (0.3, 0.2), (0.0, 0.2))  # share left in the next fill, how often: lasting, settling, gone, [-]
# by the number of thermostats: words, whether viscosity and density feel it, and how often that is so
_TOUCHED = {
    1: (("", True, True, 1.0),),
    2: ((" in the viscosity cell", True, False, 0.5), (" in the density cell", False, True, 0.5)),
    None: (("", True, True, 0.6), (" in the viscosity cell", True, False, 0.25),
           (" in the density cell", False, True, 0.15)),
}  # fmt: skip
_SURELY_COUPLED = 0.7  # how likely ν follows from η and ρ of a cell where the export doesn't tell, [-]: our own choice
_OLDER_THAN_OILS, _OLDER_THAN_SAMPLES = 0.5, 0.2  # how often a cell was off by then already, [-]: our own choice
_UNEQUAL_AIR = 0.5  # how much air differs from fill to fill, temperature to temperature, as a share: our own choice


def paths_of(evidence: Evidence, causes: Container[str]) -> tuple[Paths, ...]:
    """Return the curves of those of the causes that have a size and can be."""
    return tuple(found for one, make in _MAKERS.items() if one in causes and (found := make(evidence)) is not None)


# --- The cell's temperature ---


def _temperature(evidence: Evidence) -> Paths:
    offsets = sizes_of("cell temperature")
    sizes = np.stack([offsets, -offsets])
    here, temperatures = evidence.same_instrument.astype(float), evidence.temperatures
    places = [(f"at {celsius(T)}", evidence.near(T), 1.0 / len(temperatures)) for T in temperatures]
    if len(places) > 1:
        places = [(words, mask, share * (1.0 - _OFF_EVERYWHERE)) for words, mask, share in places]
        places.append(("at every temperature", np.ones(here.size, dtype=bool), _OFF_EVERYWHERE))
    fades = list(zip(_LASTS, fading(evidence, tuple(one for one, _ in _LASTS)), strict=False))
    variants = [
        (
            f"{words}{cell}{f', {filled}' if filled and left < 1.0 else ''}",
            part * often * lasts,
            here * np.where(evidence.viscous, thick, heavy) * mask * fade,
            _by_the_day(evidence, mask, sizes) if thick and left == 1.0 else np.zeros(sizes.shape),
        )
        for words, mask, part in places
        for cell, thick, heavy, often in _TOUCHED[evidence.thermostats]
        for (left, lasts), (filled, fade) in fades
        if (here * np.where(evidence.viscous, thick, heavy) * mask).any()
    ]
    shares = np.repeat(np.stack([share for *_, share, _ in variants]), 2, axis=0)
    signed = np.tile(sizes, (len(variants), 1))
    where, weights = np.repeat([where for where, *_ in variants], 2), np.repeat([one for _, one, *_ in variants], 2)
    effects = warmed(evidence, signed[:, :, np.newaxis] * shares[:, np.newaxis, :])
    told = np.concatenate([told for *_, told in variants])
    return Paths("cell temperature", tuple(where.tolist()), weights / weights.sum(), signed, effects, told=told)


def _by_the_day(evidence: Evidence, mask: Mask, sizes: Array) -> Array:
    """Return ln of how much likelier offsets are by the day's reference oils, and by its samples before this one."""
    told = np.zeros(sizes.shape)
    for offsets, older in ((evidence.cell_offsets, _OLDER_THAN_OILS), (evidence.day_offsets, _OLDER_THAN_SAMPLES)):
        found = np.zeros(sizes.shape)
        for T, offset, sd in offsets:
            if (mask & evidence.near(T)).any() and T in evidence.temperatures:
                width = np.hypot(sd, 0.3 * np.abs(sizes))
                found += tail_log(offset / sd) - tail_log((offset - sizes) / width) + np.log(sd / width)
        told += np.logaddexp(found + math.log(older), math.log(1.0 - older))
    return told


def warmed(evidence: Evidence, offsets_K: Array) -> Array:
    """Return what offsets of the cell's temperature do to each row: any by row."""
    viscous, T = evidence.viscous, evidence.temperature_C + ZERO_C
    change = np.where(viscous, 0.0, _slopes(evidence, ~viscous, T, OIL_DENSITY_SLOPE, np.asarray)) * offsets_K
    if viscous.any():
        own, slopes = evidence.mean[viscous], _slopes(evidence, viscous, np.log10(T), -DEFAULT_LINE_SLOPE, ordinate_of)
        turned = np.log10(1.0 + offsets_K[..., viscous] / T[viscous])
        change[..., viscous] = log_viscosity_of(ordinate_of(own) + slopes[viscous] * turned) - own
    return np.asarray(change)


def _slopes(evidence: Evidence, these: Mask, x: Array, default: float, ordinate: Callable[[Array], Array]) -> Array:
    """Return slopes by the coldest and the hottest expected value of each liquid; of one temperature, an oil's."""
    slope = np.full(evidence.mean.shape, default)
    names = np.array([row.oil for row in evidence.rows])
    for name in np.unique(names[these]):
        here = these & (names == name)
        places = np.flatnonzero(here)
        cold, hot = places[x[places].argmin()], places[x[places].argmax()]
        if x[hot] > x[cold]:
            slope[here] = (ordinate(evidence.mean[hot]) - ordinate(evidence.mean[cold])) / (x[hot] - x[cold])
    return slope


# --- Air ---


def bubble_places(evidence: Evidence) -> list[tuple[str, Mask, float]]:
    """One fill at one temperature or at all, or every fill, at the hottest or at all, where it is as unequal as [-]."""
    temperatures, fills, here = evidence.temperatures, evidence.fills, evidence.in_cell
    places: list[tuple[str, Mask, float]] = []
    for fill in fills:
        name = f"in fill {fill}, " if len(fills) > 1 else ""
        this = here & (evidence.replicate == fill)
        places += [(f"{name}at {celsius(T)}", this & evidence.near(T), 0.0) for T in temperatures]
        if len(temperatures) > 1:
            places.append((f"{name}at every temperature", this, _UNEQUAL_AIR))
    if len(fills) > 1:
        places.append(("in every fill", here, _UNEQUAL_AIR))
        if len(temperatures) > 1:
            name, this = f"in every fill at {celsius(temperatures[-1])}", here & evidence.near(temperatures[-1])
            places.append((name, this, _UNEQUAL_AIR))
    return places


def _bubble(evidence: Evidence) -> Paths:
    fractions, places, alone = sizes_of("air bubble"), bubble_places(evidence), 1.0 - _SURELY_COUPLED
    couplings = {True: _SURELY_COUPLED, False: alone} if evidence.coupled is None else {evidence.coupled: 1.0}
    shares = np.stack([mask for _, mask, _ in places])[:, np.newaxis, :] * fractions[:, np.newaxis]
    effects = np.concatenate([aired(evidence, shares, coupled) for coupled in couplings])
    weights = np.repeat(list(couplings.values()), len(places)) / len(places)
    where = tuple(where for where, *_ in places) * len(couplings)
    unequal = tuple(unequal for *_, unequal in places) * len(couplings)
    return Paths("air bubble", where, weights, np.tile(fractions, (len(where), 1)), effects, unequal)


def aired(evidence: Evidence, fraction: Array, coupled: bool) -> Array:
    """Return what a share of air in each row does: any by row."""
    viscosity = -np.log1p(-fraction) if coupled else np.zeros_like(fraction)
    return np.where(evidence.viscous, viscosity, -fraction * evidence.mean)


_MAKERS: dict[str, Callable[[Evidence], Paths | None]] = {
    "cell temperature": _temperature,
    "air bubble": _bubble,
    "residue": residue,
    "solvent": solvent,
    "dilution": dilution,
    "water": water,
    "blend": blend,
    "changed": changed,
    "light ends": light_ends,
    "wax": wax,
}
