r"""What liquids do that get into an oil: residue, solvent, fuel, water.

Viscosities of mixtures follow two rules that bracket what mixtures do, each as likely as the other: the double-log rule
of ASTM D7152, and the logarithmic one, ln ν in proportion to volume. Densities add by volume. Drops of water thicken by
G. I. Taylor's law (Proc. R. Soc. A 138 (1932) 41) where they flow, by up to 3.5 % a volume per cent where additives
make them rigid or let them clot:

.. math:: \ln R = s \varphi, \quad s \ge 2.5 \frac{\lambda + 0.4}{\lambda + 1}, \quad \lambda = \eta_w / \eta_0
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from labcalc.formulae import water_viscosity
from labcalc.judgement.causes.affected_rows import at_cell, fading, in_bottle, left_when_hot
from labcalc.judgement.causes.evidence import Evidence
from labcalc.judgement.causes.liquids import ANY_OIL_DENSITY, ANY_OIL_VISCOSITY, FUELS, SOLVENTS, WATER_DENSITY, Liquid
from labcalc.judgement.causes.paths import Paths, log_viscosity_of, ordinate_of, sizes_of

Array = NDArray[np.float64]

_FADES = (1.0, 0.4, 0.0)  # share of what stayed in the cell that is left in the next fill, [-]: any ratio can be

_SOLVENT_LEFT_HOT = (0.05, 0.5)
"""Share of the solvent at the coldest temperature that is left at the hottest one, where that makes it boil, [-]."""
_PETROL_LEFT_HOT = (0.6, 1.0)
_WATER_LEFT_HOT = (0.0, 0.5, 1.0)

_DROPS = (1.0, 1.9, 3.3)  # ln of the mixture's viscosity over the oil's a volume of water [-], at least Taylor's
_STEAM = (1.0, 5.0)  # share of a cell above the boiling point that is steam, over the share of water in the sample, [-]
_STEAM_SHARE = 0.3
_BOILS_C = 95.0

_MOST = 0.95  # no mixture is taken for more of what got in than of the sample, [-]


_Variant = tuple[str, Array, tuple[Array, Array]]
"""A liquid that gets in: words, its share of the size in each row, and its ordinate and density there."""


def residue(evidence: Evidence) -> Paths | None:
    """The run before, in every fill alike, less from fill to fill, or in the first only; None without one."""
    if evidence.before is None:
        return None
    theirs = _at(evidence, evidence.before.liquid)
    variants = [(words, share * at_cell(evidence), theirs) for words, share in fading(evidence, _FADES)]
    return _mixtures(evidence, "residue", variants, (len(variants), True))


def solvent(evidence: Evidence) -> Paths:
    """Cleaning liquid, of which less is left when it is hot."""
    fades, left = fading(evidence, _FADES), left_when_hot(evidence, _SOLVENT_LEFT_HOT)
    variants = [
        (f"{name}{f', {words}' if words else ''}", share * at_cell(evidence) * hot, theirs)
        for name, theirs in [(one.name, _at(evidence, one)) for one in SOLVENTS]
        for words, share in fades
        for hot in left
    ]
    axes = (len(SOLVENTS), False), (len(fades), True), (len(left), True)
    return _mixtures(evidence, "solvent", variants, *axes)


def dilution(evidence: Evidence) -> Paths:
    """Fuel in the bottle; part of a petrol leaves when it is hot."""
    hot = left_when_hot(evidence, _PETROL_LEFT_HOT)
    variants = [
        (liquid.name, np.asarray(left * in_bottle(evidence)), _at(evidence, liquid))
        for liquid in FUELS
        for left in (hot if liquid is FUELS[0] else hot[-1:])
    ]
    return _mixtures(evidence, "dilution", variants, (len(variants), False))


def blend(evidence: Evidence) -> Paths | None:
    """Another product of the house in the bottle: a top-up, a wrong tank."""
    viscous, variants = evidence.viscous, []
    for one in evidence.telling_products:
        mean, _ = one.expectation.moments(viscous, evidence.temperature_C)
        variants.append(
            (one.name, in_bottle(evidence).astype(float), (ordinate_of(np.where(viscous, mean, 1.0)), mean))
        )
    return _mixtures(evidence, "blend", variants, (len(variants), False)) if variants else None


def _at(evidence: Evidence, liquid: Liquid) -> tuple[Array, Array]:
    return liquid.ordinate_at(evidence.temperature_C), liquid.density_at(evidence.temperature_C)


def _mixtures(evidence: Evidence, cause: str, variants: Sequence[_Variant], *axes: tuple[int, bool]) -> Paths:
    """Return the paths of liquids that get in, each by both rules, and anywhere between."""
    fractions, viscous, mean = sizes_of(cause), evidence.viscous, evidence.mean
    shares, ordinate, density = (
        np.stack(one)[:, np.newaxis, :]
        for one in zip(*((share, *theirs) for _, share, theirs in variants), strict=True)
    )
    share = np.minimum(fractions[:, np.newaxis] * shares, _MOST)
    effects = np.zeros((2, *share.shape))
    if viscous.any():
        part, here = share[..., viscous], mean[viscous]
        theirs = ordinate[..., viscous]
        effects[0][..., viscous] = _blended(here, part, theirs)
        effects[1][..., viscous] = part * (log_viscosity_of(theirs) - here)
    if not viscous.all():
        effects[..., ~viscous] = share[..., ~viscous] * (density[..., ~viscous] - mean[~viscous])
    where = tuple(words for words, *_ in variants) * 2
    weights, sizes = np.full(len(where), 1.0 / len(where)), np.tile(fractions, (len(where), 1))
    return Paths(cause, where, weights, sizes, np.concatenate([effects[0], effects[1]]), axes=((2, True), *axes))


def _blended(log_viscosity: Array, share: Array, ordinate: Array) -> Array:
    """Return the change of ln ν by the double-log rule."""
    own = ordinate_of(log_viscosity)
    return log_viscosity_of(own + share * (ordinate - own)) - log_viscosity


def mixture(evidence: Evidence, share: Array, ordinate: Array, density: Array) -> Array:
    """Return what a share of a liquid in each row does, by the double-log rule."""
    change, viscous = share * (density - evidence.mean), evidence.viscous
    change[viscous] = _blended(evidence.mean[viscous], share[viscous], ordinate[viscous])
    return np.asarray(change)


def water(evidence: Evidence) -> Paths:
    """Water in the bottle, of which less may be left when it is hot, or boils in the cell."""
    fractions, at = sizes_of("water"), evidence.temperature_C
    kinematic, density = _both_quantities(evidence)
    ratio = water_viscosity(np.clip(at, -20.0, 110.0)) / (kinematic * density * 1e-3)
    taylor = 2.5 * (ratio + 0.4) / (ratio + 1.0)
    shares = left_when_hot(evidence, _WATER_LEFT_HOT)
    hot = (at > _BOILS_C) * in_bottle(evidence)
    variants = [(left, slope, 0.0, 1.0) for left in shares for slope in _DROPS]
    if hot.any():
        each = _STEAM_SHARE / (1.0 - _STEAM_SHARE) * len(shares) / len(_STEAM)
        variants += [(shares[0], slope, steam, each) for steam in _STEAM for slope in _DROPS]
    left, slopes, steam, weights = (np.array(one) for one in zip(*variants, strict=True))
    share = fractions[:, np.newaxis] * (left * in_bottle(evidence))[:, np.newaxis, :]
    gas = np.minimum(fractions[:, np.newaxis] * steam[:, np.newaxis, np.newaxis] * hot, 0.5)
    heavier = share * (np.interp(at, *WATER_DENSITY) - density)
    thicker = np.maximum(slopes[:, np.newaxis, np.newaxis], taylor) * share - np.log1p(heavier / density)
    effects = np.where(evidence.viscous, thicker, heavier - gas * density)
    sizes = np.tile(fractions, (len(variants), 1))
    axes = ((len(variants) // len(_DROPS), False), (len(_DROPS), True))
    return Paths("water", ("",) * len(variants), weights / weights.sum(), sizes, effects, axes=axes)


def _both_quantities(evidence: Evidence) -> tuple[Array, Array]:
    """Return ν [mm²/s] and ρ [kg/m³] as expected in each row; where one isn't measured there, any oil's will do."""
    at, viscous, mean = evidence.temperature_C, evidence.viscous, evidence.mean
    kinematic, density = np.full(mean.shape, ANY_OIL_VISCOSITY), np.full(mean.shape, ANY_OIL_DENSITY)
    for these, values in ((viscous, kinematic), (~viscous, density)):
        for place in range(at.size):
            if (partners := np.flatnonzero(these & (np.abs(at - at[place]) <= 0.1))).size:
                values[place] = np.exp(mean[partners[0]]) if these is viscous else mean[partners[0]]
    return kinematic, density
