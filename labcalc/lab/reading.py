"""Exports as the laboratory reads them: by its profiles, in its time zone, its products and reference oils named."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from labcalc.exports import Reading, read_exports
from labcalc.lab.labels import label_runs
from labcalc.lab.laboratory import Laboratory
from labcalc.lab.settings import load_laboratory


def read(exports: str | Path | Iterable[str | Path], lab: str | Path | Laboratory | None = None) -> Reading:
    """Read run exports into one tidy table.

    exports : The exports.
    lab : lab.toml, or what ``load_laboratory`` made of it; without, any export that explains itself is read.
    Returns : ``table``: a row a determination, units in the column names; ``refusals``: rows that were not taken, and
        why; ``failures``: exports that can't be read, beside others that can; ``sources``: how each was read.
    Raises ExportError : No export can be read; the reason of the first.
    Raises SettingsError : lab.toml can't be used.
    """
    laboratory = load_laboratory(lab)
    paths = [exports] if isinstance(exports, str | Path) else exports
    reading = read_exports(paths, profiles=laboratory.profiles, time_zone=laboratory.time_zone)
    return replace(reading, table=label_runs(reading.table, laboratory))
