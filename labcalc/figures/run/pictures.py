"""Pictures of a run: viscosity and density by temperature, reference oils in time; or a sentence: nothing to draw."""

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from labcalc.figures import picture
from labcalc.figures.markup import Fragment, note
from labcalc.figures.picture import ACCENT, INK, MUTED, Figure, Numbers, Picture, band, blank_figure, marker, stroke
from labcalc.formulae import walther_ordinate
from labcalc.judgement import UNITS, Curve, Judgement, density_curve, reported_value, viscosity_curve
from labcalc.wording import at_celsius, celsius, numeral, percent, plain, signed

_DECADES = (1.0, 1.5, 2.0, 3.0, 5.0, 7.0)
_VISCOSITY_TICKS = np.array([0.3, 0.5, 0.7, *(digit * 10.0**power for power in range(7) for digit in _DECADES), 1e7])
_CHART_ENDS = (0.21, 2e7)  # ends of the chart by ASTM D341, [mm²/s]
_TICKS_WANTED = 9
_ROOM = 0.06
_HOVER = "%{x} °C: %{y:.2f} kg/m³<extra></extra>"
_BAND_NAME = "expanded uncertainty (95 %)"
_SYMBOLS = ("circle", "square", "diamond", "triangle-up", "cross", "star")
_PANELS = (("kinematic viscosity", "Viscosity, %", "y"), ("density", "Density, kg/m³", "y2"))
_SIDES = {"zeroline": True, "zerolinecolor": MUTED, "hoverformat": "+.3f"}
_THIS_RUN = {"text": "this run", "showarrow": False, "xanchor": "right", "font": {"color": ACCENT}}
_LOOK = {"mode": "lines+markers", "line": stroke(MUTED, width=0.8), "marker": marker("circle", INK, 7)}
_LOOK |= {"hovertemplate": "%{fullData.name}<br>%{x}: %{y}<extra></extra>"}  # what all series share
_OF_PANELS = {"kinematic viscosity": "ν, %", "density": "ρ, kg/m³"}


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


class _Check(NamedTuple):
    """A reference-oil result: measured minus certified and the largest difference allowed, [%] or [kg/m³]."""

    run: str
    sample: str
    lot: str
    quantity: str
    temperature_C: float
    at: str
    difference: float
    allowed: float


def reference_picture(judgement: Judgement) -> Picture | Fragment:
    """Return how far the reference oils of the run's instrument were from their certified values, a line at the run.

    Two panels, one above the other: viscosity [%] and density [kg/m³].
    """
    dossier = judgement.dossier
    checks, run_at = list(_checks(dossier.references)), dossier.rows["measured_at"].max()
    if not checks:
        return note(f"{dossier.why_no_references[0].upper()}{dossier.why_no_references[1:]}.")
    widest, ranges = {}, {}
    for quantity, *_ in _PANELS:
        own = [(abs(one.difference), one.allowed) for one in checks if one.quantity == quantity]
        widest[quantity] = max((allowed for _, allowed in own), default=0.0)
        reach = round(1.3 * max(map(max, own), default=0.0), 4)
        ranges[quantity] = {"range": [-reach, reach]} if reach else {}
    at_the_run = {"x0": run_at, "x1": run_at, "xref": "x", "y0": 0, "y1": 1, "yref": "paper"}
    axes: dict[str, dict[str, Any]] = {"xaxis": {"anchor": "y2", "type": "date"}}
    for (quantity, title, axis), domain in zip(_PANELS, ([0.54, 1.0], [0.0, 0.46]), strict=True):
        named = {"domain": domain, "title": {"text": title, "font": {"size": 12}}}
        axes[axis.replace("y", "yaxis")] = {**named, **_SIDES, **ranges[quantity]}
    figure = blank_figure("", "", height=315, **axes)
    figure.layout |= {
        "shapes": [*_limits(widest), {"type": "line", "line": stroke(ACCENT, "dash"), **at_the_run}],
        "annotations": [{"x": run_at, "xref": "x", "y": 1.0, "yref": "paper", **_THIS_RUN}],
    }
    figure.layout["template"]["data"] = {"scatter": [_LOOK]}
    figure.data = list(_series(checks))
    return Picture(figure, _caption(checks, dossier.instrument), *_numbers(checks))


def _checks(comparisons: pd.DataFrame) -> Iterator[_Check]:
    names = ("run", "sample", "lot", "quantity", "temperature_C", "measured_at", "value", "certified", "limit")
    columns = (comparisons[name].tolist() for name in names)
    for run, sample, lot, quantity, temperature, measured_at, value, certified, limit in zip(*columns, strict=True):
        if quantity in _OF_PANELS and not math.isnan(certified):
            off, allowed = value - certified, limit
            if quantity != "density":
                off, allowed = 100.0 * off / certified, 100.0 * limit / certified
            yield _Check(run, sample, lot, quantity, temperature, f"{measured_at:%Y-%m-%d %H:%M}", off, allowed)


def _series(checks: Sequence[_Check]) -> Iterator[dict[str, Any]]:
    """Yield a series for each oil and temperature in each panel; the two of one oil share a name in the legend."""
    found: dict[tuple[str, str], dict[str, tuple[list[str], list[float]]]] = {}
    for one in checks:
        panels = found.setdefault((one.sample, celsius(one.temperature_C)), {})
        x, y = panels.setdefault(one.quantity, ([], []))
        x.append(one.at)
        y.append(round(one.difference, 3))
    for number, ((sample, temperature), panels) in enumerate(found.items()):
        symbol = _SYMBOLS[number // 2 % len(_SYMBOLS)] + ("-open" if number % 2 else "")
        name = f"{sample}, {temperature}"
        shared = {"type": "scatter", "marker": {"symbol": symbol}, "name": name, "legendgroup": name}
        for quantity, _, axis in _PANELS:
            x, y = panels.get(quantity, ([], []))
            yield {**shared, "x": x, "y": y, "yaxis": axis, "showlegend": axis == "y"}


def _limits(widest: Mapping[str, float]) -> Iterator[dict[str, Any]]:
    for quantity, _, axis in _PANELS:
        if limit := round(widest[quantity], 4):
            ends = {"x0": 0, "x1": 1, "xref": "paper", "y0": -limit, "y1": limit, "yref": axis}
            yield {"type": "rect", "fillcolor": picture.BAND, "line": picture.EDGE, "layer": "below", **ends}


def _caption(checks: Sequence[_Check], instrument: str) -> str:
    shares = [abs(one.difference) / one.allowed for one in checks]
    beyond = sum(one > 1.0 for one in shares)
    outcome = "none beyond its limit" if not beyond else f"{beyond} beyond the limit"
    return (
        f"Reference oils on {instrument} in the 30 days before this run, measured minus certified: "
        f"{len({one.run for one in checks})} checks, {outcome}, the furthest at {percent(max(shares), 0)} of its "
        "limit. Grey: the widest limit."
    )


def _numbers(checks: Sequence[_Check]) -> Numbers:
    labels = [at_celsius(_OF_PANELS[one.quantity], one.temperature_C) for one in checks]
    columns = tuple(dict.fromkeys(labels))
    cells: dict[tuple[str, str, str], dict[str, str]] = {}
    began: dict[str, str] = {}
    for one, label in zip(checks, labels, strict=True):
        checked = cells.setdefault((began.setdefault(one.run, one.at), str(one.sample), str(one.lot)), {})
        checked[label] = signed(one.difference, 3)
    rows = tuple((*about, *(found.get(column, "–") for column in columns)) for about, found in cells.items())
    return ("Measured at", "Reference oil", "Lot", *columns), rows
