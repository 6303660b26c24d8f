"""All calculations at the bench, page by page: ``labcalc/data/bench_calculations.toml`` and the tables of grades."""

import tomllib
from collections.abc import Iterator, Mapping
from functools import partial
from importlib.resources import files
from typing import Any

from labcalc.bench import measuring, oils
from labcalc.bench.calculation import Calculation, Column, Field
from labcalc.formulae import grade_candidates

_RESULTS = {**vars(measuring), **vars(oils)}
_KINDS = {"mm²/s": "viscosity", "kg/m³": "density", "°C": "temperature"}
_ENDS = {"density": (470.0, 1210.0), "temperature": (-273.15, 400.0)}
"""Ranges of a grade's quantities; others go from 0.001 to 20 000 000."""


def _all() -> Iterator[Calculation]:
    told = tomllib.loads(files("labcalc.data").joinpath("bench_calculations.toml").read_text("utf-8"))
    for page, calculations in told["page"].items():
        for key, entry in calculations.items():
            fields = tuple(map(_field, entry.pop("field")))
            yield Calculation(page, key, fields=fields, results=_RESULTS[key], **entry)
            if key == "index":
                yield from (_grades(page, standard, example) for standard, example in told["grade"].items())


def _field(entry: Mapping[str, Any]) -> Field:
    told = {key: entry[key] for key in ("key", "label", "many", "optional", "optional_columns") if key in entry}
    if "choices" in entry:
        return Field(choices=tuple(entry["choices"]), **told)
    alone = [[entry["label"], entry.get("kind", ""), *entry.get("range", [])]]
    return Field(columns=tuple(Column(*one) for one in entry.get("columns", alone)), **told)


def _grades(page: str, standard: str, example: Mapping[str, Any]) -> Calculation:
    """Return the calculation of a table of grades: its quantities are the fields."""
    table = grade_candidates(standard).table
    fields = []
    for key, one in table.quantities.items():
        label, kind = one.name[0].upper() + one.name[1:], _KINDS.get(one.unit, "")
        label += f", {one.unit}" if one.unit and not kind else ""
        column = Column(label, kind, *_ENDS.get(kind, (1e-3, 2e7)))
        fields.append(Field(key, label, (column,), optional=len(table.quantities) > 1))
    results, source = partial(oils.grades, standard), f"{table.edition}; {table.source}"
    rule = "each value that is known lies within the limits of the grade; as reported, so rounded first"
    return Calculation(page, standard, f"Grade: {standard}", tuple(fields), results, rule, published=source, **example)


CALCULATIONS = {one.key: one for one in _all()}  # all of them by key, in the order of the pages
