"""What happens to a sample by itself: ageing told by its pattern, light ends that leave, wax in the cold.

A pattern says how ln ν and ρ go together: oxidation and evaporation thicken the cold end more and make heavier, shear
thins both ends alike and leaves the density. A shift of the density alone is none of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labcalc.judgement.causes.affected_rows import fading, in_bottle, near, run_fills, run_temperatures
from labcalc.judgement.causes.catalogue import Paths, sizes_of
from labcalc.judgement.causes.evidence import Evidence

Array = NDArray[np.float64]


@dataclass(frozen=True)
class _Pattern:
    """A change by its sign, what 100 °C has of what 40 °C has [-], density per ln ν [kg/m³], and how often it is so."""

    sign: float
    hot: float
    density: float
    weight: float


_AGEING = (
    *(_Pattern(1.0, hot, density, 1.0) for hot in (0.6, 0.85) for density in (5.0, 14.0, 26.0)),
    *(_Pattern(-1.0, hot, 0.0, 1.5) for hot in (0.9, 1.03)),
)
_LIGHT_ENDS = (_Pattern(1.0, 0.8, 18.0, 1.0), _Pattern(1.0, 0.8, 25.0, 1.0))
"""Per per cent of mass lost: distillates +2.5 % and +0.44 kg/m³, crudes +10 % and +2 kg/m³."""
_WAX = (_Pattern(1.0, 1.0, 0.0, 1.0), _Pattern(1.0, 1.0, 4.0, 1.0))

_WAXY_BELOW_C, _WAXY_FROM = 25.0, 5.3
"""Wax is looked for up to this temperature [°C], and in what is thicker than ln ν there: 200 mm²/s."""


def changed(evidence: Evidence) -> Paths | None:
    """The sample has aged in its bottle; densities alone don't tell that."""
    if not evidence.viscous.any():
        return None
    return _paths("changed", evidence, _AGEING, [("", in_bottle(evidence).astype(float))])


def light_ends(evidence: Evidence) -> Paths | None:
    """Light ends leave between the fills."""
    fills = run_fills(evidence)
    if len(fills) < 2:
        return None
    return _paths(
        "light ends", evidence, _LIGHT_ENDS, [("", in_bottle(evidence) * (evidence.replicate - fills[0]).astype(float))]
    )


def wax(evidence: Evidence) -> Paths | None:
    """Structure in the coldest measurement, less of it from fill to fill."""
    cold = run_temperatures(evidence)[0]
    here = near(evidence, cold) & in_bottle(evidence)
    thick = evidence.mean[here & evidence.viscous]
    if not thick.size or (cold > _WAXY_BELOW_C and thick[0] < _WAXY_FROM):
        return None
    return _paths("wax", evidence, _WAX, [(words, here * share) for words, share in fading(evidence, (1.0, 0.75))])


def _paths(cause: str, evidence: Evidence, patterns: Sequence[_Pattern], places: Sequence[tuple[str, Array]]) -> Paths:
    warm = np.clip((evidence.temperature_C - 40.0) / 60.0, -0.5, 1.0)
    sizes = sizes_of(cause)
    variants = [(words, share, one) for words, share in places for one in patterns]
    directions = np.stack(
        [share * np.where(evidence.viscous, 1.0 + (one.hot - 1.0) * warm, one.density) for _, share, one in variants]
    )
    signed = np.stack([one.sign * sizes for *_, one in variants])
    weights = np.array([one.weight for *_, one in variants])
    effects = signed[:, :, np.newaxis] * directions[:, np.newaxis, :]
    return Paths(cause, tuple(words for words, *_ in variants), weights / weights.sum(), signed, effects)
