"""What a residue does: a little of the oil before, rinses, and the signs of pairs."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from labcalc.formulae import blend_viscosity_double_log
from labcalc.lessons.agreement import Agreement, agreement_of_mean, agreement_of_share
from labcalc.lessons.plots import Mark, Plot, Series
from labcalc.lessons.repeats import limit_factor
from labcalc.wording import percent, plain, signed

_CASES = 100_000
_PAIRS = 10


def error_of_residue(viscosity: float, before: float, share: float) -> float:
    """Return how far a viscosity is off by a residue of the oil before, [%].

    Parameters
    ----------
    viscosity, before : Kinematic viscosity of the oil and of the one before it, [mm²/s].
    share : Part of the cell that the residue takes, by volume, [-].

    References
    ----------
    .. [1] ASTM D7152-11(2016), double-log blending: ordinates of the viscosity-temperature chart add up by volume.
    """
    return 100.0 * (float(blend_viscosity_double_log([1.0 - share, share], [viscosity, before])) / viscosity - 1.0)


def slope_of(viscosity: float, before: float) -> float:
    """Return what 1 % of residue does to a viscosity, [%]."""
    return error_of_residue(viscosity, before, 0.01)


def left_after(share: float, rinses: int) -> float:
    """Return what of the oil before is left after some rinses that each leave a share, [-]."""
    return share**rinses


def sign_share(shift: float) -> float:
    """Return how often the first fill gives more where a residue raises it by a shift, [standard deviations], [-]."""
    return math.erfc(-shift / 2.0) / 2.0  # the difference scatters with √2


def beyond_by_residue(shift: float) -> float:
    """Return how many pairs lie beyond r where a residue raises each first fill by a shift, [standard deviations], [-]."""
    return sum(math.erfc((limit_factor() - side * shift) / 2.0) / 2.0 for side in (1.0, -1.0))


def share_of_signs(pairs: int, on_one_side: int) -> float:
    """Return how often chance puts so many pairs or more on one side, whichever it is, [-]: the sign test."""
    from scipy.special import bdtrc

    return min(1.0, 2.0 * float(bdtrc(on_one_side - 1, pairs, 0.5)))


def draw_fills(generator: Generator, pairs: int = 6) -> tuple[NDArray[np.float64], NDArray[np.float64], float, float]:
    """Draw first and second fills of a thin oil after a thick one, [mm²/s], and the two viscosities, [mm²/s]."""
    thin, thick = round(float(generator.uniform(8.0, 20.0)), 1), round(float(generator.uniform(220.0, 460.0)), 0)
    share = float(generator.uniform(0.002, 0.006))
    levels = np.array([thin * (1.0 + error_of_residue(thin, thick, one) / 100.0) for one in (share, share**2)])
    drawn = np.round(generator.normal(levels[:, np.newaxis], 0.0008 * thin, (2, pairs)), 3)
    return drawn[0], drawn[1], thin, thick


@lru_cache(maxsize=1)
def _noise() -> NDArray[np.float64]:
    """Scatter of first less second fill, [standard deviations of a result]."""
    drawn = np.random.default_rng(121).standard_normal((2, _CASES))
    return np.asarray(drawn[0] - drawn[1])


@lru_cache(maxsize=8)
def _drops(share: float, rinses: int) -> NDArray[np.bool_]:
    """Tell of many drops of the oil before whether each has stayed at every rinse."""
    return np.asarray((np.random.default_rng([122, rinses]).random((_CASES, rinses)) < share).all(axis=1))


def plot_before(share_percent: float) -> Plot:
    """Show what a residue does to three oils, by the viscosity of the oil before."""
    before, oils = np.geomspace(2.0, 1000.0, 25), (5.0, 46.0, 320.0)
    share = share_percent / 100.0
    worst = error_of_residue(5.0, 1000.0, share)
    return Plot(
        f"{share_percent:.2f} % of the oil before are left. In an oil of 5 mm²/s after one of 1000 mm²/s: "
        f"{signed(worst, 2)} %; in one of 46 after 32 mm²/s: {signed(error_of_residue(46.0, 32.0, share), 3)} %.",
        "Viscosity of the oil before, mm²/s",
        "Error of the first fill, %",
        tuple(
            Series(
                f"oil of {oil:.0f} mm²/s", before, np.array([error_of_residue(oil, float(b), share) for b in before])
            )
            for oil in oils
        ),
        levels=(Mark(0.0, "no error"),),
        x_log=True,
    )


def plot_rinses(share_percent: float) -> Plot:
    """Show what is left after one rinse, two, and more."""
    at, share = np.arange(1, 5), share_percent / 100.0
    theory = np.array([100.0 * left_after(share, int(n)) for n in at])
    found = np.array([100.0 * float(_drops(share, int(n)).mean()) for n in at])
    seen = found > 0.0
    return Plot(
        f"Each rinse leaves {share_percent:.0f} %. Left after one: {plain(theory[0], 3)} %, two: {plain(theory[1], 3)} %, "
        f"three: {plain(theory[2], 3)} %.",
        "Rinses",
        "Left of the oil before, %",
        (
            Series("theory", at.astype(float), theory),
            Series("drops counted", at[seen].astype(float), found[seen], "points"),
        ),
        y_log=True,
    )


def plot_seen(shift: float) -> Plot:
    """Show how many pairs lie beyond r, and how many have a higher first fill, by the size of the residue's effect."""
    at, noise = np.linspace(0.0, 4.0, 17), _noise()
    curves = [
        Series(name, at, np.array([100.0 * share(float(one)) for one in at]))
        for name, share in (("beyond r", beyond_by_residue), ("first fill higher", sign_share))
    ]
    found = np.array([100.0 * float(np.mean(np.abs(noise + one) > limit_factor())) for one in at])
    all_ten = share_of_signs(_PAIRS, _PAIRS - 1)
    return Plot(
        f"A residue that raises the first fill by {shift:.1f} s: {percent(beyond_by_residue(shift), 0)} of the pairs lie "
        f"beyond r, in {percent(sign_share(shift), 0)} the first fill gives more. Nine of ten on one side come by chance "
        f"in {percent(all_ten, 1)} of cases.",
        "Effect of the residue, s",
        "Pairs, %",
        (*curves, Series("beyond r, simulated", at, found, "points")),
        marks=(Mark(shift, f"{shift:.1f} s"),),
    )


def residue_agreements() -> tuple[Agreement, ...]:
    """Lay the claims of this lesson beside simulation."""
    noise = _noise()
    signs = np.random.default_rng(123).random((20_000, _PAIRS)) < 0.5
    on_one_side = np.maximum(signs.sum(axis=1), _PAIRS - signs.sum(axis=1))
    return (
        agreement_of_share("Left after two rinses that leave a fifth each", left_after(0.2, 2), _drops(0.2, 2)),
        agreement_of_share(
            "Pairs beyond r, first fill raised by 2 s", beyond_by_residue(2.0), np.abs(noise + 2.0) > limit_factor()
        ),
        agreement_of_share("First fill higher, raised by 2 s", sign_share(2.0), noise + 2.0 > 0.0),
        agreement_of_share("Nine of ten pairs on one side by chance", share_of_signs(_PAIRS, 9), on_one_side >= 9),
        agreement_of_mean("First less second fill, raised by 2 s", 2.0, noise + 2.0, "s"),
    )
