"""What a lesson shows: its pictures, its questions on paper, simulation beside theory."""

import math
from collections.abc import Iterable, Iterator, Sequence
from html import escape
from typing import TYPE_CHECKING, Any

from labcalc.figures.markup import Fragment, html_table
from labcalc.figures.picture import ACCENT, BAND, INK, MUTED, Picture, blank_figure, marker, stroke
from labcalc.lessons import Agreement, Choice, NumberQuestion, Plot, Question, Series, grouped
from labcalc.statistics import rounded_to_figures
from labcalc.wording import numeral, plain, signed

if TYPE_CHECKING:  # what tests are drawn from takes a second to import
    from labcalc.lessons import LessonTest

_DASHES = ("solid", "dash", "dot", "dashdot", "longdash")
_SYMBOLS = ("circle", "diamond", "square", "triangle-up")


def draw_plot(plot: Plot) -> Picture:
    """Draw one picture of a lesson."""
    figure = blank_figure(plot.x_title, plot.y_title, height=340)
    figure.data += [_trace(series, position) for position, series in enumerate(plot.series)]
    shapes, annotations = _lines(plot)
    gap = 0.5 if plot.x_names else 0.0
    figure.layout |= {"shapes": shapes, "annotations": annotations, "showlegend": len(plot.series) > 1, "bargap": gap}
    figure.layout["xaxis"]["type"] = "log" if plot.x_log else "linear"
    figure.layout["yaxis"]["type"] = "log" if plot.y_log else "linear"
    if plot.levels and not plot.y_log:
        values = [level.value for level in plot.levels]
        for one in plot.series:
            spread = 0.0 if one.error is None else one.error
            values += [*(one.y - spread).tolist(), *(one.y + spread).tolist()]
        room = 0.08 * (max(values) - min(values))  # beyond the outermost level
        figure.layout["yaxis"]["range"] = [min(values) - room, max(values) + room]
    if plot.x_names:
        figure.layout["xaxis"] |= {"tickvals": list(range(len(plot.x_names))), "ticktext": list(plot.x_names)}
    return Picture(figure, plot.caption, ("Series", plot.x_title, plot.y_title, "±"), tuple(_numbers(plot)))


def _trace(series: Series, position: int) -> dict[str, Any]:
    where = {"name": series.name, "x": series.x, "y": series.y}
    error = None if series.error is None else {"array": series.error, "color": INK, "thickness": 1}
    if series.kind == "bars":
        look = {"color": BAND, "line": {"color": MUTED, "width": 1}}
        return {"type": "bar", **where, "marker": look, "error_y": error}
    if series.kind == "line":
        return {"type": "scatter", **where, "mode": "lines", "line": stroke(INK, _DASHES[position % len(_DASHES)])}
    style = marker(_SYMBOLS[position % len(_SYMBOLS)], INK, 7, filled=position % 2 == 0)
    style = marker("diamond", ACCENT, 10) if series.kind == "flags" else style
    return {"type": "scatter", **where, "mode": "markers", "marker": style, "error_y": error}


def _lines(plot: Plot) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Return levels and marks as lines from edge to edge, and their names beside them."""
    shapes, names = [], []
    for level in plot.levels:
        place = math.log10(level.value) if plot.y_log else level.value
        shapes.append({"xref": "x domain", "x0": 0, "x1": 1, "y0": level.value, "y1": level.value})
        names.append({"xref": "x domain", "x": 1, "xanchor": "right", "y": place, "yanchor": "bottom"})
    for position, mark in enumerate(plot.marks):
        place = math.log10(mark.value) if plot.x_log else mark.value
        shapes.append({"yref": "y domain", "y0": 0, "y1": 1, "x0": mark.value, "x1": mark.value})
        names.append({"yref": "y domain", "y": 1, "yanchor": "top", "x": place, "xanchor": "left"})
        names[-1]["yshift"] = -15 * (position % 3)  # so that the names of close marks don't lie on each other
    dressed = {"showarrow": False, "font": {"color": ACCENT, "size": 12}}
    texts = [one.label for one in (*plot.levels, *plot.marks)]
    return (
        [{"type": "line", "line": stroke(ACCENT, "dash", 1.2), **shape} for shape in shapes],
        [{"text": text, **dressed, **name} for text, name in zip(texts, names, strict=True)],
    )


def _numbers(plot: Plot) -> Iterator[tuple[str, ...]]:
    for series in plot.series:
        errors: Iterable[float | None] = [None] * series.x.size if series.error is None else series.error.tolist()
        for x, y, error in zip(series.x.tolist(), series.y.tolist(), errors, strict=True):
            named = plot.x_names[int(x)] if plot.x_names else plain(x, 4)
            yield series.name, named, plain(y, 4), "" if error is None else plain(error, 2)
    yield from ((level.label, "", plain(level.value, 4), "") for level in plot.levels)
    yield from ((mark.label, plain(mark.value, 4), "", "") for mark in plot.marks)


def tell_picture(picture: Picture) -> Fragment:
    """Return the caption and the numbers of a picture, for beneath it."""
    table = html_table("Numbers of the picture", picture.columns, [tuple(map(escape, row)) for row in picture.rows])
    numbers = f"<details><summary>Numbers of the picture</summary>{table}</details>"
    return Fragment(f"<p>{escape(picture.caption)}</p>{numbers}", picture.caption)


def say(*sentences: str) -> Fragment:
    """Return sentences whose numbers were just computed, as a paragraph."""
    text = " ".join(sentences)
    return Fragment(f"<p>{escape(text)}</p>", text)


def show_agreements(agreements: Sequence[Agreement]) -> Fragment:
    """Return simulation beside theory, a line a claim, with its standard error and how wrong a theory it would show."""
    rows = []
    for one in agreements:
        theory, simulated, shows = (_number(value, one) for value in (one.theory, one.simulated, one.shows))
        apart = numeral(one.standard_error, figures=1), signed(one.apart, 1), "yes" if one.agrees else "no"
        what = f"{escape(one.what)}<br><small>{grouped(one.number)} simulated</small>"
        rows.append((what, theory, simulated, *apart, shows))
    text = "\n".join(
        f"{one.what}: theory {row[1]}, simulation {row[2]} ± {row[3]}, {row[4]} standard errors apart, agrees: "
        f"{row[5]}; a theory that is off by {row[6]} would show"
        for one, row in zip(agreements, rows, strict=True)
    )
    columns = ("Claim", "Theory", "Simulation", "±", "Apart", "Agrees", "Would show")
    words = (
        "±: standard error of the simulation. Apart: distance of the two, in standard errors. Would show: how far off "
        "a theory has to be for this check to find it nearly always; smaller errors may pass."
    )
    table = html_table("Theory beside simulation", columns, rows, numeric=(1, 2, 3, 4, 6))
    return Fragment(f'<p class="note">{words}</p>{table}', text)


def _number(value: float, one: Agreement) -> str:
    """Write a value to one decimal more than its standard error lets stand."""
    decimals = max(0, 1 - rounded_to_figures(one.standard_error, 1).adjusted())
    return escape(f"{numeral(value, decimals)} {one.unit}".rstrip())


def show_data(caption: str, columns: Sequence[str], rows: Iterable[Sequence[object]]) -> Fragment:
    """Return a learner's data as a table; its first column names the row."""
    cells = [tuple(escape(str(cell)) for cell in row) for row in rows]
    text = "\n".join(", ".join(row) for row in cells)
    return Fragment(html_table(caption, columns, cells, numeric=tuple(range(1, len(columns)))), text)


def show_question(question: Question, heading: str = "Question") -> Fragment:
    """Return a question as it stands on paper, with its answers to choose from or a line to write on."""
    choices = question.options if isinstance(question, Choice) else ()
    listed = "".join(f"<li>{escape(option.text)}</li>" for option in choices)
    blank = f"<ol type='A'>{listed}</ol>" if choices else f"<p>Answer: ____________ {escape(question.unit)}</p>"
    return Fragment(f"<p><b>{escape(heading)}.</b> {escape(question.text)}</p>{blank}", question.text)


def show_example(number: int, text: str, steps: Sequence[NumberQuestion], shown: int) -> Fragment:
    """Return a worked example: the steps that are shown with their numbers, the others with a line to write on."""
    head = f"Example {number + 1}."
    lines = [
        f"{one.text}: {one.answer_text}." if at < shown else f"{one.text}: ____________ {one.unit}".rstrip()
        for at, one in enumerate(steps)
    ]
    listed = "".join(f"<li>{escape(line)}</li>" for line in lines)
    return Fragment(f"<p><b>{head}</b> {escape(text)}</p><ol>{listed}</ol>", "\n".join([f"{head} {text}", *lines]))


def show_answer(question: Question, heading: str = "Answer") -> Fragment:
    """Return the answer to a question with its explanation."""
    words = question.explanation
    if isinstance(question, Choice):
        words = f"{question.options[question.right].words} {words}".strip()
    text = f"{question.answer_text}. {words}".strip()
    return Fragment(f"<p><b>{escape(heading)}:</b> {escape(text)}</p>", f"{heading}: {text}")


def show_feedback(right: bool | None, words: str) -> Fragment:
    """Return what is said to an answer, told apart by a sign as well; None: there was nothing to check."""
    css, sign = {True: ("met", "✓"), False: ("not-met", "✗"), None: ("doubtful", "?")}[right]
    html = f'<p role="status"><span class="state {css}" aria-hidden="true">{sign}</span> {escape(words)}</p>'
    return Fragment(html, words)


def show_test(test: "LessonTest") -> Fragment:
    """Return a test as it stands on paper."""
    parts = [show_question(question, f"Question {number}") for number, question in enumerate(test.questions, start=1)]
    head = f"Drawn for {test.learner}, attempt {test.attempt} (seed {test.seed})."
    html = f"<p>{escape(head)}</p>" + "".join(part.html for part in parts)
    return Fragment(html, "\n".join([head, *(part.text for part in parts)]))


def show_test_answers(test: "LessonTest") -> Fragment:
    """Return the answers to a test, for the trainer."""
    parts = [show_answer(question, f"Answer {number}") for number, question in enumerate(test.questions, start=1)]
    return Fragment("".join(part.html for part in parts), "\n".join(part.text for part in parts))
