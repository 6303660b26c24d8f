"""How far a run is from what is usual, and what would be seen if: the pictures of a sample whose numbers look wrong."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from html import escape
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.exports import QUANTITY_COLUMNS
from labcalc.figures.markup import Fragment, html_table
from labcalc.figures.picture import ACCENT, INK, MUTED, Figure, Numbers, Picture, band, blank_figure, marker, stroke
from labcalc.figures.run.pictures import density_picture, place_on_chart, viscosity_picture
from labcalc.judgement import UNITS, Judgement, reported_value
from labcalc.wording import at_celsius, celsius, plain, signed

if TYPE_CHECKING:
    from labcalc.judgement.causes import Evidence, WhatIf

WHAT_IF = "what if"  # name of the series that the sliders move
_ROOM = 1.3
_LEAST_REACH = 3.5  # least half of the axis of deviations, [standard deviations]
_QUANTITIES = ("kinematic viscosity", "density")
ADDED = "added"  # name of the series of measurements that a person added
_EARLIER = "earlier runs"
_LONGEST_HISTORY = 200
_TICK = 0.07
_AROUND, _A_LEVEL = 100, 34  # height of the figure, [px]
_SHORT = dict(zip(QUANTITY_COLUMNS, ("ν", "η", "ρ"), strict=True))
_USUAL = "usual"
_LIVE_HEIGHT, _ALONE_HEIGHT = 640, 350
_SELF_EVIDENT = ("line", "extrapolated", "two standard deviations")  # no room in the legend of a row of panels


class Level(NamedTuple):
    """One level of the deviations: what was measured, of what, at which temperature [°C]."""

    reference: bool
    dense: bool
    temperature_C: float

    @property
    def quantity(self) -> str:
        return "density" if self.dense else "kinematic viscosity"

    @property
    def words(self) -> str:
        word = "Density" if self.dense else "Viscosity"
        return f"Reference oil: {word.lower()}" if self.reference else word


def level_of(evidence: Evidence, row: int) -> Level:
    temperature = round(float(evidence.temperature_C[row]), 1)
    return Level(evidence.kind[row] == "reference oil", evidence.quantity[row] == "density", temperature)


def levels_of(evidence: Evidence) -> list[Level]:
    """Return what was measured: of the sample before of a reference oil, viscosity before density, cold before hot."""
    return sorted({level_of(evidence, i) for i in range(len(evidence.quantity))})


def levels_of_sample(evidence: Evidence, quantity: str) -> list[Level]:
    return [key for key in levels_of(evidence) if key.quantity == quantity and not key.reference]


def mean_over(evidence: Evidence, key: Level, values: NDArray[np.float64]) -> float:
    return float(np.mean([values[i] for i in range(len(evidence.quantity)) if level_of(evidence, i) == key]))


def heights(keys: Sequence[Level]) -> list[float]:
    return [float(len(keys) - 1 - i) for i in range(len(keys))]


def what_if_look(panel: str) -> dict[str, Any]:
    mode, said = "markers" if panel == "deviations" else "lines+markers", ": %{y}" if panel == "density" else ""
    told = {"mode": mode, "name": WHAT_IF, "meta": panel, "hovertemplate": f"{WHAT_IF}{said}<extra></extra>"}
    return {**told, "line": stroke(INK, "dot", 1.2), "marker": marker("diamond", INK, 11, filled=False)}


def what_if_places(evidence: Evidence, what: WhatIf) -> dict[str, dict[str, Any]]:
    """Return x and y of the ``what if`` series of each panel; what is beyond the axis of deviations lies at its end."""
    keys = levels_of(evidence)
    places: dict[str, dict[str, Any]] = {}
    for quantity in _QUANTITIES:
        rows = levels_of_sample(evidence, quantity)
        values = [mean_over(evidence, key, what.predicted) for key in rows]
        places[quantity] = placed(quantity, np.array([key.temperature_C for key in rows]), values)
    end = reach_of(evidence)
    shifted = np.clip(evidence.residual_sd - what.residual_sd, -end, end)
    places["deviations"] = {"x": [mean_over(evidence, key, shifted) for key in keys], "y": heights(keys)}
    return places


def reach_of(evidence: Evidence) -> float:
    """Return half of the axis of deviations, [standard deviations]: it holds the run and the spread of the product."""
    return _ROOM * max(_LEAST_REACH, float(np.nanmax(np.abs(evidence.residual_sd))))


def placed(quantity: str, temperature_C: NDArray[np.float64], values: Any) -> dict[str, Any]:
    if quantity == "kinematic viscosity":
        return dict(place_on_chart(temperature_C, values))
    return {"x": temperature_C, "y": np.asarray(values, dtype=float)}


def draw_deviations(evidence: Evidence, earlier: pd.DataFrame, what: WhatIf | None = None) -> Picture:
    """Draw how far the determinations are from what is usual; ``earlier`` as ``Dossier.earlier_means`` gives it."""
    keys = levels_of(evidence)
    figure = blank_figure("Standard deviations from usual", "", height=_AROUND + _A_LEVEL * len(keys))
    level = dict(zip(keys, heights(keys), strict=True))
    figure.add_scatter(**band([-2, 2], [-0.5] * 2, [len(keys) - 0.5] * 2, name="two standard deviations"))
    past = _past(evidence, earlier, keys)
    if any(past.values()):
        spread = ((np.arange(_LONGEST_HISTORY) * 0.618034) % 1.0 - 0.5) * 0.36  # the same way every time
        ticks = [(x, level[key] + up) for key, xs in past.items() for x, up in zip(xs, spread, strict=False)]
        _add_earlier(figure, ticks, moved=what is not None)
    for own, name in ((True, "measured"), (False, ADDED)):
        rows = [i for i, kind in enumerate(evidence.kind) if (kind == "run") == own]
        if rows:
            look = marker(color=ACCENT, size=10) if own else marker("star", INK, 10)
            if own:
                look["symbol"] = ["square" if evidence.quantity[i] == "density" else "circle" for i in rows]
            places = {"x": evidence.residual_sd[rows], "y": [level[level_of(evidence, i)] for i in rows]}
            told = np.column_stack([evidence.measured[rows], evidence.expected[rows]])
            hover = "%{customdata[0]:.6g}, usual %{customdata[1]:.6g}<extra></extra>"
            figure.add_scatter(**places, mode="markers", marker=look, name=name, customdata=told, hovertemplate=hover)
    if what is not None:
        figure.add_scatter(**what_if_places(evidence, what)["deviations"], **what_if_look("deviations"))
    _scale_deviations(figure, evidence, keys)
    return Picture(figure, _caption(evidence, keys, past), *_numbers(evidence, what, keys))


def _add_earlier(figure: Figure, ticks: Sequence[tuple[float, float]], *, moved: bool) -> None:
    """Add a tick a run; where sliders move things, all as one path: a mark each would be most of their work."""
    across, up = np.round(ticks, 2).T
    if moved:
        up = np.ravel([up - _TICK, up + _TICK, np.full_like(up, np.nan)], order="F").round(2)
        look = {"x": across.repeat(3), "y": up, "mode": "lines", "line": stroke(MUTED, "solid", 1.0)}
    else:
        tick = {"symbol": "line-ns", "size": 3.5, "line": {"color": MUTED, "width": 1}}
        look = {"x": across, "y": up, "mode": "markers", "marker": tick}
    figure.add_scatter(**look, name=_EARLIER, hovertemplate="earlier run: %{x}<extra></extra>")


def _scale_deviations(figure: Figure, evidence: Evidence, keys: Sequence[Level]) -> None:
    reach = 1.03 * reach_of(evidence)
    names = [f"{key.words}<br>{celsius(key.temperature_C)}" for key in keys]
    figure.layout["xaxis"] |= {"range": [-reach, reach], "hoverformat": ".2f", "zeroline": True, "zerolinecolor": INK}
    ticks = {"tickfont": {"size": 11}, "tickvals": heights(keys), "ticktext": names, "showgrid": False}
    figure.layout["yaxis"] |= ticks | {"range": [-0.5, len(keys) - 0.5]}


def _past(evidence: Evidence, earlier: pd.DataFrame, keys: Sequence[Level]) -> dict[Level, list[float]]:
    """Return the earlier means of the product in the standard deviations of this run's evidence."""
    found = {}
    for key in (one for one in keys if not one.reference):
        row = next(i for i in range(len(evidence.quantity)) if level_of(evidence, i) == key)
        same = earlier[(earlier["quantity"] == key.quantity) & (earlier["temperature_C"] == key.temperature_C)]
        values = same["value"].to_numpy(float)[-_LONGEST_HISTORY:]
        spread = float(np.hypot(evidence.expected_sd[row], evidence.noise_sd[row]))
        found[key] = [float(x) for x in (values - evidence.expected[row]) / spread]
    return found


def _caption(evidence: Evidence, keys: Sequence[Level], past: Mapping[Level, list[float]]) -> str:
    """Tell the run's own means; what a person added is told by itself."""
    own = [place for place, kind in enumerate(evidence.kind) if kind == "run"]
    others = [place for place, kind in enumerate(evidence.kind) if kind != "run"]
    rows = {key: [place for place in own if level_of(evidence, place) == key] for key in keys}
    told = [_away(key, evidence.residual_sd[these]) for key, these in rows.items() if these]
    added = [_away(level_of(evidence, place), evidence.residual_sd[[place]]) for place in others]
    runs = max((len(xs) for xs in past.values()), default=0)
    history = f" beside {runs} earlier runs of the product" if runs else ""
    more = f" Added since: {'; '.join(added)}." if added else ""
    words = f"Standard deviations of {evidence.sample} from {evidence.course.words}{history}: {'; '.join(told)}."
    return f"{words}{more} Grey: ±2."


def _away(key: Level, residuals: NDArray[np.float64]) -> str:
    return f"{at_celsius(key.words.lower(), key.temperature_C)} {signed(float(np.mean(residuals)), 1)}"


def _numbers(evidence: Evidence, what: WhatIf | None, keys: Sequence[Level]) -> Numbers:
    asked = [] if what is None else [WHAT_IF.capitalize()]
    columns = ("Quantity", "Temperature, °C", "Measured", "Usual", "Standard deviation", *asked, "Unit")
    rows = []
    for i, quantity in sorted(enumerate(evidence.quantity), key=lambda one: keys.index(level_of(evidence, one[0]))):
        spread = float(np.hypot(evidence.expected_sd[i], evidence.noise_sd[i]))
        values = [evidence.measured[i], evidence.expected[i], spread]
        values += [] if what is None else [what.predicted[i]]
        told = (plain(v, places) for v, places in zip(values, (6, 6, 2, 6), strict=False))
        of = quantity.capitalize() + ("" if evidence.kind[i] == "run" else f" ({evidence.kind[i]})")
        rows.append((of, plain(evidence.temperature_C[i]), *told, UNITS[quantity]))
    return columns, tuple(rows)


def show_run_and_day(rows: pd.DataFrame, day: pd.DataFrame, run: str) -> Fragment:
    """Return every determination of a run, and its instrument's day (``days_runs``) with the run itself marked."""
    names = {"temperature_C": "°C", "replicate": "Fill"}
    names |= {column: f"{_SHORT[q]}, {UNITS[q]}" for q, column in QUANTITY_COLUMNS.items()} | {"remark": "Remark"}
    own = rows[[*names]].replace("", None).dropna(axis=1, how="all").rename(columns=names)
    levels: Any = day.columns[4:]
    sample = day["sample"].where(day["run"] != run, "▸ " + day["sample"].astype(str))
    its = pd.DataFrame({"Sample": sample, "Time": day["time"], "Product": day["product"]})
    for quantity, T in levels:
        its[f"{_SHORT[quantity]} at {celsius(T)}"] = day[quantity, T].map(partial(reported_value, quantity))
    html = _table("This run, row by row", own, tuple(range(1, len(own.columns) - ("Remark" in own))))
    html += _table("The instrument's day", its, tuple(range(3, len(its.columns))))
    return Fragment(html, f"{own.to_string()}\n{its.to_string()}")


def _table(caption: str, frame: pd.DataFrame, numeric: tuple[int, ...]) -> str:
    rows = [[*map(_cell, row)] for row in frame.to_numpy(object)]
    return html_table(caption, [*frame.columns], rows, numeric=numeric)


def _cell(value: Any) -> str:
    return "–" if pd.isna(value) else escape(value) if isinstance(value, str) else plain(value)


def problem_pictures(
    judgement: Judgement, evidence: Evidence | None, earlier: pd.DataFrame, what: WhatIf | None
) -> tuple[Picture | Fragment, ...]:
    """Return the pictures of a run that is looked into.

    earlier : Earlier means of the same product: ``quantity``, ``temperature_C`` [°C], ``value`` [mm²/s or kg/m³].
    Returns : Where there is evidence, the deviations from the usual with the spread of the product; viscosity against
        temperature, density against temperature (a sentence in the place of a chart that the run has no values for).
    """
    charts = {"kinematic viscosity": viscosity_picture(judgement), "density": density_picture(judgement)}
    if evidence is None or what is None:
        return tuple(charts.values())
    with_usual = (_with_usual(one, evidence, what, quantity) for quantity, one in charts.items())
    return draw_deviations(evidence, earlier, what), *with_usual


def one_above_others(pictures: Sequence[Picture]) -> Figure:
    """Return one figure: the first picture large, the others side by side beneath it; each name once in the legend."""
    figure, named = blank_figure("", "", height=_LIVE_HEIGHT if len(pictures) > 1 else _ALONE_HEIGHT), set[str]()
    layout: dict[str, Any] = {"margin": {"l": 74, "r": 12, "t": 40, "b": 72}}
    layout["legend"] = {"yref": "container", "y": 1.0, "yanchor": "top"}  # above a live figure it sinks into the panels
    layout["legend2"] = {"yref": "container", "y": 0.0, "yanchor": "bottom", "orientation": "h"}
    for number, (picture, (across, up)) in enumerate(zip(pictures, _domains(len(pictures)), strict=True), start=1):
        suffix = "" if number == 1 else str(number)
        for trace in picture.figure.data:
            name = str(trace.get("name", ""))
            shown = trace.get("showlegend", True) and name not in named and name not in _SELF_EVIDENT
            named |= {name} if shown else set()
            places = {"xaxis": f"x{suffix}", "yaxis": f"y{suffix}", "legendgroup": name, "showlegend": shown}
            figure.data.append({**trace, **places, "legend": "legend2" if number > 1 else "legend"})
        layout[f"xaxis{suffix}"] = {**picture.figure.layout["xaxis"], "domain": across, "anchor": f"y{suffix}"}
        layout[f"yaxis{suffix}"] = {**picture.figure.layout["yaxis"], "domain": up, "anchor": f"x{suffix}"}
    figure.layout |= layout
    return figure


def _domains(number: int) -> list[tuple[list[float], list[float]]]:
    if number == 1:
        return [([0.0, 1.0], [0.0, 1.0])]
    beneath, gap = number - 1, 0.13
    wide = (1.0 - gap * (beneath - 1)) / beneath
    lefts = [place * (wide + gap) for place in range(beneath)]
    return [([0.0, 1.0], [0.5, 1.0]), *(([left, min(left + wide, 1.0)], [0.0, 0.36]) for left in lefts)]


def _with_usual(picture: Picture | Fragment, evidence: Evidence, what: WhatIf, quantity: str) -> Picture | Fragment:
    """Add to a chart of the run what is usual, what a person added, and what would be seen if."""
    levels = levels_of_sample(evidence, quantity)
    if isinstance(picture, Fragment) or not levels:
        return picture
    usual = {level.temperature_C: mean_over(evidence, level, evidence.expected) for level in levels}
    look = marker("x-thin", MUTED, 9)
    look["line"]["width"] = 2
    lines = {"mode": "lines+markers", "line": stroke(MUTED, "dashdot"), "marker": look, "name": _USUAL}
    told = [f"usual at {celsius(t)}: {plain(v, 5)}" for t, v in usual.items()]
    at = placed(quantity, np.array([*usual]), [*usual.values()])
    picture.figure.add_scatter(**at, **lines, text=told, hoverinfo="text")
    added = [i for i, kind in enumerate(evidence.kind) if kind != "run" and level_of(evidence, i) in levels]
    if added:
        at = placed(quantity, evidence.temperature_C[added], evidence.measured[added])
        picture.figure.add_scatter(**at, mode="markers", marker=marker("star", INK, 11), name=ADDED)
    at = what_if_places(evidence, what)[quantity]
    picture.figure.add_scatter(**at, **what_if_look(quantity))
    words = "; ".join(f"{reported_value(quantity, v)} {UNITS[quantity]} at {celsius(t)}" for t, v in usual.items())
    rows = tuple((plain(t), plain(v), *[""] * (len(picture.columns) - 3), _USUAL) for t, v in usual.items())
    return Picture(picture.figure, f"{picture.caption} Usual: {words}.", picture.columns, (*rows, *picture.rows))
