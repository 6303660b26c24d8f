"""Viscosity and density of a run against temperature; where there is nothing to draw, a sentence says so."""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.figures.markup import Fragment, note
from labcalc.figures.picture import ACCENT, Figure, Numbers, Picture, band, blank_figure, marker, stroke
from labcalc.formulae import walther_ordinate
from labcalc.judgement import UNITS, Curve, Judgement, density_curve, reported_value, viscosity_curve
from labcalc.wording import celsius, numeral, plain

_DECADES = (1.0, 1.5, 2.0, 3.0, 5.0, 7.0)
_VISCOSITY_TICKS = np.array([0.3, 0.5, 0.7, *(digit * 10.0**power for power in range(7) for digit in _DECADES), 1e7])
_CHART_ENDS = (0.21, 2e7)  # ends of the chart by ASTM D341, [mm²/s]
_TICKS_WANTED = 9
_ROOM = 0.06
_HOVER = "%{x} °C: %{y:.2f} kg/m³<extra></extra>"
_BAND_NAME = "expanded uncertainty (95 %)"


def viscosity_picture(judgement: Judgement, *, lone: bool = True) -> Picture | Fragment:
    """Return the kinematic viscosities of a run with their line, its extrapolation dotted, and its uncertainty's band.

    lone : Also where one temperature alone gives no line.
    """
    dossier = judgement.dossier
    curve = viscosity_curve(judgement.results, dossier.temperatures_C, dossier.liquid)
    if curve is None:
        return note("This run holds no kinematic viscosity: there is no viscosity-temperature chart.")
    if not (lone or curve.temperature_C.size):
        return note("One temperature alone gives no viscosity-temperature line.")
    across, up = _scales(curve)
    figure = blank_figure("Temperature, °C", "Viscosity, mm²/s", height=250, xaxis=across, yaxis=up)
    if curve.temperature_C.size:
        _add_band(figure, curve)
        _add_line(figure, curve)
    look = {"mode": "markers", "marker": marker(color=ACCENT), "name": "measured", "hoverinfo": "text"}
    text = [f"{celsius(t)}: {plain(v)} mm²/s" for t, v in zip(curve.measured_C, curve.measured, strict=True)]
    figure.add_scatter(**place_on_chart(curve.measured_C, curve.measured), **look, text=text)
    return Picture(figure, _line_in_words(curve, dossier.sample), *_numbers_of_line(curve))


def place_on_chart(temperature_C: ArrayLike, viscosity: ArrayLike) -> dict[str, NDArray[np.float64]]:
    """Return ``x`` and ``y`` of viscosities [mm²/s] at temperatures [°C] on the chart, its ends for what is off it."""
    return {"x": _abscissa(temperature_C), "y": walther_ordinate(np.clip(viscosity, *_CHART_ENDS))}


def _add_band(figure: Figure, curve: Curve) -> None:
    if not np.isfinite(curve.half_width).all():
        return
    factor = np.exp(curve.half_width / curve.value)
    edges = (walther_ordinate(np.clip(edge, *_CHART_ENDS)) for edge in (curve.value * factor, curve.value / factor))
    figure.add_scatter(**band(_abscissa(curve.temperature_C), *edges, name=_BAND_NAME))


def _add_line(figure: Figure, curve: Curve) -> None:
    low, high = curve.interval_C
    grid = curve.temperature_C
    between = (grid >= low) & (grid <= high)
    parts = ((grid <= low, "dot", ""), (between, "solid", "line"), (grid >= high, "dot", "extrapolated"))
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


def _measured_words(curve: Curve, quantity: str) -> str:
    means = {t: curve.measured[curve.measured_C == t].mean() for t in np.unique(curve.measured_C)}
    told = (f"{reported_value(quantity, mean)} {UNITS[quantity]} at {celsius(t)}" for t, mean in means.items())
    return " and ".join(told)


def _line_in_words(curve: Curve, sample: str) -> str:
    head = f"Kinematic viscosity of {sample}: {_measured_words(curve, 'kinematic viscosity')}"
    if not curve.temperature_C.size:
        return f"{head}. One temperature alone gives no line."
    band = " The band: how far oils bend away from it." if np.isfinite(curve.half_width).all() else ""
    return f"{head}, and the line of ASTM D341, dotted where it is extrapolated.{band}"


def _numbers_of_line(curve: Curve) -> Numbers:
    columns = ("Temperature, °C", "Kinematic viscosity, mm²/s", "Expanded uncertainty (95 %), mm²/s", "Kind")
    pairs = zip(curve.measured_C, curve.measured, strict=True)
    measured = [(plain(t), numeral(v, figures=6), "", "measured") for t, v in pairs]
    low, high = curve.interval_C
    upper = curve.value * np.expm1(curve.half_width / curve.value)  # the wider side, as the table of results gives it
    line = [
        (numeral(t, 1), numeral(v, figures=4), numeral(u), "line" if low <= t <= high else "extrapolated")
        for t, v, u in zip(curve.temperature_C[::3], curve.value[::3], upper[::3], strict=True)
    ]
    return columns, tuple(measured + line)


def density_picture(judgement: Judgement, *, minus_expected: bool = False) -> Picture | Fragment:
    """Return the densities of a run and the curve of the petroleum measurement tables from the coldest of them.

    minus_expected : Draw the difference from that curve, which is a hundred times smaller than the fall itself.
    """
    commodity, sample = judgement.dossier.commodity, judgement.dossier.sample
    curve = density_curve(judgement.results, commodity)
    if curve is None:
        return note("This run holds no density: there is no density-temperature chart.")
    is_difference = minus_expected and curve.temperature_C.size > 0
    title = "ρ − table, kg/m³" if is_difference else "Density, kg/m³"
    figure = blank_figure("Temperature, °C", title, height=200, xaxis={"hoverformat": ".2~f"})
    grid, drawn, measured = curve.temperature_C, curve.value, curve.measured
    if is_difference:
        drawn, measured = np.zeros_like(curve.value), curve.measured - np.interp(curve.measured_C, grid, curve.value)
    if grid.size and np.isfinite(curve.half_width).all():
        figure.add_scatter(**band(grid, drawn + curve.half_width, drawn - curve.half_width, name=_BAND_NAME))
    if grid.size:
        line = {"mode": "lines", "line": stroke(dash="dash"), "hovertemplate": _HOVER}
        figure.add_scatter(x=grid, y=drawn, name=f"table for {commodity}", **line)
    points = {"mode": "markers", "marker": marker("square", ACCENT), "hovertemplate": _HOVER}
    figure.add_scatter(x=curve.measured_C, y=measured, name="measured", **points)
    caption = f"Density of {sample}: {_measured_words(curve, 'density')}"
    if grid.size:
        caption += f"; {'minus' if is_difference else 'dashed,'} the fall that API MPMS 11.1 gives for a {commodity}"
        caption += "; the band: how far such oils are from it."
    else:
        caption += f". It is outside the tables for a {commodity}."
    rows = [(plain(t), numeral(v, 2), "measured") for t, v in zip(curve.measured_C, curve.measured, strict=True)]
    rows += [(numeral(t, 1), numeral(v, 2), "table") for t, v in zip(grid[::3], curve.value[::3], strict=True)]
    return Picture(figure, caption, ("Temperature, °C", "Density, kg/m³", "Kind"), tuple(rows))
