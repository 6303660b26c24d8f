"""The viscosity-temperature chart of the trade, on which an oil is a straight line: log log (ν + 0.7) against log T."""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.figures.picture import Numbers, Picture
from labcalc.figures.theme import ACCENT, Figure, band, blank_figure, marker, stroke
from labcalc.formulae import walther_ordinate
from labcalc.judgement import Curve, reported_value
from labcalc.wording import celsius, numeral, plain

_DECADES = (1.0, 1.5, 2.0, 3.0, 5.0, 7.0)
_VISCOSITY_TICKS = np.array([0.3, 0.5, 0.7, *(digit * 10.0**power for power in range(7) for digit in _DECADES), 1e7])
_CHART_ENDS = (0.21, 2e7)  # ends of the chart by ASTM D341, [mm²/s]
_TICKS_WANTED = 9
_ROOM = 0.06


def draw_viscosity_temperature(curve: Curve, sample: str) -> Picture:
    """Draw a run's kinematic viscosities with their line, its extrapolation dotted, and the band of its uncertainty.

    curve : Kinematic viscosity [mm²/s] against temperature [°C].
    sample : Name of the sample, for the caption.
    """
    across, up = _scales(curve)
    figure = blank_figure("Temperature, °C", "Viscosity, mm²/s", height=250, xaxis=across, yaxis=up)
    if curve.temperature_C.size:
        _add_band(figure, curve)
        _add_line(figure, curve)
    figure.add_scatter(
        **place_on_chart(curve.measured_C, curve.measured),
        mode="markers",
        marker=marker(color=ACCENT),
        name="measured",
        text=[f"{celsius(t)}: {plain(v)} mm²/s" for t, v in zip(curve.measured_C, curve.measured, strict=True)],
        hoverinfo="text",
    )
    return Picture(figure, _caption(curve, sample), *_numbers(curve))


def place_on_chart(temperature_C: ArrayLike, viscosity: ArrayLike) -> dict[str, NDArray[np.float64]]:
    """Return ``x`` and ``y`` of viscosities [mm²/s] at temperatures [°C] on the chart, its ends for what is off it."""
    return {"x": _abscissa(temperature_C), "y": walther_ordinate(np.clip(viscosity, *_CHART_ENDS))}


def _add_band(figure: Figure, curve: Curve) -> None:
    if not np.isfinite(curve.half_width).all():
        return
    factor = np.exp(curve.half_width / curve.value)
    edges = (walther_ordinate(np.clip(edge, *_CHART_ENDS)) for edge in (curve.value * factor, curve.value / factor))
    figure.add_scatter(**band(_abscissa(curve.temperature_C), *edges, name="expanded uncertainty (95 %)"))


def _add_line(figure: Figure, curve: Curve) -> None:
    low, high = curve.interval_C
    grid = curve.temperature_C
    parts = (
        (grid <= low, "dot", ""),
        ((grid >= low) & (grid <= high), "solid", "line"),
        (grid >= high, "dot", "extrapolated"),
    )
    for part, dash, name in parts:
        t, v = grid[part], curve.value[part]
        text = [f"{numeral(one, 1)} °C: {numeral(at, figures=4)} mm²/s" for one, at in zip(t, v, strict=True)]
        look = {"mode": "lines", "line": stroke(dash=dash), "name": name, "showlegend": bool(name)}
        figure.add_scatter(x=_abscissa(t), y=walther_ordinate(v), **look, text=text, hoverinfo="text")


def _scales(curve: Curve) -> tuple[dict[str, Any], dict[str, Any]]:
    """Label both axes with what a person reads: viscosities and degrees, not double logarithms."""
    grid = curve.temperature_C if curve.temperature_C.size else curve.measured_C
    temperatures = np.arange(np.floor(grid.min() / 20) * 20, grid.max() + 20, 20)
    drawn = walther_ordinate(np.clip(np.concatenate([curve.value, curve.measured]), *_CHART_ENDS))
    bottom, top = _widened([drawn.min(), drawn.max()])
    seen = _spread(_VISCOSITY_TICKS, bottom, top)
    across = {"tickvals": _abscissa(temperatures), "ticktext": [plain(t) for t in temperatures]}
    up = {"tickvals": walther_ordinate(seen), "ticktext": [f"{v:,.6g}".replace(",", " ") for v in seen]}
    return across | {"range": _widened(_abscissa([grid.min(), grid.max()]))}, up | {"range": [bottom, top]}


def _spread(ticks: NDArray[np.float64], bottom: float, top: float) -> NDArray[np.float64]:
    """Keep the ticks between two ordinates that leave each other room; the scale crowds towards thick oils."""
    room, kept, last = (top - bottom) / _TICKS_WANTED, [], -np.inf
    for tick, place in zip(ticks, walther_ordinate(ticks), strict=True):
        if bottom <= place <= top and place - last >= room:
            kept.append(tick)
            last = place
    return np.array(kept)


def _abscissa(temperature_C: ArrayLike) -> NDArray[np.float64]:
    return np.log10(np.asarray(temperature_C, dtype=float) + 273.15)


def _widened(ends: ArrayLike) -> tuple[float, float]:
    low, high = np.asarray(ends, dtype=float)
    room = _ROOM * (high - low) or _ROOM
    return float(low - room), float(high + room)


def _caption(curve: Curve, sample: str) -> str:
    means = {t: curve.measured[curve.measured_C == t].mean() for t in np.unique(curve.measured_C)}
    values = " and ".join(f"{reported_value('kinematic viscosity', v)} mm²/s at {celsius(t)}" for t, v in means.items())
    if not curve.temperature_C.size:
        return f"Kinematic viscosity of {sample}: {values}. One temperature alone gives no line."
    band = " The band: how far oils bend away from it." if np.isfinite(curve.half_width).all() else ""
    return (
        f"Kinematic viscosity of {sample}: {values}, and the line of ASTM D341, dotted where it is extrapolated.{band}"
    )


def _numbers(curve: Curve) -> Numbers:
    columns = ("Temperature, °C", "Kinematic viscosity, mm²/s", "Expanded uncertainty (95 %), mm²/s", "Kind")
    measured = [
        (plain(t), numeral(v, figures=6), "", "measured") for t, v in zip(curve.measured_C, curve.measured, strict=True)
    ]
    low, high = curve.interval_C
    upper = curve.value * np.expm1(curve.half_width / curve.value)  # the wider side, as the table of results gives it
    line = [
        (numeral(t, 1), numeral(v, figures=4), numeral(u), "line" if low <= t <= high else "extrapolated")
        for t, v, u in zip(curve.temperature_C[::3], curve.value[::3], upper[::3], strict=True)
    ]
    return columns, tuple(measured + line)
