"""``--results FILE``: what a report says, for other programs and for a customer's spreadsheet."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    import pandas as pd

import labcalc.exports
from labcalc import judgement
from labcalc.cli.words import FILE
from labcalc.errors import ExportError
from labcalc.writing import write_whole

results_option = click.option(
    "--results", type=FILE, metavar="FILE", help="Write what the pages say to .json, .csv or .xlsx too."
)
_COLUMNS = """
    rank; severity=When; about; finding=What was found; what_to_do; followed=Who sees to it; report_number; sample;
    product; lot; instrument; operator; oil=Reference oil; cause; measured_from=Measured; quantity;
    temperature_C=Temperature, °C; reported=Result; size; limit=Its limit; expanded_uncertainty=U (95 %);
    coverage_factor=k; unit; lowest=At least; highest=At most; decision_rule; limit_state=Limit; method; edition;
    verdict=Verdict on the run; note; since; runs; key; export; export_sha256=SHA-256 of the export
"""
"""Columns of a spreadsheet, in the order in which a customer reads them, with a heading where the name is none; the
other formats keep these short names."""
_NAMED = (one.strip().partition("=") for one in _COLUMNS.split(";"))
_HEADINGS = {name: heading or name.replace("_", " ").capitalize() for name, _, heading in _NAMED}


def write_quality(report: judgement.MonthReport | judgement.DuplicateReport, path: Path | None) -> None:
    """Write what a quality report asks for as ``write_document`` does, where it is wanted."""
    if path is not None:
        document = judgement.quality_for_programs(report)
        write_document(document, judgement.quality_table(document), path, [])


def write_document(document: Mapping[str, Any], table: pd.DataFrame, path: Path, exports: Iterable[Path] = ()) -> None:
    """Write a document as JSON, or its table as .csv or .xlsx; the same bytes for the same content.

    Raises ExportError : Another ending, or a file that labcalc didn't make.
    """
    ending = path.suffix.lower()
    if ending not in (".json", ".csv", ".xlsx"):
        raise ExportError(path.name, "results can be written to .json, .csv or .xlsx; expected one of these endings")
    path.parent.mkdir(parents=True, exist_ok=True)
    if ending == ".json":
        _write_json(document, path)
        return
    if ending == ".xlsx":
        names = {name: heading for name, heading in _HEADINGS.items() if name in table}
        table = table[list(names)].rename(columns=names) if names else table
        for name, figures in _FIGURES.items():
            if name in table:
                table[name] = table[name].map(lambda value, n=figures: float(f"{value:.{n}g}"), na_action="ignore")
        if "Result" in table:
            table["Result"] = table["Result"].map(_as_number)
    labcalc.exports.write_frame(table, path, exports=exports)


_FIGURES = {"U (95 %)": 2, "k": 3, "At least": 6, "At most": 6, "Size": 3, "Its limit": 3}
"""How many figures a spreadsheet shows of what isn't rounded already."""


def _as_number(reported: str) -> float | str | None:
    """Return a rounded result as the number that a spreadsheet reckons with; a grade stays a word."""
    if reported == "–":
        return None
    try:
        return float(reported.replace("−", "-").replace("\u202f", "").replace("\u00a0", ""))
    except ValueError:
        return reported


def _write_json(document: Mapping[str, Any], path: Path) -> None:
    begins = json.dumps({"format": document["format"]}, indent=1)[:-2]
    if path.exists() and not path.read_text("utf-8", errors="replace").startswith(begins):
        raise ExportError(str(path), "labcalc didn't make what is there; expected another name")
    write_whole(path, f"{json.dumps(document, ensure_ascii=False, indent=1)}\n".encode())
