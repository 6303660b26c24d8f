"""A page about a file of results: what it says, its pictures and tables, where it came from."""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc import __version__
from labcalc.figures.markup import Fragment, Summary, bullets, html_table, note, verdict_box, who
from labcalc.figures.picture import ACCENT, BAND, INK, MUTED, Figure, Picture, Rows, band, blank_figure, marker, stroke
from labcalc.judgement import Comparison, LaboratoryStudy, Rounds, ScoredRound, Study
from labcalc.statistics import CrossedStudy, MandelStatistics
from labcalc.statistics.series import Array
from labcalc.wording import counted, numeral, plain, signed

_SCORE_LINES = {-3.0: "solid", -2.0: "dash", 0.0: "solid", 2.0: "dash", 3.0: "solid"}
_NAMED: dict[str, Any] = {"xaxis": {"type": "category", "automargin": True}}
_MOST_NAMES = 60  # beyond this many bars their laboratories are named on hover and in the table only
_GAP = 1  # empty places between two levels
_WORDS = {"h": ("Mandel's h, of means", "means"), "k": ("Mandel's k, of spreads", "standard deviations")}
_HATCHED = {"shape": "/", "fgcolor": ACCENT}
_LOOKS: dict[str, dict[str, Any]] = {
    "within": {"color": MUTED, "line": {"color": INK, "width": 1}},
    "beyond": {"color": "#ffffff", "line": {"color": ACCENT, "width": 1.4}, "pattern": _HATCHED},
}


def summarise_study(study: Study) -> Summary:
    """Return what the index page shows of the report."""
    return Summary({"quality": True, "verdict_rank": study.rank, "line": study.reason, **study.for_programs})


def show_study_header(study: Study) -> Fragment:
    """Return what the file holds, in one line."""
    facts = {**study.facts, "without a result": study.file.without_result}
    return who(" · ".join(f"{name[0].lower()}{name[1:]}: {fact}" for name, fact in facts.items() if fact))


def show_study_verdict(study: Study) -> Fragment:
    """Return the verdict with its reason, and each finding with what to do."""
    reason = f"{study.reason[0].upper()}{study.reason[1:]}."
    box = verdict_box(study.verdict, study.rank, reason)
    found = bullets([f"{one.about}: {one.finding}. {one.what_to_do}" for one in study.findings])
    return Fragment(box.html + found.html, f"{study.verdict}: {reason}\n{found.text}".strip())


def show_study_tables(study: Study) -> Fragment:
    """Return the tables, each with its notes: what they suppose, and by which standard."""
    html, text = "", []
    for one in study.tables:
        cells = [[escape(cell) for cell in row] for row in one.rows]
        html += html_table(one.caption, one.columns, cells, numeric=tuple(range(1, len(one.columns))), stacked=True)
        html += note(*one.notes).html
        text += [one.caption, *("; ".join(row) for row in one.rows)]
    return Fragment(html, "\n".join(text))


def show_study_provenance(study: Study) -> Fragment:
    """Return the file with its digest, where its results come from, and the version."""
    digest = f'<code class="digest">{study.file.sha256}</code>'
    cells = [("File", escape(study.file.name)), ("Rows", str(len(study.file.rows))), ("SHA-256", digest)]
    cells += [("Results from", escape(" ".join(study.file.remarks)))] * bool(study.file.remarks)
    cells.append(("labcalc", escape(__version__)))
    return Fragment(html_table("File and version", ("What", "Which"), cells), f"{study.file.name} {study.file.sha256}")


def study_pictures(study: Study) -> tuple[Picture, ...]:
    """Return the pictures that say it at once, the most telling first."""
    found = study.result
    if isinstance(found, Rounds):
        return (*_scores(found), *(_participants(one) for one in found.rounds if one.participants.size))
    if isinstance(found, Comparison):
        return _differences(found), _lines(found)
    if isinstance(found, LaboratoryStudy):
        consistency = (draw_consistency(found.consistency, which) for which in ("h", "k"))
        return (*consistency, *([_relation(found)] if found.relations else []))
    return _components(found), _cells(found)


def _line(figure: Figure, x: ArrayLike, y: ArrayLike, look: dict[str, Any], name: str = "", **more: Any) -> None:
    """Draw a line; without a name it isn't in the legend."""
    style = {"mode": "lines", "line": look, "name": escape(name), "showlegend": bool(name)}
    figure.add_scatter(x=np.asarray(x), y=np.asarray(y), **{**style, **more})


def _dots(figure: Figure, x: ArrayLike, y: ArrayLike, look: dict[str, Any], name: str, **more: Any) -> None:
    figure.add_scatter(x=np.asarray(x), y=np.asarray(y), mode="markers", marker=look, name=escape(name), **more)


def _across(figure: Figure, lines: Iterable[tuple[float, dict[str, Any]]]) -> None:
    ends = {"type": "line", "x0": 0, "x1": 1, "xref": "paper"}
    figure.layout["shapes"] = [{**ends, "y0": y, "y1": y, "line": look} for y, look in lines]


def _rows(names: Sequence[str], *columns: ArrayLike) -> Rows:
    told = ([numeral(float(value), figures=5) for value in np.asarray(column)] for column in columns)
    return tuple(zip(names, *told, strict=True))


def _scores(found: Rounds) -> Iterator[Picture]:
    for quantity, one in found.together.items():
        names = [each.name for each in found.rounds if each.quantity == quantity and math.isfinite(each.score)]
        end = 1.15 * max(3.5, float(np.abs(one.scores).max()))
        figure = blank_figure("", "z, z′", height=380, yaxis={"range": [-end, end]}, **_NAMED)
        x = [escape(name).replace(", ", ",<br>") for name in names]
        look = {"color": BAND, "line": stroke(INK, width=1)}
        figure.add_bar(x=x, y=one.scores, width=0.12, marker=look, name="score of a round")
        _line(figure, x, one.ewma, stroke(ACCENT), "moving average", mode="lines+markers")
        _line(figure, x, one.ewma_limits, stroke(ACCENT, "dot"), "its limits")
        _line(figure, x, -one.ewma_limits, stroke(ACCENT, "dot"))
        _across(figure, [(score, stroke(INK, dash, 1)) for score, dash in _SCORE_LINES.items()])
        caption = f"{quantity}: {counted(len(x), 'round')}, mean z {signed(one.mean, 2)}; dashed at 2, full line at 3."
        columns = ("Round", "Score", "Moving average", "Its limit")
        yield Picture(figure, caption, columns, _rows(names, one.scores, one.ewma, one.ewma_limits))


def _participants(one: ScoredRound) -> Picture:
    values = np.sort(one.participants)
    places, own = np.arange(1, values.size + 1), int(np.searchsorted(values, one.own)) + 1
    figure = blank_figure("Laboratories by result", escape(one.quantity), height=360)
    _dots(figure, places, values, marker("circle", MUTED, 8), "participants")
    _dots(figure, [own], [one.own], marker("diamond", ACCENT, 13), "own")
    _across(figure, [(one.assigned + k * one.sigma, stroke(INK, dash, 1)) for k, dash in _SCORE_LINES.items()])
    caption = (
        f"{one.quantity}, {one.name}: own {numeral(one.own, figures=5)} is number {own} of {values.size}; lines at the "
        f"assigned value {numeral(one.assigned, figures=5)} and 2 and 3 σ_pt from it."
    )
    rows = _rows([str(place) for place in places], values)
    return Picture(figure, caption, ("Place", "Result"), rows, folded=f"All participants of {one.name}")


def _differences(found: Comparison) -> Picture:
    """Draw second less first against the mean of both, with the limits of agreement and their intervals."""
    one, unit = found.agreement, found.unit or "unit of the results"
    middle = np.sqrt(found.first * found.second) if found.in_percent else (found.first + found.second) / 2.0
    figure = blank_figure("Mean of both", f"Second less first, {escape(unit)}", height=420)
    figure.layout["xaxis"]["type"] = "log" if found.in_percent else "linear"
    ends = [float(middle.min()), float(middle.max())]
    for value, low, high in (one.mean, one.lower, one.upper):
        figure.add_scatter(**band(ends, [low] * 2, [high] * 2, showlegend=False))
        _line(figure, ends, [value] * 2, stroke(INK))
    for y, name in ((found.allowed, "allowed"), (-found.allowed, "")) if found.allowed > 0.0 else ():
        _line(figure, ends, [y] * 2, stroke(ACCENT, "dash"), name)
    _dots(figure, middle, one.differences, marker("circle", INK, 7), "samples", text=[*map(escape, found.samples)])
    caption = (
        f"{found.names[1]} less {found.names[0]}: mean {signed(one.mean[0])}, limits of agreement "
        f"{signed(one.lower[0])} and {signed(one.upper[0])} {unit}, with 95 % intervals."
    )
    return Picture(figure, caption, ("Sample", "Mean", "Difference"), _rows(found.samples, middle, one.differences))


def _lines(found: Comparison) -> Picture:
    """Draw second against first, with y = x and the lines between them."""
    figure = blank_figure(*map(escape, found.names), height=460)
    ends = np.array([found.levels[0], found.levels[2]])
    _line(figure, ends, ends, stroke(INK, width=1), "y = x")
    for one, look in zip(found.lines, (stroke(ACCENT), stroke(MUTED, "dash")), strict=True):
        _line(figure, ends, one.intercept + one.slope * ends, look, one.form)
    _dots(figure, found.first, found.second, marker("circle", INK, 7), "samples", text=[*map(escape, found.samples)])
    best = found.lines[0]
    line = f"{numeral(best.intercept, figures=3)} + {numeral(best.slope, figures=4)} × {found.names[0]}"
    caption = f"{found.names[1]} = {line}, by {best.form}."
    return Picture(figure, caption, ("Sample", *found.names), _rows(found.samples, found.first, found.second))


def _bars(values: ArrayLike, low: ArrayLike, high: ArrayLike) -> dict[str, Any]:
    above, below = np.asarray(high) - np.asarray(values), np.asarray(values) - np.asarray(low)
    return {"type": "data", "array": above.clip(0.0), "arrayminus": below.clip(0.0), "thickness": 1.3}


def _relation(found: LaboratoryStudy) -> Picture:
    """Draw s_r and s_R with their intervals against the level, and the forms that fit best."""
    of = found.precision
    figure = blank_figure("Mean of the level", "Standard deviation", height=400)
    spreads = {
        "s_r": (of.repeatability_deviation, of.repeatability_interval, "circle", MUTED),
        "s_R": (of.reproducibility_deviation, of.reproducibility_interval, "square", ACCENT),
    }
    level = np.linspace(of.mean.min(), of.mean.max(), 60)
    for relation, (name, (values, ends, symbol, color)) in zip(found.relations, spreads.items(), strict=True):
        _dots(figure, of.mean, values, marker(symbol, color, 9), name, error_y=_bars(values, *ends))
        _line(figure, level, relation.deviation_at(level), stroke(color), f"{name}, {relation.form}")
    caption = f"s_r and s_R of {counted(len(of.levels), 'level')} with 95 % intervals, and the form that fits best."
    rows = _rows(of.levels, of.mean, *(values for values, *_ in spreads.values()))
    return Picture(figure, caption, ("Level", "Mean", *spreads), rows)


def _components(found: CrossedStudy) -> Picture:
    """Draw the standard deviation that each source adds, with its interval."""
    names = tuple(one.line.name for one in found.effects)
    values, low, high = np.sqrt([(one.variance, *one.interval) for one in found.effects]).T
    figure = blank_figure("", "Standard deviation", height=380, **_NAMED)
    figure.add_bar(x=names, y=values, error_y=_bars(values, low, high), width=0.5, marker={"color": MUTED})
    told = ", ".join(f"{name} {numeral(value)}" for name, value in zip(names, values.tolist(), strict=True))
    caption = f"What each source adds, as a standard deviation with its 95 % interval: {told}."
    return Picture(figure, caption, ("Source", "s", "From", "To"), _rows(names, values, low, high))


def _cells(found: CrossedStudy) -> Picture:
    """Draw the means of operators and instruments level by level, less the level's: crossing lines are interaction."""
    others = [of for name, of in found.levels.items() if name != found.part]
    levels = found.levels[found.part]
    table = np.moveaxis(found.table, [*found.levels].index(found.part), -1).reshape(-1, len(levels))
    names = [", ".join(of[i] for of, i in zip(others, place, strict=True)) for place in np.ndindex(*map(len, others))]
    off, symbols = table - table.mean(axis=0), ("circle", "square", "diamond", "cross", "triangle-up", "x")
    figure = blank_figure("Level", "Mean less the level's mean", height=400, **_NAMED)
    for i, (name, row) in enumerate(zip(names, off, strict=True)):
        look = marker(symbols[i % len(symbols)], INK, 8)
        _line(figure, [*map(escape, levels)], row, stroke(MUTED, width=1), name, mode="lines+markers", marker=look)
    caption = "Means level by level, less the mean of all: parallel lines differ in mean, crossing ones in bias"
    return Picture(figure, f"{caption} by level.", ("Level", *names), _rows(levels, *off))


@dataclass(frozen=True)
class _Bars:
    """h or k of every cell, laboratories × levels, with the limit of each and its place on the axis."""

    which: str
    of: MandelStatistics
    values: Array
    limits: Array
    beyond: NDArray[np.bool_]
    places: Array

    def named(self, lab: int, level: int) -> str:
        return f"laboratory {self.of.laboratories[lab]} at level {self.of.levels[level]}"


def draw_consistency(statistics: MandelStatistics, which: Literal["h", "k"]) -> Picture:
    """Draw Mandel's h or k of every cell, [-], with its critical value; bars beyond it are hatched and named."""
    values, beyond = (statistics.h, statistics.beyond_h) if which == "h" else (statistics.k, statistics.beyond_k)
    limits = np.broadcast_to(statistics.h_limits, values.shape) if which == "h" else statistics.k_limits
    laboratories, levels = values.shape
    places = np.arange(laboratories)[:, None] + (laboratories + _GAP) * np.arange(levels, dtype=float)
    bars = _Bars(which, statistics, values, limits, beyond, places)
    figure = blank_figure("Laboratory", _WORDS[which][0], height=380)
    _add_bars(figure, bars)
    _add_limits(figure, bars)
    _dress(figure, bars)
    rows = tuple(
        (level_name, name, numeral(values[lab, level], 2), numeral(limits[lab, level], 2))
        for level, level_name in enumerate(statistics.levels)
        for lab, name in enumerate(statistics.laboratories)
    )
    return Picture(figure, _caption(bars), ("Level", "Laboratory", which, "Limit"), rows)


def _add_bars(figure: Figure, bars: _Bars) -> None:
    for name, shown in (("within", np.isfinite(bars.values) & ~bars.beyond), ("beyond", bars.beyond)):
        if shown.any():
            places = {"x": bars.places[shown], "y": bars.values[shown].round(4), "width": 0.8}
            look = {"marker": _LOOKS[name], "name": f"{name} the limit"}
            names = [escape(bars.named(*cell)) for cell in np.argwhere(shown).tolist()]
            figure.add_bar(**places, **look, hovertext=names, hovertemplate="%{hovertext}: %{y}<extra></extra>")


def _add_limits(figure: Figure, bars: _Bars) -> None:
    """Draw the limit over every bar, below too for h; a level's bars make one line, broken between levels."""
    x, y = np.stack([bars.places - 0.5, bars.places + 0.5]), np.stack([bars.limits, bars.limits])
    broken = [
        np.pad(one.transpose(2, 1, 0).reshape(one.shape[2], -1), ((0, 0), (0, 1)), constant_values=np.nan).ravel()
        for one in (x, y)
    ]
    look = {"mode": "lines", "line": stroke(INK, width=1.4), "hovertemplate": "limit %{y}<extra></extra>"}
    for sign in (1, -1) if bars.which == "h" else (1,):
        figure.add_scatter(x=broken[0], y=sign * broken[1], name="limit", showlegend=sign == 1, **look)


def _dress(figure: Figure, bars: _Bars) -> None:
    """Name levels above the bars, laboratories beneath, and each bar beyond its limit at its end."""
    places, is_named = bars.places, bars.places.size <= _MOST_NAMES
    ticks = np.tile([escape(name) for name in bars.of.laboratories], places.shape[1])
    named: dict[str, Any] = {"tickvals": places.T.ravel() if is_named else [], "ticktext": ticks if is_named else []}
    ends = [-1.0, float(places[-1, -1]) + 1.0]
    figure.layout["xaxis"] |= {**named, "range": ends, "showgrid": False, "automargin": True}
    highest = float(np.nanmax(np.abs([bars.values, bars.limits]), initial=1.0))
    reach = [-1.25 * highest, 1.25 * highest] if bars.which == "h" else [0.0, 1.15 * highest]
    zero = {"zeroline": True, "zerolinecolor": INK, "zerolinewidth": 1}
    figure.layout["yaxis"] |= {**zero, "range": reach, "hoverformat": ".2f"}
    figure.layout |= {"margin": {"t": 56}, "legend": {"y": 1.09}}
    heads = [
        {"x": float(x), "y": 1.0, "yref": "paper", "yanchor": "bottom", "text": f"level {escape(name)}"}
        for x, name in zip(places.mean(axis=0), bars.of.levels, strict=True)
    ]
    marks = []
    for cell in zip(*np.nonzero(bars.beyond), strict=True):
        place = {"x": float(places[cell]), "y": float(bars.values[cell])}
        look = {"yanchor": "bottom" if bars.values[cell] > 0.0 else "top", "font": {"color": ACCENT, "size": 13}}
        marks.append({**place, **look, "text": escape(bars.of.laboratories[cell[0]])})
    figure.layout["annotations"] = [{"showarrow": False, **one} for one in heads + marks]
    figure.layout["shapes"] = [
        {"type": "line", "x0": x, "x1": x, "y0": 0, "y1": 1, "yref": "paper", "line": stroke(MUTED, "dot", 0.8)}
        for x in (places[-1, :-1] + 0.5 + _GAP / 2.0).tolist()
    ]


def _caption(bars: _Bars) -> str:
    laboratories = counted(len(bars.of.laboratories), "laboratory", "laboratories")
    head = f"Mandel's {bars.which} of {laboratories} at {counted(len(bars.of.levels), 'level')}"
    number, share = int(np.isfinite(bars.values).sum()), f"{plain(100.0 * bars.of.significance)} %"
    what = f"{number} {_WORDS[bars.which][1]}"
    if number == 0:
        return f"{head}: nothing to compare, no level has {'means' if bars.which == 'h' else 'repeats'} that differ."
    if not bars.beyond.any():
        lab, level = np.unravel_index(np.nanargmax(np.abs(bars.values)), bars.values.shape)
        largest = f"{bars.named(int(lab), int(level))} ({numeral(bars.values[lab, level], 2)})"
        return f"{head}: none of {what} is beyond the {share} limit; the largest is that of {largest}."
    beyond = [(lab, level) for level, lab in np.argwhere(bars.beyond.T).tolist()]
    told = ", ".join(f"{bars.named(*cell)} ({numeral(bars.values[cell], 2)})" for cell in beyond)
    chance = numeral(number * bars.of.significance, 1)
    return f"{head}: {len(beyond)} of {what} beyond the {share} limit, where chance gives {chance}: {told}."
