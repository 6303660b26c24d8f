"""Density against temperature, or minus what the standard's table expects."""

import numpy as np

from labcalc.figures.picture import Numbers, Picture
from labcalc.figures.theme import ACCENT, band, blank_figure, marker, stroke
from labcalc.judgement import Curve, reported_value
from labcalc.wording import celsius, numeral, plain


def draw_density_temperature(curve: Curve, sample: str, commodity: str, *, minus_expected: bool = False) -> Picture:
    """Draw a run's densities and the curve of the petroleum measurement tables from the coldest of them.

    curve : Density [kg/m³] against temperature [°C].
    sample : Name of the sample, for the caption.
    commodity : Commodity group of the curve.
    minus_expected : Draw the difference from that curve, which is a hundred times smaller than the fall itself.
    """
    is_difference = minus_expected and curve.temperature_C.size > 0
    title = "ρ − table, kg/m³" if is_difference else "Density, kg/m³"
    figure = blank_figure("Temperature, °C", title, height=200, xaxis={"hoverformat": ".2~f"})
    grid, drawn, measured = curve.temperature_C, curve.value, curve.measured
    if is_difference:
        drawn, measured = np.zeros_like(curve.value), curve.measured - np.interp(curve.measured_C, grid, curve.value)
    if grid.size and np.isfinite(curve.half_width).all():
        figure.add_scatter(
            **band(grid, drawn + curve.half_width, drawn - curve.half_width, name="expanded uncertainty (95 %)")
        )
    if grid.size:
        line = {"mode": "lines", "line": stroke(dash="dash"), "hovertemplate": _HOVER}
        figure.add_scatter(x=grid, y=drawn, name=f"table for {commodity}", **line)
    points = {"mode": "markers", "marker": marker("square", ACCENT), "hovertemplate": _HOVER}
    figure.add_scatter(x=curve.measured_C, y=measured, name="measured", **points)
    return Picture(figure, _caption(curve, sample, commodity, minus=is_difference), *_numbers(curve))


_HOVER = "%{x} °C: %{y:.2f} kg/m³<extra></extra>"


def _caption(curve: Curve, sample: str, commodity: str, *, minus: bool) -> str:
    means = {t: curve.measured[curve.measured_C == t].mean() for t in np.unique(curve.measured_C)}
    values = " and ".join(f"{reported_value('density', v)} kg/m³ at {celsius(t)}" for t, v in means.items())
    if not curve.temperature_C.size:
        return f"Density of {sample}: {values}. It is outside the tables for a {commodity}."
    told = "minus" if minus else "dashed,"
    return (
        f"Density of {sample}: {values}; {told} the fall that API MPMS 11.1 gives for a {commodity}; the band: how far "
        "such oils are from it."
    )


def _numbers(curve: Curve) -> Numbers:
    measured = [(plain(t), numeral(v, 2), "measured") for t, v in zip(curve.measured_C, curve.measured, strict=True)]
    table = [
        (numeral(t, 1), numeral(v, 2), "table") for t, v in zip(curve.temperature_C[::3], curve.value[::3], strict=True)
    ]
    return ("Temperature, °C", "Density, kg/m³", "Kind"), tuple(measured + table)
