"""Pictures of rounds, of two methods side by side, and of studies of precision."""

from __future__ import annotations

import math
from collections.abc import Iterator
from html import escape
from typing import Any

import numpy as np
import plotly.graph_objects as go
from numpy.typing import ArrayLike

from labcalc.figures.interlaboratory import draw_consistency
from labcalc.figures.picture import Picture
from labcalc.figures.theme import ACCENT, INK, MUTED, band, blank_figure, marker, stroke
from labcalc.judgement import Comparison, LaboratoryStudy, Rounds, ScoredRound, Study
from labcalc.statistics import CrossedStudy
from labcalc.wording import counted, numeral, signed


def study_pictures(study: Study) -> tuple[Picture, ...]:
    """Return the pictures that say it at once, the most telling first."""
    found = study.result
    if isinstance(found, Rounds):
        return (*_scores(found), *(draw_participants(one) for one in found.rounds if one.participants.size))
    if isinstance(found, Comparison):
        return draw_differences(found), draw_lines(found)
    if isinstance(found, LaboratoryStudy):
        relation = [draw_relation(found)] if found.relations else []
        return (draw_consistency(found.consistency, "h"), draw_consistency(found.consistency, "k"), *relation)
    return draw_components(found), draw_cells(found)


def _level_lines(figure: go.Figure, **styles: tuple[list[float], dict[str, Any]]) -> None:
    """Draw horizontal lines over the whole width."""
    figure.layout.shapes = [
        {"type": "line", "x0": 0, "x1": 1, "xref": "paper", "y0": y, "y1": y, "line": style}
        for heights, style in styles.values()
        for y in heights
    ]


def _scores(found: Rounds) -> Iterator[Picture]:
    for quantity, together in found.together.items():
        rounds = [one for one in found.rounds if one.quantity == quantity and math.isfinite(one.scores[one.score])]
        names, z = [escape(one.name) for one in rounds], together.scores
        reach = 1.15 * max(3.5, float(np.abs(z).max()))
        figure = blank_figure("", "z, z′", height=360, yaxis={"range": [-reach, reach]}, xaxis={"type": "category"})
        figure.add_bar(x=names, y=z.round(3), width=0.12, marker={"color": MUTED}, name="score of a round")
        figure.add_scatter(
            x=names,
            y=together.ewma.round(3),
            mode="lines+markers",
            line=stroke(ACCENT),
            name="moving average",
            marker=marker("diamond", ACCENT, 9),
        )
        for sign in (1.0, -1.0):
            y = (sign * together.ewma_limits).round(3)
            figure.add_scatter(
                x=names, y=y, mode="lines", line=stroke(ACCENT, "dot"), name="its limits", showlegend=sign > 0.0
            )
        _level_lines(
            figure,
            zero=([0.0], stroke(INK, width=1)),
            two=([-2.0, 2.0], stroke(INK, "dash", 1)),
            three=([-3.0, 3.0], stroke(INK)),
        )
        caption = f"{quantity}: {counted(len(z), 'round')}, mean z {signed(together.mean, 2)}; dashed 2, full line 3."
        limits = zip(rounds, z, together.ewma, together.ewma_limits, strict=True)
        rows = tuple(
            (one.name, one.score, signed(s, 2), signed(e, 2), numeral(limit, 2)) for one, s, e, limit in limits
        )
        yield Picture(figure, caption, ("Round", "Score", "Value", "Moving average", "Its limit"), rows)


def draw_participants(one: ScoredRound) -> Picture:
    """Draw the results of all participants of a round in their order of size, the own one marked."""
    values = np.sort(one.participants)
    places, own = np.arange(1, values.size + 1), int(np.searchsorted(values, one.own))
    figure = blank_figure("Laboratories by result", escape(one.quantity), height=360)
    figure.add_scatter(x=places, y=values, mode="markers", marker=marker("circle", MUTED, 8), name="participants")
    figure.add_scatter(x=[own + 1], y=[one.own], mode="markers", marker=marker("diamond", ACCENT, 13), name="own")
    steps = [one.assigned + k * one.sigma for k in (-3.0, -2.0, 2.0, 3.0) if math.isfinite(one.sigma)]
    _level_lines(
        figure,
        middle=([one.assigned], stroke(INK)),
        two=(steps[1:3], stroke(INK, "dash", 1)),
        three=(steps[::3], stroke(INK, width=1)),
    )
    caption = (
        f"{one.quantity}, {one.name}: own {numeral(one.own, figures=6)} is number {own + 1} of {values.size}; lines at "
        f"the assigned value {numeral(one.assigned, figures=6)} and 2 and 3 σ_pt from it."
    )
    rows = tuple((str(place), numeral(value, figures=6)) for place, value in zip(places, values, strict=True))
    return Picture(figure, caption, ("Place", "Result"), rows, folded=f"All participants of {one.name}")


def draw_differences(found: Comparison) -> Picture:
    """Draw second less first against the mean of both, with the limits of agreement and their intervals."""
    agreement, unit = found.agreement, found.unit or "unit of the results"
    middle = np.sqrt(found.first * found.second) if found.in_percent else (found.first + found.second) / 2.0
    figure = blank_figure("Mean of both", f"Second less first, {escape(unit)}", height=420)
    if found.in_percent and middle.max() > 10.0 * middle.min():
        figure.layout.xaxis.type = "log"
    ends = [float(middle.min()), float(middle.max())]
    for value, reach in (
        (agreement.mean, agreement.mean_interval),
        (agreement.lower, agreement.lower_interval),
        (agreement.upper, agreement.upper_interval),
    ):
        figure.add_scatter(**band(ends, [reach[0]] * 2, [reach[1]] * 2, showlegend=False))
        figure.add_scatter(x=ends, y=[value] * 2, mode="lines", line=stroke(INK), showlegend=False)
    for sign in (1.0, -1.0) if found.allowed > 0.0 else ():
        figure.add_scatter(
            x=ends,
            y=[sign * found.allowed] * 2,
            mode="lines",
            line=stroke(ACCENT, "dash"),
            name="allowed",
            showlegend=sign > 0.0,
        )
    figure.add_scatter(
        x=middle,
        y=agreement.differences,
        mode="markers",
        marker=marker("circle", INK, 7),
        text=[*map(escape, found.samples)],
        name="samples",
    )
    caption = (
        f"{found.names[1]} less {found.names[0]}: mean {signed(agreement.mean)}, limits of agreement "
        f"{signed(agreement.lower)} and {signed(agreement.upper)} {unit}, with 95 % intervals."
    )
    return Picture(
        figure, caption, ("Sample", "Mean", "Difference"), _rows(found.samples, middle, agreement.differences)
    )


def draw_lines(found: Comparison) -> Picture:
    """Draw second against first, with y = x and the lines between them."""
    first, second = map(escape, found.names)
    figure = blank_figure(first, second, height=460)
    ends = np.array([found.levels[0], found.levels[2]])
    looks = (stroke(ACCENT), stroke(MUTED, "dash"), stroke(MUTED, "dot"))
    figure.add_scatter(x=ends, y=ends, mode="lines", line=stroke(INK, width=1), name="y = x")
    for one, look in zip(found.lines, looks, strict=False):
        figure.add_scatter(x=ends, y=one.intercept + one.slope * ends, mode="lines", line=look, name=one.form)
    figure.add_scatter(
        x=found.first,
        y=found.second,
        mode="markers",
        marker=marker("circle", INK, 7),
        text=[*map(escape, found.samples)],
        name="samples",
    )
    best = found.lines[0]
    caption = f"{found.names[1]} = {numeral(best.intercept, figures=3)} + {numeral(best.slope, figures=4)} × {found.names[0]}, by {best.form}."
    return Picture(figure, caption, ("Sample", "First", "Second"), _rows(found.samples, found.first, found.second))


def _rows(names: tuple[str, ...], *columns: ArrayLike) -> tuple[tuple[str, ...], ...]:
    told = ([numeral(float(value), figures=5) for value in np.asarray(column)] for column in columns)
    return tuple(zip(names, *told, strict=True))


def draw_relation(found: LaboratoryStudy) -> Picture:
    """Draw s_r and s_R with their intervals against the level, and the forms chosen."""
    precision = found.precision
    figure = blank_figure("Mean of the level", "Standard deviation", height=400)
    sets = (
        (precision.repeatability_deviation, precision.repeatability_interval),
        (precision.reproducibility_deviation, precision.reproducibility_interval),
    )
    level = np.linspace(precision.mean.min(), precision.mean.max(), 60)
    for (name, relation), (values, (low, high)), look in zip(
        found.relations, sets, (("circle", MUTED), ("square", ACCENT)), strict=True
    ):
        reach = {"type": "data", "array": high - values, "arrayminus": values - low, "thickness": 1.2}
        figure.add_scatter(
            x=precision.mean, y=values, error_y=reach, mode="markers", marker=marker(*look, 9), name=name
        )
        figure.add_scatter(
            x=level, y=relation.deviation_at(level), mode="lines", line=stroke(look[1]), name=f"{name}, {relation.form}"
        )
    caption = (
        f"s_r and s_R of {counted(len(precision.levels), 'level')} with 95 % intervals, and the form that fits best."
    )
    return Picture(
        figure,
        caption,
        ("Level", "Mean", "s_r", "s_R"),
        _rows(precision.levels, precision.mean, *(values for values, _ in sets)),
    )


def draw_components(found: CrossedStudy) -> Picture:
    """Draw the standard deviation that each source adds, with its interval."""
    names = tuple(one.line.name for one in found.effects)
    values, low, high = (
        np.sqrt([pick(one) for one in found.effects])
        for pick in (lambda e: e.variance, lambda e: e.interval[0], lambda e: e.interval[1])
    )
    figure = blank_figure("", "Standard deviation", height=380, xaxis={"type": "category"})
    reach = {
        "type": "data",
        "array": np.maximum(high - values, 0.0),
        "arrayminus": np.maximum(values - low, 0.0),
        "thickness": 1.4,
    }
    figure.add_bar(
        x=names,
        y=values,
        error_y=reach,
        width=0.5,
        marker={"color": MUTED, "line": {"color": INK, "width": 1}},
        name="component",
    )
    caption = (
        "What each source adds, as a standard deviation with its 95 % interval: "
        + ", ".join(f"{name} {numeral(value)}" for name, value in zip(names, values, strict=True))
        + "."
    )
    return Picture(figure, caption, ("Source", "s", "From", "To"), _rows(names, values, low, high))


def draw_cells(found: CrossedStudy) -> Picture:
    """Draw each operator's or instrument's mean of each level less the level's mean: lines that cross are interaction."""
    others = [name for name in found.levels if name != found.part]
    axis = [*found.levels].index(found.part)
    table = np.moveaxis(found.table, axis, -1).reshape(-1, len(found.levels[found.part]))
    off, labels = (
        table - table.mean(axis=0),
        [" ".join(map(str, one)) for one in np.ndindex(*(len(found.levels[name]) for name in others))],
    )
    names = [
        ", ".join(found.levels[name][int(i)] for name, i in zip(others, label.split(), strict=True)) for label in labels
    ]
    figure = blank_figure("Level", "Mean less the level's mean", height=400, xaxis={"type": "category"})
    symbols = ("circle", "square", "diamond", "cross", "triangle-up", "x")
    for i, (name, row) in enumerate(zip(names, off, strict=True)):
        figure.add_scatter(
            x=[*map(escape, found.levels[found.part])],
            y=row,
            mode="lines+markers",
            line=stroke(MUTED, width=1),
            marker=marker(symbols[i % 6], INK, 8),
            name=escape(name),
        )
    caption = f"Means of {counted(len(names), 'operator or instrument', 'operators and instruments')} level by level, less the mean of all: parallel lines differ in mean, crossing ones from level to level."
    return Picture(figure, caption, ("Level", *names), _rows(found.levels[found.part], *off))
