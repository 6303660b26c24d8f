"""How far each determination is from what is usual, beside the spread of the product."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import plotly.graph_objects as go
from numpy.typing import NDArray

from labcalc.figures.causes.hypothetical import (
    WHAT_IF,
    Level,
    heights,
    level_of,
    levels_of,
    reach_of,
    what_if_look,
    what_if_places,
)
from labcalc.figures.picture import Numbers, Picture
from labcalc.figures.theme import ACCENT, INK, MUTED, band, blank_figure, marker, stroke
from labcalc.judgement import UNITS
from labcalc.wording import at_celsius, celsius, plain, signed

if TYPE_CHECKING:
    from labcalc.judgement.causes import Evidence, WhatIf

ADDED = "added"  # name of the series of measurements that a person added
_EARLIER = "earlier runs"
_LONGEST_HISTORY = 200
_TICK = 0.07
_AROUND, _A_LEVEL = 100, 34  # height of the figure, [px]


def draw_deviations(evidence: Evidence, earlier: pd.DataFrame, what: WhatIf | None = None) -> Picture:
    """Draw how far the determinations are from what is usual; ``earlier`` as ``Dossier.earlier_means`` gives it."""
    keys = levels_of(evidence)
    figure = blank_figure("Standard deviations from what is usual", "", height=_AROUND + _A_LEVEL * len(keys))
    level = dict(zip(keys, heights(keys), strict=True))
    figure.add_scatter(**band([-2, 2], [-0.5] * 2, [len(keys) - 0.5] * 2, name="two standard deviations"))
    past = _past(evidence, earlier, keys)
    if any(past.values()):
        _add_earlier(figure, [(x, level[key] + _jitter(i)) for key, xs in past.items() for i, x in enumerate(xs)])
    _add_determinations(figure, evidence, level)
    if what is not None:
        figure.add_scatter(**what_if_places(evidence, what)["deviations"], **what_if_look("deviations"))
    _scale_deviations(figure, evidence, keys)
    return Picture(figure, _caption(evidence, keys, past), *_numbers(evidence, what, keys))


def _add_earlier(figure: go.Figure, ticks: Sequence[tuple[float, float]]) -> None:
    """Add a tick a run, all as one path: as a marker each they would be most of the work when a slider moves."""
    figure.add_scatter(
        x=[end for x, _ in ticks for end in (round(x, 3), round(x, 3), None)],
        y=[end for _, y in ticks for end in (round(y - _TICK, 3), round(y + _TICK, 3), None)],
        mode="lines",
        line=stroke(MUTED, "solid", 1.0),
        opacity=0.55,
        name=_EARLIER,
        hovertemplate="earlier run: %{x}<extra></extra>",
    )


def _add_determinations(figure: go.Figure, evidence: Evidence, level: Mapping[Level, float]) -> None:
    for own, name in ((True, "measured"), (False, ADDED)):
        rows = [i for i, kind in enumerate(evidence.kind) if (kind == "run") == own]
        if rows:
            figure.add_scatter(
                x=evidence.residual_sd[rows],
                y=[level[level_of(evidence, i)] for i in rows],
                mode="markers",
                marker=_symbols([evidence.quantity[i] for i in rows], own=own),
                name=name,
                customdata=np.column_stack([evidence.measured[rows], evidence.expected[rows]]),
                hovertemplate="%{customdata[0]:.6g}, usual %{customdata[1]:.6g}<extra></extra>",
            )


def _symbols(quantities: Sequence[str], *, own: bool) -> dict[str, Any]:
    if not own:
        return marker("star", INK, 10)
    return {**marker(color=ACCENT, size=10), "symbol": ["square" if q == "density" else "circle" for q in quantities]}


def _scale_deviations(figure: go.Figure, evidence: Evidence, keys: Sequence[Level]) -> None:
    reach = 1.03 * reach_of(evidence)
    names = [f"{key.words}<br>{celsius(key.temperature_C)}" for key in keys]
    figure.update_xaxes(range=[-reach, reach], hoverformat=".2f", zeroline=True, zerolinecolor=INK)
    figure.update_yaxes(
        tickfont={"size": 11}, tickvals=heights(keys), ticktext=names, range=[-0.5, len(keys) - 0.5], showgrid=False
    )


def _past(evidence: Evidence, earlier: pd.DataFrame, keys: Sequence[Level]) -> dict[Level, list[float]]:
    """Return the earlier means of the product in the standard deviations of this run's evidence."""
    found = {}
    for key in keys:
        row = next(i for i in range(len(evidence.quantity)) if level_of(evidence, i) == key)
        if key.reference:
            continue
        same = earlier[(earlier["quantity"] == key.quantity) & (earlier["temperature_C"] == key.temperature_C)]
        values = same["value"].to_numpy(float)[-_LONGEST_HISTORY:]
        spread = float(np.hypot(evidence.expected_sd[row], evidence.noise_sd[row]))
        found[key] = [float(x) for x in (values - evidence.expected[row]) / spread]
    return found


def _jitter(number: int) -> float:
    """Spread points of one level a little, the same way every time."""
    return ((number * 0.618034) % 1.0 - 0.5) * 0.36


def _caption(evidence: Evidence, keys: Sequence[Level], past: Mapping[Level, list[float]]) -> str:
    """Tell the run's own means; what a person added is told by itself."""
    own = [place for place, kind in enumerate(evidence.kind) if kind == "run"]
    rows = {key: [place for place in own if level_of(evidence, place) == key] for key in keys}
    told = [_away(key, evidence.residual_sd[these]) for key, these in rows.items() if these]
    added = [
        _away(level_of(evidence, place), evidence.residual_sd[[place]])
        for place in range(len(evidence.kind))
        if place not in own
    ]
    runs = max((len(xs) for xs in past.values()), default=0)
    history = f" beside {runs} earlier runs of the product" if runs else ""
    more = f" Added since: {'; '.join(added)}." if added else ""
    words = f"Standard deviations of {evidence.sample} from {evidence.expectation}{history}: {'; '.join(told)}."
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
        rows.append(
            (
                quantity.capitalize() + ("" if evidence.kind[i] == "run" else f" ({evidence.kind[i]})"),
                plain(evidence.temperature_C[i]),
                *(plain(v, places) for v, places in zip(values, (6, 6, 2, 6), strict=False)),
                UNITS[quantity],
            )
        )
    return columns, tuple(rows)
