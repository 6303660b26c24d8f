"""Density against temperature, beside what the standard's table gives."""

from __future__ import annotations

import numpy as np

from labcalc.figures.picture import Numbers, Picture
from labcalc.figures.theme import ACCENT, band, blank_figure, marker, stroke
from labcalc.judgement import Curve, reported_value
from labcalc.wording import celsius, numeral, plain


def draw_density_temperature(curve: Curve, sample: str, commodity: str) -> Picture:
    """Draw a run's densities and the curve of the petroleum measurement tables from the coldest of them.

    curve : Density [kg/m³] against temperature [°C].
    sample : Name of the sample, for the caption.
    commodity : Commodity group of the curve.
    """
    figure = blank_figure("Temperature, °C", "Density, kg/m³", height=330, xaxis={"hoverformat": ".2~f"})
    if curve.temperature_C.size and np.isfinite(curve.half_width).all():
        ends = curve.value + curve.half_width, curve.value - curve.half_width
        figure.add_scatter(**band(curve.temperature_C, *ends, name=curve.band))
    if curve.temperature_C.size:
        figure.add_scatter(
            x=curve.temperature_C,
            y=curve.value,
            mode="lines",
            line=stroke(dash="dash"),
            name=f"table for {commodity}",
            hovertemplate="%{x} °C: %{y:.2f} kg/m³<extra></extra>",
        )
    figure.add_scatter(
        x=curve.measured_C,
        y=curve.measured,
        mode="markers",
        marker=marker("square", ACCENT),
        name="measured",
        hovertemplate="%{x} °C: %{y:.2f} kg/m³<extra></extra>",
    )
    return Picture(figure, _caption(curve, sample, commodity), *_numbers(curve))


def _caption(curve: Curve, sample: str, commodity: str) -> str:
    means = {t: curve.measured[curve.measured_C == t].mean() for t in np.unique(curve.measured_C)}
    values = " and ".join(f"{reported_value('density', v)} kg/m³ at {celsius(t)}" for t, v in means.items())
    if not curve.temperature_C.size:
        return f"Density of {sample}: {values}. It is outside the tables for a {commodity}."
    return (
        f"Density of {sample}: {values}; dashed, the fall that API MPMS 11.1 gives for a {commodity} from the coldest, "
        "within a band that holds how far such oils are from it."
    )


def _numbers(curve: Curve) -> Numbers:
    measured = [(plain(t), numeral(v, 2), "measured") for t, v in zip(curve.measured_C, curve.measured, strict=True)]
    table = [
        (numeral(t, 1), numeral(v, 2), "table") for t, v in zip(curve.temperature_C[::3], curve.value[::3], strict=True)
    ]
    return ("Temperature, °C", "Density, kg/m³", "Kind"), tuple(measured + table)
