"""Repeats: in time, precision found and in force, what lies beyond it and what to do, the rule of pairing."""

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

import pandas as pd

from labcalc.figures.markup import Fragment, Summary, bullets, folded, hover_number, html_table, note, verdict_box
from labcalc.figures.picture import ACCENT, INK, MUTED, Figure, Numbers, Picture, blank_figure, marker, stroke
from labcalc.figures.provenance import headed, settings_and_version, sources_table, with_mark
from labcalc.judgement import NOT_ENOUGH, DuplicateReport, DuplicateSummary, NamedSpread, SetBeyond
from labcalc.wording import at_celsius, celsius, first_of, listed, numeral, plain, signed

_REACH = 2.5  # where the axis of shares ends, in limits: what lies beyond stands at the edge with its number
_CONDITIONS = {
    "determinability": ("within a fill", marker("diamond", MUTED, 7, filled=False)),
    "repeatability": ("repeatability", marker("circle", INK, 7)),
    "intermediate precision": ("intermediate precision", marker("square", MUTED, 7, filled=False)),
}
_CAPTIONS = {condition: name.capitalize() for condition, (name, _) in _CONDITIONS.items()}  # in their order


def duplicate_pictures(report: DuplicateReport) -> tuple[Picture, ...]:
    """Return the repeats in time, a picture a quantity; none where nothing has a limit."""
    limited = report.sets[report.sets["limit"].notna()]["quantity"]
    return tuple(_in_time(report, quantity) for quantity in report.sets["quantity"].unique() if quantity in {*limited})


def _in_time(report: DuplicateReport, quantity: str) -> Picture:
    """Draw how far repeats lie apart in time, first minus second over the limit, [-]."""
    of_quantity = report.sets[report.sets["quantity"] == quantity].sort_values("ended", kind="stable")
    sets = of_quantity[of_quantity["limit"].notna()]
    figure = blank_figure("", "Apart, as a share of the limit", height=380, xaxis={"type": "date"})
    figure.layout["yaxis"]["range"] = [-_REACH, _REACH]
    far, carried = sets[sets["beyond"]], sets[sets["carried_over"]]
    for condition, (name, style) in _CONDITIONS.items():
        _add_shares(figure, sets[(sets["condition"] == condition) & ~sets["beyond"]], name, style)
    for name, rows, symbol in (("beyond its limit", far, "triangle-up"), ("moved by carry-over", carried, "x-thin")):
        _add_shares(figure, rows, name, marker(symbol, ACCENT, 11, filled=False))
    lines = [_level(1.0, stroke(INK)), _level(-1.0, stroke(INK)), _level(0.0, stroke(MUTED, width=0.8))]
    far, labels = sets[sets["share"].abs() > _REACH], []
    for (_, above), rows in far.groupby([far["sample"], far["share"] > 0.0], sort=False):  # those of a sample together
        place = {"x": f"{rows['ended'].iloc[0]:%Y-%m-%d %H:%M}", "y": _REACH * 0.96 if above else -_REACH * 0.96}
        look = {"showarrow": False, "yshift": -16 if above else 16, "font": {"size": 11, "color": ACCENT}}
        labels.append({**place, "text": ", ".join(signed(share, 0) for share in rows["share"]), **look})
    figure.layout |= {"shapes": lines, "annotations": labels}
    return Picture(figure, _caption_in_time(report, quantity, of_quantity, sets), *_numbers(of_quantity))


def _add_shares(figure: Figure, sets: pd.DataFrame, name: str, style: dict[str, Any]) -> None:
    if len(sets):
        x = sets["ended"].dt.strftime("%Y-%m-%d %H:%M").tolist()
        y = sets["share"].clip(-_REACH * 0.96, _REACH * 0.96).round(4).tolist()
        words = zip(sets["sample"], map(celsius, sets["temperature_C"]), sets["share"], strict=True)
        text = [f"{sample}, {at}: {signed(share, 2)}" for sample, at, share in words]
        figure.add_scatter(x=x, y=y, text=text, hoverinfo="text+x", mode="markers", marker=style, name=name)


def _level(value: float, line: dict[str, Any]) -> dict[str, Any]:
    across = {"type": "line", "x0": 0, "x1": 1, "xref": "paper", "yref": "y"}
    return {**across, "y0": value, "y1": value, "line": line, "layer": "below"}


def _caption_in_time(report: DuplicateReport, quantity: str, of_quantity: pd.DataFrame, sets: pd.DataFrame) -> str:
    beyond = sets[sets["beyond"]]
    worst = sets.iloc[int(sets["share"].abs().to_numpy().argmax())]
    missing = len(of_quantity) - len(sets)
    return (
        f"{quantity.capitalize()}, {report.about}: {len(beyond)} of {len(sets)} sets of repeats lie beyond their limit "
        f"(lines); the farthest, {worst['sample']} at {celsius(worst['temperature_C'])} on {worst['ended']:%Y-%m-%d}, "
        f"{numeral(abs(worst['share']))} times. Above 0 the first result is the higher one."
        + (f" {missing} without a limit are in the table only." if missing else "")
    )


def _numbers(sets: pd.DataFrame) -> Numbers:
    rows = []
    for _, row in sets.assign(carried=sets["carried"].where(sets["carried_over"])).iterrows():
        what = (str(row["sample"]), plain(row["temperature_C"]), row["changed"] or str(row["condition"]))
        difference, carried = signed(row["difference"], figures=3), signed(row["carried"], unknown="")
        values = (numeral(row["mean"], figures=5), difference, carried, signed(row["share"], 2))
        rows.append((f"{row['ended']:%Y-%m-%d %H:%M}", *what, *values))
    unit = "%" if (sets["quantity"] == "kinematic viscosity").all() else "kg/m³"
    columns = ("Last measured at", "Sample", "°C", "Conditions", "Mean", f"First − second, {unit}", "By carry-over")
    return (*columns, "Share of the limit"), tuple(rows)


def summarise_duplicates(report: DuplicateReport) -> Summary:
    """Return what the index page shows of the report."""
    facts = {"verdict": report.verdict, "verdict_rank": report.rank, "line": report.reason, "number": report.number}
    return Summary({"quality": True, **facts})


def show_duplicate_header(report: DuplicateReport, links: Mapping[str, str] | None = None) -> Fragment:
    """Return laboratory, period, product, person and instrument, how much was measured again, and other pages."""
    counts = report.sets["condition"].value_counts()
    sets = ", ".join(f"{counts[one]} {one}" for one in _CAPTIONS if one in counts) or "none"
    only = (f"only {name} {value}" for name, value in report.only.items() if value)
    line = " · ".join((report.period.name, *only, f"sets of repeats: {sets}"))
    return headed(report.laboratory, report.number, line, links)


def show_duplicate_verdict(report: DuplicateReport) -> Fragment:
    """Return the verdict with what to do."""
    box = verdict_box(report.verdict, report.rank, f"{report.reason[0].upper()}{report.reason[1:]}.")
    return Fragment(box.html, f"{report.verdict}: {report.reason}")


def show_duplicate_summaries(report: DuplicateReport) -> Fragment:
    """Return the precision by class, quantity and temperature beside its limit; what is not repeatability, folded."""
    if not report.summaries:
        return note(f"No sample of {report.about} was measured twice at the same temperature.")
    groups: dict[str, list[DuplicateSummary]] = {}
    for one in report.summaries:
        groups.setdefault(one.condition, []).append(one)
    html = "".join(_summary_table(condition, group) for condition, group in groups.items())
    said = ((", ".join((_CAPTIONS[one.condition], *one.changed)), one) for one in report.summaries)
    text = "\n".join(f"{caption}: {one.name}: {one.compared}: {one.verdict}" for caption, one in said)
    return Fragment(html + folded("Where these figures come from", _summary_notes(report)), text)


def _summary_table(condition: str, group: Sequence[DuplicateSummary]) -> str:
    between = any(one.changed for one in group)
    columns = ["Class, quantity", *(["Changed"] if between else []), "Sets", "2.77 s", group[0].letter, "Verdict"]
    cells = [_summary_cells(one, between) for one in group]
    numbers = tuple(range(1 + between, len(columns) - 1))
    table = html_table(_CAPTIONS[condition], columns, cells, numeric=numbers, stacked=True)
    return folded(_CAPTIONS[condition], table) if between else table


def _summary_cells(one: DuplicateSummary, between: bool) -> tuple[str, ...]:
    low, high = one.precision.limit_interval
    reach = f"<br><small>{numeral(low)} to {numeral(high)}</small>"
    what = ", ".join(filter(None, (at_celsius(one.quantity, one.temperature_C), one.unit, one.instruments)))
    return (
        f"{escape(one.precision_class)}<br><small>{escape(what)}</small>",
        *([escape(listed(one.changed))] if between else []),
        str(one.precision.number),
        hover_number(numeral(one.precision.limit), one.precision.limit) + reach,
        hover_number(numeral(one.limit_in_force), one.limit_in_force),
        _verdict(one),
    )


def _verdict(one: DuplicateSummary) -> str:
    looks = "not-met" if one.is_worse else "doubtful" if one.beyond else "met"
    plain = one.comparison is None or one.verdict == NOT_ENOUGH
    shown = escape(one.verdict) if plain else f'<span class="state {looks}">{escape(one.verdict)}</span>'
    beyond = f"{numeral(one.expected_beyond, figures=1)} expected: {first_of(one.beyond)}" if one.beyond else ""
    apart = f"carry-over holds {len(one.carried_over)} apart" if one.carried_over and one.comparison else ""
    words = "; ".join(filter(None, (one.why_not, beyond, apart)))
    return f"{shown}<br><small>{escape(words)}</small>" if words else shown


def _summary_notes(report: DuplicateReport) -> str:
    statements = dict.fromkeys(with_mark(one.statement) for one in report.summaries if one.statement is not None)
    heavy = [f"{one.name} {numeral(one.robust_limit)} {one.unit}" for one in report.summaries if one.robust_limit > 0.0]
    middle = f"Tails are heavy and intervals too short: by the middle of the pairs 2.77 s is {'; '.join(heavy)}."
    lines = [
        "2.77 s with its 95 % interval, sets beyond the limit counted in; one in twenty is by chance. Worse: the "
        "interval lies above the limit, and more are beyond than chance sends there. As published: it ends below twice "
        "the limit. Viscosity: by logarithms. Where conditions changed, R is the limit.",
        *([middle] if heavy else []),
        f"Limits from: {'; '.join(statements) or 'none'}.",
    ]
    return note(*lines).html


def show_spreads(report: DuplicateReport) -> Fragment:
    """Return operators, instruments, lots and days that repeat less well than the rest; all compared ones, folded."""
    if not report.spreads:
        return note("No operator, instrument, lot or day has the five repeats that a comparison needs.")
    lines = [f"{one.about}: {one.finding}. {one.what_to_do}" for one in report.named]
    said = bullets(lines) if lines else note("No operator, instrument, lot or day repeats less well than the rest.")
    columns = ("Who or what", "Standard deviation", "Of the others", "Ratio, 95 %", "F", "Degrees of freedom", "Holm p")
    cells = map(_spread_cells, report.spreads)
    table = html_table("Against the rest", columns, cells, numeric=tuple(range(1, 7)), stacked=True)
    rule = "p: the larger of an F-test's and of one by ranks, for wider scatter; who is named is left out below him."
    compared = folded(f"All {len(report.spreads)} that were compared", table + note(rule).html)
    return Fragment(said.html + compared, said.text)


def _spread_cells(one: NamedSpread) -> tuple[str, ...]:
    return (
        f"{escape(one.title)}<br><small>{escape(one.quantity)}, {one.unit}</small>",
        numeral(one.deviation),
        numeral(one.others),
        f"{numeral(one.variance_ratio**0.5)}<br><small>{' to '.join(map(numeral, one.ratio_interval))}</small>",
        numeral(one.variance_ratio),
        " and ".join(numeral(degrees, 0) for degrees in one.degrees),
        numeral(one.holm_p, figures=1),
    )


def show_duplicates_beyond(report: DuplicateReport) -> Fragment:
    """Return the repeats that lie further apart than their limit, each with what to do next."""
    if not report.beyond:
        return note("No repeats lie further apart than their limit.")
    rows = map(_beyond_cells, report.beyond, (None, *report.beyond))
    columns = ("Sample, quantity", "When, where, who", "Results", "Apart, limit", "What to do next")
    html = html_table("Further apart than their limit", columns, rows, numeric=(2, 3), stacked=True)
    return Fragment(html, "\n".join(f"{one.name}: {one.apart}. {one.what_to_do}" for one in report.beyond))


def _beyond_cells(one: SetBeyond, above: SetBeyond | None) -> tuple[str, ...]:
    same = above is not None and (one.runs, one.what_to_do) == (above.runs, above.what_to_do)
    to_do = "as above" if same else one.what_to_do
    conditions = f"{one.condition}{': ' if one.changed else ''}{one.changed}"
    when = f'<span title="{escape(one.runs)}">{one.measured_at:%Y-%m-%d %H:%M}</span>'
    where = escape(" · ".join(filter(None, (one.instruments, one.operators))))
    what, decimals = f"{at_celsius(one.quantity, one.temperature_C)}, {one.unit}", 2 if one.unit == "kg/m³" else None
    return (
        f"{escape(one.sample)}<br><small>{escape(what)}</small>",
        "<br>".join((when, where, f"<small>{escape(conditions)}</small>")),
        "<br>".join(hover_number(numeral(value, decimals, figures=5), value) for value in one.values),
        f"{hover_number(numeral(one.spread, figures=3), one.spread)}<br><small>{numeral(one.limit, figures=3)}</small>",
        f"<small>{escape(to_do)}</small>",
    )


def show_duplicate_biases(report: DuplicateReport) -> Fragment:
    """Return what carry-over holds apart, and what differs on the whole: first and second results, instruments."""
    found = [f"{one.about}: {one.finding}. {one.what_to_do}" for one in (*report.carried_over, *report.biased)]
    no_more = "First and second results, and the instruments, differ on the whole no more than chance allows."
    return bullets(found) if found else note(no_more)


def show_pairing_rule(report: DuplicateReport) -> Fragment:
    """Return by which rule results count as repeats of each other."""
    choices = report.laboratory.duplicates
    endings = ", ".join(f"'{one}'" for one in choices.second_fill_endings)
    lines = [
        f"Repeats that count: {', '.join(choices.count)}. A sample is told by its name"
        + (f", without an ending {endings}." if endings else "."),
        "Repeatability: same instrument, operator and lots of reference oils, begun within "
        f"{choices.repeatability_window_h:g} h. Intermediate precision: any of these or the time changed, within "
        f"{choices.intermediate_window_d:g} d; the first result of each set of repeats stands for it.",
        "Replicates of a run count as "
        + ("fills of their own." if report.laboratory.report.replicates == "fills" else "determinations of one fill."),
    ]
    return note(*lines)


def show_duplicate_provenance(report: DuplicateReport) -> Fragment:
    """Return the exports that hold what was compared, with digest and rows; lab.toml; version."""
    html = folded("Exports that hold the results", sources_table("Exports", report.sources))
    html += html_table("Settings and version", ("What", "Which"), settings_and_version(report.laboratory), stacked=True)
    return Fragment(html, "; ".join(f"{one.name} {one.sha256}" for one in report.sources) or "no export")
