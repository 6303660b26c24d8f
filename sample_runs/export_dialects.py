"""How the laboratory's files are written: one function a dialect; a week of an instrument, a file."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import numpy as np
import pandas as pd
import xlsxwriter
from numpy.typing import NDArray

__all__ = ["assign_files", "print_figures", "write_exports"]

_LONG = {
    "Run": "run", "Sample": "sample", "Product": "product", "Lot": "lot", "Instrument": "instrument",
    "Operator": "operator", "Measured at": "measured_text", "Repeat": "repeat", "Temperature (°C)": "temperature_C",
    "Kinematic viscosity (mm²/s)": "kinematic_text", "Dynamic viscosity (mPa·s)": "dynamic_text",
    "Density (kg/m³)": "density_text", "Remark": "remark",
}  # fmt: skip
"""Header → column of the determinations."""

_WIDE_KEYS = dict(list(_LONG.items())[:8])
_WIDE_VALUES = {
    "KV40 (mm²/s)": ("kinematic_text", 40), "KV100 (mm²/s)": ("kinematic_text", 100),
    "Density at 15 °C (kg/m³)": ("density_text", 15), "Density at 40 °C (kg/m³)": ("density_text", 40),
    "Density at 100 °C (kg/m³)": ("density_text", 100),
}  # fmt: skip

_VD2 = {
    "Sample": ("sample", ""), "Product": ("product", ""), "Lot": ("lot", ""), "Date": ("date_text", ""),
    "Time": ("time_text", ""), "Repeat": ("repeat", ""), "Temperature": ("temperature_text", "°C"),
    "Kinematic viscosity": ("kinematic_text", "mm²/s"), "Dynamic viscosity": ("dynamic_text", "mPa·s"),
    "Density": ("density_text", "kg/m³"), "Remark": ("remark", ""),
}  # fmt: skip
"""Header → column and unit."""

_LOGBOOK = {
    "Day": "date_text", "Clock": "time_text", "Who": "operator", "Bottle": "sample", "Charge": "lot", "Fill": "repeat",
    "Cell at": "temperature_C", "V": "kinematic_text", "D": "density_text", "Seen": "remark",
}  # fmt: skip

_NEW_COMPUTER = ("2026-W06", "2026-W09")
"""First and last week in which VD-1's new computer wrote what its maker had set."""
_WIDE_WEEK, _WORKBOOK_WEEK = "2026-W12", "2026-W14"
_LOGBOOK_DAYS = ("2026-03-25", "2026-03-26")
"""VD-2's computer stood still; results were written down by hand and typed later."""
_MADE = datetime(2026, 4, 1)  # noqa: DTZ001  (a property of the workbook, which knows no time zone)

_ENDINGS = {
    "long": ".csv",
    "wide": ".csv",
    "tabs": ".txt",
    "workbook": ".xlsx",
    "semicolons": ".csv",
    "logbook": ".csv",
}


def assign_files(rows: pd.DataFrame) -> None:
    """Say, row by row, in which dialect and file it is written; in the wide layout a fill has one time."""
    weeks = rows["day"].dt.strftime("%G-W%V")
    odd = rows["instrument_number"] % 2 == 0
    rows["dialect"] = np.select(
        [
            odd & weeks.between(*_NEW_COMPUTER),
            odd & (weeks == _WIDE_WEEK),
            odd & (weeks == _WORKBOOK_WEEK),
            odd,
            (rows["instrument"] == "VD-2") & rows["day"].isin(pd.to_datetime(list(_LOGBOOK_DAYS))),
        ],
        ["tabs", "wide", "workbook", "long", "logbook"],
        "semicolons",
    )
    first = np.where(rows["dialect"] == "logbook", "logbook_", "")
    rows["file"] = first + rows["instrument"] + "_" + weeks + rows["dialect"].map(_ENDINGS)
    fill = rows.groupby(["run", "repeat"])["measured_at"].transform("min")
    rows["measured_at"] = rows["measured_at"].where(rows["dialect"] != "wide", fill)


def print_figures(rows: pd.DataFrame) -> None:
    """Round to the figures that the instruments print; ν = η/ρ comes from the unrounded values."""
    odd = (rows["instrument_number"] % 2 == 0).to_numpy()
    figures, decimals = np.where(odd, 5, 4), np.where(odd, 2, 1)
    rows["kinematic_text"] = _significant(rows["dynamic"] / rows["density"] * 1e3, figures)
    rows["dynamic_text"] = _significant(rows["dynamic"], figures)
    rows["density_text"] = _fixed(rows["density"], decimals)
    coarse = (rows["dialect"] == "tabs").to_numpy()
    rows.loc[coarse, "density_text"] = _fixed(rows.loc[coarse, "density"] / 1e3, np.full(coarse.sum(), 4))
    rows["measured_text"] = rows["measured_at"].dt.strftime("%Y-%m-%d %H:%M:%S")
    rows["cut_off"] = False


def _significant(values: pd.Series, figures: NDArray[np.int64]) -> list[str]:
    decimals = figures - 1 - np.floor(np.log10(values.fillna(1.0))).astype(int)
    return _fixed(values, decimals)


def _fixed(values: pd.Series, decimals: NDArray[np.int64]) -> list[str]:
    return ["" if value != value else f"{value:.{places}f}" for value, places in zip(values, decimals, strict=True)]


def write_exports(rows: pd.DataFrame, folder: Path) -> None:
    """Write each file in its dialect, its rows by time."""
    folder.mkdir(parents=True, exist_ok=True)
    for (file, dialect), week in rows.groupby(["file", "dialect"], sort=True):
        _WRITERS[str(dialect)](week, folder / str(file))


def _long_text(week: pd.DataFrame) -> str:
    text = _lines(list(_LONG), [week[column] for column in _LONG.values()], ",")
    if week["cut_off"].iloc[-1]:
        last = text.rstrip().rfind("\n") + 1
        text = text[: last + (len(text) - last) // 2]
    return text


def _write_long(week: pd.DataFrame, path: Path) -> None:
    path.write_text(_long_text(week), encoding="utf-8", newline="")


def _write_tabs(week: pd.DataFrame, path: Path) -> None:
    headers = [header.replace("kg/m³", "g/cm³") for header in _LONG]
    text = _lines(headers, [week[column] for column in _LONG.values()], "\t")
    path.write_bytes(b"\xff\xfe" + text.encode("utf-16-le"))


def _write_wide(week: pd.DataFrame, path: Path) -> None:
    fills = week.drop_duplicates(["run", "repeat"])
    keys = pd.MultiIndex.from_frame(fills[["run", "repeat"]])
    columns: list[pd.Series] = [fills[column] for column in _WIDE_KEYS.values()]
    for source, temperature in _WIDE_VALUES.values():
        measured = week[week["temperature_C"] == temperature].set_index(["run", "repeat"])[source]
        columns.append(measured.reindex(keys, fill_value=""))
    text = _lines([*_WIDE_KEYS, *_WIDE_VALUES, "Remark"], [*columns, fills["remark"]], ",")
    path.write_text(text, encoding="utf-8", newline="")


def _write_semicolons(week: pd.DataFrame, path: Path) -> None:
    first = week.iloc[0]
    number = first["file"].split("-W")[1].split(".")[0]
    preamble = [
        f"Instrument;{first['instrument']}", "Site;Porto Selvar, room 3", f"Operator;{first['operator']}",
        f"Week;{int(number)}", "",
    ]  # fmt: skip
    week = week.assign(
        date_text=week["measured_at"].dt.strftime("%d.%m.%Y"),
        time_text=week["measured_at"].dt.strftime("%H:%M"),
        temperature_text=week["temperature_C"].map("{:.2f}".format),
    )
    numeric = ["temperature_text", "kinematic_text", "dynamic_text", "density_text"]
    week[numeric] = week[numeric].apply(lambda column: column.str.replace(".", ",", regex=False))
    table = _lines(list(_VD2), [week[column] for column, _ in _VD2.values()], ";").split("\r\n", 1)
    units = ";".join(unit for _, unit in _VD2.values())
    text = "\r\n".join([*preamble, table[0], units, table[1] + f"Rows;{len(week)}\r\n"])
    path.write_bytes(text.encode("cp1252"))


def _write_logbook(week: pd.DataFrame, path: Path) -> None:
    times = week["measured_at"].dt
    week = week.assign(date_text=times.strftime("%d/%m/%Y"), time_text=times.strftime("%H:%M"))
    path.write_text(_lines(list(_LOGBOOK), [week[c] for c in _LOGBOOK.values()], ";"), encoding="utf-8", newline="")


def _write_workbook(week: pd.DataFrame, path: Path) -> None:
    with xlsxwriter.Workbook(path) as workbook:
        workbook.set_properties({"created": _MADE})
        moment = workbook.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"})
        sheet = workbook.add_worksheet("Runs")
        for number, (header, column) in enumerate(_LONG.items()):
            sheet.write_string(0, number, header)
            if column == "measured_text":
                for line, value in enumerate(week["measured_at"], start=1):
                    sheet.write_datetime(line, number, value.to_pydatetime(), moment)
            elif column.endswith("_text") or column in {"repeat", "temperature_C"}:
                for line, value in enumerate(week[column], start=1):
                    if value != "":
                        sheet.write_number(line, number, float(value))
            else:
                sheet.write_column(1, number, week[column])


def _lines(headers: list[str], columns: list[pd.Series], delimiter: str) -> str:
    target = io.StringIO()
    writer = csv.writer(target, delimiter=delimiter)
    writer.writerow(headers)
    writer.writerows(zip(*(column.tolist() for column in columns), strict=True))
    return target.getvalue()


_WRITERS: dict[str, Callable[[pd.DataFrame, Path], None]] = {
    "long": _write_long,
    "wide": _write_wide,
    "tabs": _write_tabs,
    "workbook": _write_workbook,
    "semicolons": _write_semicolons,
    "logbook": _write_logbook,
}
