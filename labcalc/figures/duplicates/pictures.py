"""Pictures of repeats: in time, as a share of their limit."""

from typing import Any

import pandas as pd

from labcalc.figures.picture import Numbers, Picture
from labcalc.figures.theme import ACCENT, INK, MUTED, Figure, blank_figure, marker, stroke
from labcalc.judgement import DuplicateReport
from labcalc.wording import celsius, numeral, plain, signed

_REACH = 2.5  # where the axis of shares ends, in limits: what lies beyond stands at the edge with its number

_CONDITIONS = {
    "determinability": ("within a fill", marker("diamond", MUTED, 7, filled=False)),
    "repeatability": ("repeatability", marker("circle", INK, 7)),
    "intermediate precision": ("intermediate precision", marker("square", MUTED, 7, filled=False)),
}


def duplicate_pictures(report: DuplicateReport) -> tuple[Picture, ...]:
    """Return the repeats in time, a picture a quantity; none where nothing has a limit."""
    drawn = (draw_in_time(report, quantity) for quantity in report.sets["quantity"].unique())
    return tuple(one for one in drawn if one is not None)


def draw_in_time(report: DuplicateReport, quantity: str) -> Picture | None:
    """Draw how far repeats lie apart in time, first minus second over the limit, [-]; None without one."""
    of_quantity = report.sets[report.sets["quantity"] == quantity].sort_values("ended", kind="stable")
    sets = of_quantity[of_quantity["limit"].notna()]
    if sets.empty:
        return None
    figure = blank_figure(
        "", "Apart, as a share of the limit", height=380, xaxis={"type": "date"}, yaxis={"range": [-_REACH, _REACH]}
    )
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
