"""Run exports in: bytes → text → table → tidy rows, or refusals: file, line, column, value, what was expected."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from labcalc.exports.profile import DATE_ORDERS, Column, Profile
    from labcalc.exports.read import read_export, read_exports
    from labcalc.exports.table import (
        QUANTITY_COLUMNS,
        TIDY_COLUMNS,
        Reading,
        Refusal,
        SourceFile,
        derived_mark,
        is_derived,
        without_marks,
    )
    from labcalc.exports.write import write_table

__all__ = [
    "DATE_ORDERS",
    "QUANTITY_COLUMNS",
    "TIDY_COLUMNS",
    "Column",
    "Profile",
    "Reading",
    "Refusal",
    "SourceFile",
    "derived_mark",
    "is_derived",
    "read_export",
    "read_exports",
    "without_marks",
    "write_table",
]

_HOME = {"DATE_ORDERS": "profile", "Column": "profile", "Profile": "profile", "read_export": "read"} | {
    "read_exports": "read",
    "write_table": "write",
}


def __getattr__(name: str) -> object:
    if name in __all__:
        from importlib import import_module

        return getattr(import_module(f"labcalc.exports.{_HOME.get(name, 'table')}"), name)
    raise AttributeError(f"module 'labcalc.exports' has no attribute '{name}'")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
