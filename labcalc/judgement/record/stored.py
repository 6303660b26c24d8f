"""What is known, from the record that lab.toml names."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from labcalc.errors import ExportError, MonthError
from labcalc.exports import Reading
from labcalc.judgement.record.admission import admit
from labcalc.judgement.record.measurements import Material
from labcalc.lab import CLOCK_VARIABLE, Head, Laboratory, checked_decisions, present_moment, read

if TYPE_CHECKING:
    from labcalc.judgement.record.gathering import _Known


def gather_recorded(paths: tuple[Path, ...], known: _Known) -> Material:
    """Read exports, and beside them the laboratory's record; without any, the record alone.

    Nothing is read again while the record has the same head and the exports are unchanged.

    Raises MonthError : No export is given and the record holds no row.
    Raises ExportError, DecisionError, RecordError : As for ``gather``.
    """
    from labcalc.lab import printed_head  # what opens a record is loaded by those who have one

    stamps = tuple((status.st_size, status.st_mtime_ns) for status in map(Path.stat, filter(Path.exists, paths)))
    return _gather(paths, known, (os.environ.get(CLOCK_VARIABLE), *stamps), printed_head(known.laboratory))


@lru_cache(maxsize=2)
def _gather(paths: tuple[Path, ...], known: _Known, stamps: tuple[object, ...], head: Head) -> Material:
    from labcalc.lab import read_record

    laboratory = replace(known.laboratory, recorded=head)
    past = read_record(laboratory)
    if not paths and past.table.empty:
        raise MonthError(f"{laboratory.file}: its record holds no row yet: `labcalc record add` adds exports")
    readings = [read(paths, laboratory), past] if paths else [past]
    return material_of(readings, laboratory)


def material_of(
    readings: Sequence[Reading], laboratory: Laboratory, failures: tuple[ExportError, ...] = ()
) -> Material:
    """Put together what was read, the exports at hand first, with what was decided."""
    decided = checked_decisions(laboratory)
    admission = admit(readings, laboratory, decided.decisions, present_moment())
    return Material(
        laboratory,
        replace(readings[0], table=admission.at_hand),
        admission.record,
        failures,
        decided.decisions,
        decided.unusable,
        tuple(source for one in readings for source in one.sources),
        *admission[2:],
        waiting=decided.waiting,
        assignments=decided.assignments,
    )
