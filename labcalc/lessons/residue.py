"""What a residue does: a little of the oil before, rinses, and the signs of pairs."""

import math
from functools import lru_cache, partial

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from labcalc.formulae import viscosity_from_ordinate, walther_ordinate
from labcalc.lessons.plots import Agreement, Array, Plot, curve, normal_draws, plot_of, share_curve
from labcalc.lessons.repeats import limit_factor

_CASES = 100_000
_PAIRS = 10


def error_of_residue(viscosity: float, before: float, share: float) -> float:
    """Return how far a viscosity is off by a share [-] of the oil before, [%]; both viscosities in mm²/s.

    References
    ----------
    .. [1] ASTM D7152-11(2016), double-log blending: ordinates of the viscosity-temperature chart add up by volume.
    """
    mixed = (1.0 - share) * walther_ordinate(viscosity) + share * walther_ordinate(before)
    return 100.0 * (float(viscosity_from_ordinate(mixed)) / viscosity - 1.0)


def slope_of(viscosity: float, before: float) -> float:
    """Return what 1 % of residue does to a viscosity, [%]."""
    return error_of_residue(viscosity, before, 0.01)


def left_after(share: float, rinses: int) -> float:
    """Return what of the oil before is left after some rinses that each leave a share, [-]."""
    return share**rinses


def sign_share(shift: float) -> float:
    """Return how often the first fill gives more, [-], where a residue raises it by a shift, [s]."""
    return math.erfc(-shift / 2.0) / 2.0  # the difference scatters with √2


def beyond_by_residue(shift: float) -> float:
    """Return how many pairs lie beyond r, [-], where a residue raises each first fill by a shift, [s]."""
    return sum(math.erfc((limit_factor() - side * shift) / 2.0) / 2.0 for side in (1.0, -1.0))


def share_of_signs(pairs: int, on_one_side: int) -> float:
    """Return how often chance puts so many pairs or more on one side, whichever it is, [-]: the sign test."""
    from scipy.special import bdtrc

    return min(1.0, 2.0 * float(bdtrc(on_one_side - 1, pairs, 0.5)))


def draw_fills(generator: Generator, pairs: int = 6) -> tuple[Array, Array, float, float]:
    """Draw first and second fills of a thin oil after a thick one, [mm²/s], and the two viscosities, [mm²/s]."""
    thin, thick = round(float(generator.uniform(8.0, 20.0)), 1), round(float(generator.uniform(220.0, 460.0)), 0)
    share = float(generator.uniform(0.002, 0.006))
    levels = np.array([thin * (1.0 + error_of_residue(thin, thick, one) / 100.0) for one in (share, share**2)])
    drawn = np.round(generator.normal(levels[:, np.newaxis], 0.0008 * thin, (2, pairs)), 3)
    return drawn[0], drawn[1], thin, thick


def _noise() -> Array:
    """Scatter of first less second fill, [standard deviations of a result]."""
    first, second = normal_draws(121, 2, _CASES)
    return np.asarray(first - second)


@lru_cache(maxsize=8)
def _drops(share: float, rinses: int) -> NDArray[np.bool_]:
    """Tell of many drops of the oil before whether each has stayed at every rinse."""
    return np.asarray((np.random.default_rng([122, rinses]).random((_CASES, rinses)) < share).all(axis=1))


def plot_before(share_percent: float) -> Plot:
    """Show what a residue does to three oils, by the viscosity of the oil before."""
    before, error = np.geomspace(2.0, 1000.0, 25), partial(error_of_residue, share=share_percent / 100.0)
    series = [curve(f"oil of {oil:.0f} mm²/s", before, partial(error, oil)) for oil in (5.0, 46.0, 320.0)]
    errors = {"worst": error(5.0, 1000.0), "usual": error(46.0, 32.0)}
    return plot_of("residue", "before", {"left": share_percent, **errors}, series, [0.0])


def plot_rinses(share_percent: float) -> Plot:
    """Show what is left after one rinse, two, and three."""
    share, rinses = share_percent / 100.0, [1, 2, 3]
    theory = share_curve("theory", rinses, partial(left_after, share))
    seen = [n for n in rinses if _drops(share, n).any()]
    series = (theory, share_curve("drops counted", seen, partial(_drops, share), "points"))
    return plot_of("residue", "rinses", {"share": share_percent, "left": theory.y}, series)


def plot_seen(shift: float) -> Plot:
    """Show how many pairs lie beyond r, and how many have a higher first fill, by the size of the residue's effect."""
    at, noise = np.linspace(0.0, 4.0, 17), _noise()
    series = (
        share_curve("beyond r", at, beyond_by_residue),
        share_curve("first fill higher", at, sign_share),
        share_curve("beyond r, simulated", at, lambda one: np.abs(noise + one) > limit_factor(), "points"),
    )
    shares = {"beyond": beyond_by_residue(shift), "more": sign_share(shift), "nine": share_of_signs(_PAIRS, _PAIRS - 1)}
    return plot_of("residue", "seen", {"shift": shift, **shares}, series, marks=[shift])


def residue_agreements() -> tuple[Agreement, ...]:
    """Lay the claims of this lesson beside simulation."""
    raised, ups = _noise() + 2.0, (np.random.default_rng(123).random((20_000, _PAIRS)) < 0.5).sum(axis=1)
    beyond, on_one_side = np.abs(raised) > limit_factor(), np.maximum(ups, _PAIRS - ups)
    return (
        Agreement.of_share("Left after two rinses that leave a fifth each", left_after(0.2, 2), _drops(0.2, 2)),
        Agreement.of_share("Pairs beyond r, first fill raised by 2 s", beyond_by_residue(2.0), beyond),
        Agreement.of_share("First fill higher, raised by 2 s", sign_share(2.0), raised > 0.0),
        Agreement.of_share("Nine of ten pairs on one side by chance", share_of_signs(_PAIRS, 9), on_one_side >= 9),
        Agreement.of_mean("First less second fill, raised by 2 s", 2.0, raised, "s"),
    )
