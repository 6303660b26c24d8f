"""Density from the period of an oscillating U-tube."""

from dataclasses import dataclass

from numpy.typing import ArrayLike

from labcalc.formulae._refusals import Array, liquid_density, positive, refuse_not_above, refuse_outside
from labcalc.formulae._series import keeps_index

EDITION = "ISO 12185:1996 / ASTM D4052-11, adjustment with air and water"


@dataclass(frozen=True, eq=False)
class OscillatingTube:
    r"""The constants of a tube at the one temperature at which it was adjusted, :math:`\rho = A \tau^2 - B`.

    They hold for liquids that damp the tube as little as water does. What a thick oil adds (it reads too dense, by some
    0.1 to 0.7 kg/m³) the meter itself corrects, if it is told to; it is not corrected here a second time.
    """

    A: Array  # constant of the squared period, [kg/m³/µs²]
    B: Array  # constant, [kg/m³]

    @keeps_index
    def density(self, period_us: ArrayLike) -> Array:
        """Return the density, [kg/m³], of what fills the tube.

        period_us : Period of the oscillation, [µs], more than zero.
        """
        return self.A * positive(period_us, "period", "µs") ** 2 - self.B


def adjust_oscillating_tube(
    period_air_us: ArrayLike, density_air: ArrayLike, period_water_us: ArrayLike, density_water: ArrayLike
) -> OscillatingTube:
    r"""Return the constants, A in [kg/m³/µs²], B in [kg/m³], of a tube from its periods with air and with water.

    .. math:: A = \frac{\rho_w - \rho_a}{\tau_w^2 - \tau_a^2}, \qquad B = A \tau_a^2 - \rho_a

    period_air_us, density_air : Period with clean, dry air, [µs], and its density, [kg/m³]: ``dry_air_density``.
    period_water_us, density_water : Period with freshly boiled water, [µs], longer than with air, and its density,
        [kg/m³]: ``water_density``.
    Source : ISO 12185:1996 and ASTM D4052-11: the density is linear in the square of the period.

    >>> tube = adjust_oscillating_tube(2550.0, 1.2045, 3850.0, 998.207)
    >>> tube.density([2550.0, 3700.0, 3850.0]).round(4)
    array([  1.2045, 862.4972, 998.207 ])
    """
    air, water = positive(period_air_us, "period with air", "µs"), positive(period_water_us, "period with water", "µs")
    limits = {"lowest": 0.4, "highest": 1.6}
    reason = "air has 0.4 kg/m³ in a hot cell on a mountain, 1.6 kg/m³ in a cold one"
    light = refuse_outside(density_air, "density of air", "kg/m³", **limits, meant=(1000.0, "g/cm³"), reason=reason)
    heavy = liquid_density(density_water, "density of water")
    reason = "a tube swings slower with water than with air; are the two exchanged?"
    refuse_not_above(water, air, "period with water", "µs", reason)
    A = (heavy - light) / (water**2 - air**2)
    return OscillatingTube(A[()], (A * air**2 - light)[()])
