r"""What liquids do that get into an oil, and what happens to a sample by itself: ageing, light ends, wax.

Viscosities of mixtures follow two rules that bracket what mixtures do, each as likely as the other: the double-log rule
of ASTM D7152, and the logarithmic one, ln ν in proportion to volume. Densities add by volume. Drops of water thicken by
G. I. Taylor's law (Proc. R. Soc. A 138 (1932) 41) where they flow, by up to 3.5 % a volume per cent where additives
make them rigid or let them clot:

.. math:: \ln R = s \varphi, \quad s \ge 2.5 \frac{\lambda + 0.4}{\lambda + 1}, \quad \lambda = \eta_w / \eta_0

A sample changes in a pattern of ln ν and ρ: oxidation and evaporation thicken the cold end more and make heavier, shear
thins both ends alike and leaves the density. A shift of the density alone is none of them.
"""

from collections.abc import Sequence

import numpy as np

from labcalc.formulae import water_viscosity
from labcalc.judgement.causes.catalogue import Array, Paths, log_viscosity_of, ordinate_of, sizes_of
from labcalc.judgement.causes.evidence import Evidence
from labcalc.judgement.causes.expectation import Liquid

_ANY_OIL_VISCOSITY, _ANY_OIL_DENSITY = 50.0, 870.0  # for what wasn't measured: [mm²/s], [kg/m³]
_FADES = (1.0, 0.4, 0.0)  # share of what stayed in the cell that is left in the next fill, [-]: any ratio can be
_SOLVENT_LEFT_HOT = (0.05, 0.5)  # share of what is there at the coldest temperature, left at the hottest, if it boils
_PETROL_LEFT_HOT = (0.6, 1.0)
_WATER_LEFT_HOT = (0.0, 0.5, 1.0)
_DROPS = (1.0, 1.9, 3.3)  # ln of the mixture's viscosity over the oil's a volume of water [-], at least Taylor's
_STEAM = (1.0, 5.0)  # share of a cell above the boiling point that is steam, over the share of water in the sample, [-]
_STEAM_SHARE = 0.3
_BOILS_C = 95.0
_MOST = 0.95  # no mixture is taken for more of what got in than of the sample, [-]
_BOILS_FROM_C = 80.0  # hottest temperature of a run from which light liquids leave the cell, [°C]: labcalc's own choice

# a usual gas oil: middle of EN 590's 2.0 to 4.5 mm²/s and 820 to 845 kg/m³
FUEL = Liquid("a gas oil", ((40.0, 2.9), (100.0, 1.2)), ((15.0, 835.0), (100.0, 775.0)))
FUELS = (  # what dilutes: middles of EN 228 and of jet fuel's limits, and the gas oil
    Liquid("a petrol", ((20.0, 0.62), (40.0, 0.50)), ((15.0, 745.0), (40.0, 722.0))),
    Liquid("a kerosine", ((40.0, 1.25), (100.0, 0.65)), ((15.0, 800.0), (100.0, 736.0))),
    FUEL,
)
SOLVENTS = (  # round values of what cells are cleaned with [memory]; they cover the densities from 670 to 850 kg/m³
    Liquid("a light hydrocarbon such as heptane", ((40.0, 0.50), (90.0, 0.35)), ((40.0, 667.0), (100.0, 612.0))),
    Liquid("acetone or an alcohol", ((40.0, 0.60), (90.0, 0.40)), ((40.0, 768.0), (100.0, 705.0))),
    Liquid("an aromatic such as toluene", ((40.0, 0.56), (100.0, 0.35)), ((40.0, 848.0), (100.0, 790.0))),
)
# temperature [°C] and density of water [kg/m³], above 100 °C under its vapour pressure (IAPWS-95)
WATER_DENSITY = ((0.0, 10.0, 20.0, 40.0, 60.0, 80.0, 100.0, 120.0),
                 (999.8, 999.7, 998.2, 992.2, 983.2, 971.8, 958.4, 943.2))  # fmt: skip

_Variant = tuple[str, Array, tuple[Array, Array]]  # words, share of the size in each row, ordinate and density there

# changes by sign, what 100 °C has of what 40 °C has [-], density per ln ν [kg/m³], and how often it is so
_AGEING = (
    *((1.0, hot, density, 1.0) for hot in (0.6, 0.85) for density in (5.0, 14.0, 26.0)),
    *((-1.0, hot, 0.0, 1.5) for hot in (0.9, 1.03)),
)

# per per cent of mass lost: distillates +2.5 % and +0.44 kg/m³, crudes +10 % and +2 kg/m³
_LIGHT_ENDS = ((1.0, 0.8, 18.0, 1.0), (1.0, 0.8, 25.0, 1.0))
_WAX = ((1.0, 1.0, 0.0, 1.0), (1.0, 1.0, 4.0, 1.0))
_WAXY_BELOW_C, _WAXY_FROM = 25.0, 5.3  # wax is looked for up to this, [°C], and from this ln ν on there: 200 mm²/s


def fading(evidence: Evidence, left: tuple[float, ...]) -> list[tuple[str, Array]]:
    """Return how much each row has of what fades from fill to fill, for each share left of it in the next fill, [-]."""
    fills = evidence.fills
    if len(fills) == 1 and (evidence.replicate == fills[0]).all():
        return [("", np.ones(len(evidence.rows)))]
    words = {1.0: "in every fill", 0.0: "in the first fill"}
    first, later = evidence.replicate == fills[0], np.maximum(evidence.replicate - fills[0], 1)
    told = [words.get(share, "falling from fill to fill") if len(fills) > 1 else "" for share in left]
    return [(where, np.where(first, 1.0, share**later)) for where, share in zip(told, left, strict=True)]


def left_when_hot(evidence: Evidence, shares: tuple[float, ...]) -> list[Array]:
    """How much of what boils off is left in each row, for each share left at the hottest temperature, [-]."""
    temperatures = evidence.temperatures
    cold, hot = temperatures[0], temperatures[-1]
    if hot < _BOILS_FROM_C or hot == cold:
        return [np.ones(len(evidence.rows))]
    risen = np.clip((evidence.temperature_C - cold) / (hot - cold), 0.0, 1.0)
    return [1.0 - (1.0 - share) * risen for share in shares]


def residue(evidence: Evidence) -> Paths | None:
    """The run before, in every fill alike, less from fill to fill, or in the first only; None without one."""
    if evidence.before is None:
        return None
    theirs = _at(evidence, evidence.before.liquid)
    variants = [(words, share * evidence.in_cell, theirs) for words, share in fading(evidence, _FADES)]
    return _mixtures(evidence, "residue", variants, (len(variants), True))


def solvent(evidence: Evidence) -> Paths:
    """Cleaning liquid, of which less is left when it is hot."""
    fades, left = fading(evidence, _FADES), left_when_hot(evidence, _SOLVENT_LEFT_HOT)
    variants = [
        (f"{name}{f', {words}' if words else ''}", share * evidence.in_cell * hot, theirs)
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
        (liquid.name, np.asarray(left * evidence.in_bottle), _at(evidence, liquid))
        for liquid in FUELS
        for left in (hot if liquid is FUELS[0] else hot[-1:])
    ]
    return _mixtures(evidence, "dilution", variants, (len(variants), False))


def blend(evidence: Evidence) -> Paths | None:
    """Another product of the house in the bottle: a top-up, a wrong tank."""
    viscous, variants = evidence.viscous, []
    for one in evidence.telling_products:
        mean, _ = one.expectation.moments(viscous, evidence.temperature_C)
        variants.append((one.name, evidence.in_bottle.astype(float), (ordinate_of(np.where(viscous, mean, 1.0)), mean)))
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
    hot = (at > _BOILS_C) * evidence.in_bottle
    variants = [(left, slope, 0.0, 1.0) for left in shares for slope in _DROPS]
    if hot.any():
        each = _STEAM_SHARE / (1.0 - _STEAM_SHARE) * len(shares) / len(_STEAM)
        variants += [(shares[0], slope, steam, each) for steam in _STEAM for slope in _DROPS]
    left, slopes, steam, weights = (np.array(one) for one in zip(*variants, strict=True))
    share = fractions[:, np.newaxis] * (left * evidence.in_bottle)[:, np.newaxis, :]
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
    kinematic, density = np.full(mean.shape, _ANY_OIL_VISCOSITY), np.full(mean.shape, _ANY_OIL_DENSITY)
    for these, values in ((viscous, kinematic), (~viscous, density)):
        for place in range(at.size):
            if (partners := np.flatnonzero(these & (np.abs(at - at[place]) <= 0.1))).size:
                values[place] = np.exp(mean[partners[0]]) if these is viscous else mean[partners[0]]
    return kinematic, density


def changed(evidence: Evidence) -> Paths | None:
    """The sample has aged in its bottle; densities alone don't tell that."""
    if not evidence.viscous.any():
        return None
    return _paths("changed", evidence, _AGEING, [("", evidence.in_bottle.astype(float))])


def light_ends(evidence: Evidence) -> Paths | None:
    """Light ends leave between the fills."""
    fills = evidence.fills
    if len(fills) < 2:
        return None
    later = (evidence.replicate - fills[0]).astype(float)
    return _paths("light ends", evidence, _LIGHT_ENDS, [("", evidence.in_bottle * later)])


def wax(evidence: Evidence) -> Paths | None:
    """Structure in the coldest measurement, less of it from fill to fill."""
    cold = evidence.temperatures[0]
    here = evidence.near(cold) & evidence.in_bottle
    thick = evidence.mean[here & evidence.viscous]
    if not thick.size or (cold > _WAXY_BELOW_C and thick[0] < _WAXY_FROM):
        return None
    return _paths("wax", evidence, _WAX, [(words, here * share) for words, share in fading(evidence, (1.0, 0.75))])


def _paths(
    cause: str, evidence: Evidence, patterns: Sequence[tuple[float, ...]], places: Sequence[tuple[str, Array]]
) -> Paths:
    warm = np.clip((evidence.temperature_C - 40.0) / 60.0, -0.5, 1.0)
    sign, hot, density, weight = np.tile(patterns, (len(places), 1)).T[..., np.newaxis]
    shares = np.repeat([share for _, share in places], len(patterns), axis=0)
    directions = shares * np.where(evidence.viscous, 1.0 + (hot - 1.0) * warm, density)
    signed = sign * sizes_of(cause)
    effects = signed[:, :, np.newaxis] * directions[:, np.newaxis, :]
    where = tuple(words for words, _ in places for _ in patterns)
    return Paths(cause, where, weight[:, 0] / weight.sum(), signed, effects)
