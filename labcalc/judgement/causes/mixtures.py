r"""What liquids do that get into an oil: residue, solvent, fuel, water.

Viscosities of mixtures follow two rules that bracket what mixtures do, each as likely as the other: the double-log rule
of ASTM D7152, and the logarithmic one, ln ν in proportion to volume. Densities add by volume; drops of water thicken by
G. I. Taylor's law (Proc. R. Soc. A 138 (1932) 41):

.. math:: \eta = \eta_0 \left[ 1 + 2.5 \varphi \frac{\lambda + 0.4}{\lambda + 1} \right],
    \quad \lambda = \eta_w / \eta_0
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labcalc.formulae import water_viscosity
from labcalc.judgement.causes.affected_rows import fill_places, in_bottle, left_when_hot
from labcalc.judgement.causes.liquids import ANY_OIL_DENSITY, ANY_OIL_VISCOSITY, WATER_DENSITY
from labcalc.judgement.causes.paths import Paths, Stack, log_viscosity_of, ordinate_of, sizes_of

Array = NDArray[np.float64]

_SOLVENT_LEFT_HOT = (0.02, 0.12, 0.3, 0.6)
"""Share of the solvent at the coldest temperature that is left at the hottest one, where that makes it boil, [-]."""
_WATER_LEFT_HOT = (0.0, 0.5, 1.0)

_MOST = 0.95
"""No mixture is taken for more of what got in than of the sample, [-]."""


@dataclass(frozen=True, eq=False)
class _Added:
    """Liquids that get in: share of the size in each row, ordinate and density of the liquid in each row.

    Shapes: path by row, and of ordinate and density (run by) path by row.
    """

    where: tuple[str, ...]
    share: Array
    ordinate: Array
    density: Array


def residue(stack: Stack) -> Paths | None:
    """The run before, in every fill or in the first; None without one."""
    if not stack.before:
        return None
    places, at = fill_places(stack.layout), stack.layout.temperature_C
    liquids = [one.before.liquid for one in stack.before if one.before is not None]
    ordinate, density = (np.stack(values)[:, np.newaxis, :] for values in (
        [liquid.ordinate_at(at) for liquid in liquids], [liquid.density_at(at) for liquid in liquids]))  # fmt: skip
    share = np.stack([mask.astype(float) for _, mask in places])
    return _mixtures(stack, "residue", _Added(tuple(where for where, _ in places), share, ordinate, density))


def solvent(stack: Stack) -> Paths:
    """Cleaning liquid, of which less is left when it is hot."""
    layout, at = stack.layout, stack.layout.temperature_C
    variants = [
        (f"{liquid.name}{f', {where}' if where else ''}", mask * left, liquid)
        for liquid in layout.solvents
        for where, mask in fill_places(layout)
        for left in left_when_hot(layout, _SOLVENT_LEFT_HOT)
    ]
    ordinates = {one.name: (one.ordinate_at(at), one.density_at(at)) for one in layout.solvents}
    ordinate, density = (np.stack([ordinates[one.name][k] for *_, one in variants]) for k in (0, 1))
    share = np.stack([share for _, share, _ in variants])
    return _mixtures(stack, "solvent", _Added(tuple(where for where, *_ in variants), share, ordinate, density))


def dilution(stack: Stack) -> Paths:
    """Fuel in the bottle."""
    fuel, at = stack.layout.fuel, stack.layout.temperature_C
    share = in_bottle(stack.layout).astype(float)[np.newaxis]
    return _mixtures(stack, "dilution", _Added(("",), share, fuel.ordinate_at(at), fuel.density_at(at)))


def _mixtures(stack: Stack, cause: str, added: _Added) -> Paths:
    """Return the paths of liquids that get in, each by both rules."""
    fractions, viscous = sizes_of(cause), stack.viscous
    share = np.minimum(fractions[:, np.newaxis] * added.share[:, np.newaxis, :], _MOST)
    mean = stack.mean[:, np.newaxis, np.newaxis, :]
    effects = np.zeros((2, len(stack.mean), *share.shape))
    if viscous.any():
        part, here = share[..., viscous], mean[..., viscous]
        theirs = added.ordinate[..., np.newaxis, viscous]
        effects[0][..., viscous] = _blended(here, part, theirs)
        effects[1][..., viscous] = part * (log_viscosity_of(theirs) - here)
    if not viscous.all():
        effects[..., ~viscous] = share[..., ~viscous] * (added.density[..., np.newaxis, ~viscous] - mean[..., ~viscous])
    where = added.where * 2
    weights, sizes = np.full(len(where), 1.0 / len(where)), np.tile(fractions, (len(where), 1))
    return Paths(cause, where, weights, sizes, np.concatenate([effects[0], effects[1]], axis=1))


def _blended(log_viscosity: Array, share: Array, ordinate: Array) -> Array:
    """Return the change of ln ν by the double-log rule."""
    own = ordinate_of(log_viscosity)
    return log_viscosity_of(own + share * (ordinate - own)) - log_viscosity


def mixture(stack: Stack, share: Array, ordinate: Array, density: Array) -> Array:
    """Return what a share of a liquid in each row does to one run, by the double-log rule."""
    mean = stack.mean[0]
    change = share * (density - mean)
    change[stack.viscous] = _blended(mean[stack.viscous], share[stack.viscous], ordinate[stack.viscous])
    return np.asarray(change)


def water(stack: Stack) -> Paths:
    """Water in the bottle, of which less may be left when it is hot."""
    fractions, at = sizes_of("water"), stack.layout.temperature_C
    left = np.stack(left_when_hot(stack.layout, _WATER_LEFT_HOT)) * in_bottle(stack.layout)
    share = fractions[:, np.newaxis] * left[:, np.newaxis, :]
    kinematic, density = (one[:, np.newaxis, np.newaxis, :] for one in _both_quantities(stack))
    heavier = share * (np.interp(at, *WATER_DENSITY) - density)
    ratio = water_viscosity(np.clip(at, -20.0, 110.0)) / (kinematic * density * 1e-3)
    thickened = np.log1p(2.5 * share * (ratio + 0.4) / (ratio + 1.0)) - np.log1p(heavier / density)
    weights, sizes = np.full(len(left), 1.0 / len(left)), np.tile(fractions, (len(left), 1))
    return Paths("water", ("",) * len(left), weights, sizes, np.where(stack.viscous, thickened, heavier))


def _both_quantities(stack: Stack) -> tuple[Array, Array]:
    """Return ν [mm²/s] and ρ [kg/m³] as expected in each row; where one isn't measured there, any oil's will do."""
    at, viscous = stack.layout.temperature_C, stack.viscous
    kinematic, density = np.full(stack.mean.shape, ANY_OIL_VISCOSITY), np.full(stack.mean.shape, ANY_OIL_DENSITY)
    for these, values in ((viscous, kinematic), (~viscous, density)):
        for place in range(at.size):
            if (partners := np.flatnonzero(these & (np.abs(at - at[place]) <= 0.1))).size:
                values[:, place] = stack.mean[:, partners[0]]
                if these is viscous:
                    values[:, place] = np.exp(values[:, place])
    return kinematic, density
