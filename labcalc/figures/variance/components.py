"""Components of variance: a bar a level with its interval, beside what results spread by when more changes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from html import escape

import plotly.graph_objects as go

from labcalc.figures.markup import Fragment, folded, html_table, note
from labcalc.figures.picture import Numbers, Picture
from labcalc.figures.theme import BAND, INK, MUTED, blank_figure
from labcalc.judgement import ComponentsOfVariance
from labcalc.statistics import VarianceComponent, VarianceComponents, VarianceSum
from labcalc.wording import numeral, percent

_REACH = 3.0
"""The axis ends at so many times the tallest bar: an interval from one degree of freedom would flatten all others."""

_Bars = Mapping[str, VarianceComponent | VarianceSum]


def show_components(studies: tuple[ComponentsOfVariance, ...]) -> Fragment:
    """Return a table of studies, what could not be told, and where one more measurement would tell most."""
    if not studies:
        return note("No reference oil was measured often enough to tell what its results spread by.")
    columns = ("Oils, quantity", "n", "Standard deviation (95 %)", "Shares of the variance")
    html = html_table("What results of the reference oils spread by", columns, map(_cells, studies), numeric=(1,))
    html += _listed("What has to be known", (one for study in studies for one in (*study.not_enough, *study.remarks)))
    html += _listed(f"What one more of each would narrow ({studies[0].name})", studies[0].advice)
    html = folded(studies[0].sentence, html)
    return Fragment(html, "\n".join(study.sentence for study in studies))


def component_pictures(studies: tuple[ComponentsOfVariance, ...]) -> tuple[Picture, ...]:
    """Return a picture of the first study in each unit."""
    first = {study.unit: study for study in reversed(studies)}
    pictures = (draw_components(study) for study in studies if study is first[study.unit])
    return tuple(picture for picture in pictures if picture is not None)


def _cells(study: ComponentsOfVariance) -> tuple[str, ...]:
    if study.components is None or not study.components.total.variance:
        return escape(study.name), str(study.number), "–", escape(study.sentence)
    symbol, total = study.intermediate_precisions[0]
    parts = sorted(study.components.components, key=lambda one: -one.share)
    deviation, interval = _spread(total)
    return (
        escape(study.name),
        str(study.number),
        f"{symbol} = {deviation} {study.unit}<br>({interval})",
        escape(", ".join(f"{one.name} {percent(one.share, 0)}" for one in parts)),
    )


def _listed(title: str, lines: Iterable[str]) -> str:
    items = "".join(f"<li>{escape(line)}</li>" for line in dict.fromkeys(lines))
    return f'<p class="note">{escape(title)}:</p><ul class="note">{items}</ul>' if items else ""


def draw_components(study: ComponentsOfVariance) -> Picture | None:
    """Draw the standard deviation of each level with its 95 % interval; None where there is no spread to split.

    Parameters
    ----------
    study : The study of one sample, quantity and temperature.

    Returns
    -------
    Bars, [unit of the study], hatched where the level has too few degrees of freedom; the table gives every end, those
        beyond the axis too.
    """
    if study.components is None or study.components.total.variance == 0.0:
        return None
    levels: _Bars = {one.name: one for one in study.components.components}
    sums: _Bars = dict(study.intermediate_precisions[:-1])
    top = _REACH * max(one.deviation for one in (*levels.values(), *sums.values()))
    figure = blank_figure("", f"Standard deviation, {study.unit}", yaxis={"range": [0.0, top]})
    figure.layout.barmode = "overlay"
    figure.layout.xaxis.update(type="category", categoryorder="array", categoryarray=[*levels, *sums])
    few = {level.name for level in study.levels if not level.enough}
    _add_bars(figure, "what the level adds", {name: one for name, one in levels.items() if name not in few}, MUTED)
    _add_bars(
        figure, "the same, from too few", {name: one for name, one in levels.items() if name in few}, "#ffffff", "/"
    )
    _add_bars(figure, "spread when day (T), operator (O), instrument (E) change", sums, BAND)
    _mark_far_ends(figure, {**levels, **sums}, top, study.unit)
    title = f"In a picture: {study.name}"
    return Picture(figure, _caption(study), *_numbers(study, study.components), folded=title)


def _add_bars(figure: go.Figure, name: str, bars: _Bars, fill: str, pattern: str = "") -> None:
    if not bars:
        return
    heights = [one.deviation for one in bars.values()]
    ends = [one.deviation_interval for one in bars.values()]
    figure.add_bar(
        x=list(bars),
        y=heights,
        name=name,
        width=0.5,
        marker={
            "color": fill,
            "line": {"color": INK, "width": 1.4},
            "pattern": {"shape": pattern, "fgcolor": MUTED, "size": 6},
        },
        error_y={
            "type": "data",
            "symmetric": False,
            "array": [high - height for height, (_, high) in zip(heights, ends, strict=True)],
            "arrayminus": [height - low for height, (low, _) in zip(heights, ends, strict=True)],
            "color": INK,
            "thickness": 1.4,
            "width": 6,
        },
    )


def _mark_far_ends(figure: go.Figure, bars: _Bars, top: float, unit: str) -> None:
    """Write the end of an interval that leaves the axis beside where it does."""
    for label, one in bars.items():
        high = one.deviation_interval[1]
        if high > top:
            figure.add_annotation(
                x=label,
                y=top,
                text=f"to {numeral(high)} {unit}",
                showarrow=False,
                yshift=-10,
                xshift=6,
                xanchor="left",
            )


def _caption(study: ComponentsOfVariance) -> str:
    few = ", ".join(f"{level.name} ({level.groups})" for level in study.levels if not level.enough)
    return f"{study.sentence} Hatched, too few for a useful interval: {few}." if few else study.sentence


def _numbers(study: ComponentsOfVariance, components: VarianceComponents) -> Numbers:
    columns = ("Level", "Groups", "Degrees of freedom", f"Standard deviation, {study.unit}", "95 %", "Share")
    rows = [
        (one.name, str(level.groups), numeral(one.degrees_of_freedom, 1), *_spread(one), percent(one.share, 0))
        for level, one in zip(study.levels, components.components, strict=True)
    ]
    rows += [
        (symbol, "", numeral(one.degrees_of_freedom, 1), *_spread(one), "")
        for symbol, one in study.intermediate_precisions[:-1]
    ]
    return columns, tuple(rows)


def _spread(one: VarianceComponent | VarianceSum) -> tuple[str, str]:
    return numeral(one.deviation), " to ".join(map(numeral, one.deviation_interval))
