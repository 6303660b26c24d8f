"""What is known, from the record that lab.toml names."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from labcalc.errors import MonthError
from labcalc.judgement.record.measurements import Material
from labcalc.lab import Head, read, read_decisions

if TYPE_CHECKING:
    from labcalc.judgement.record.gathering import _Known


def gather_recorded(paths: tuple[Path, ...], known: _Known) -> Material:
    """Read exports, and beside them the laboratory's record; without any, the record alone.

    Nothing is read again while the record has the same head and the exports are unchanged.

    Raises
    ------
    MonthError
        No export is given and the record holds no row.
    ExportError, DecisionError, RecordError
        As for ``gather``.
    """
    from labcalc.lab import record_head  # what opens a record is loaded by those who have one

    stamps = tuple((status.st_size, status.st_mtime_ns) for status in map(Path.stat, filter(Path.exists, paths)))
    return _gather(paths, known, stamps, record_head(known.laboratory))


@lru_cache(maxsize=2)
def _gather(paths: tuple[Path, ...], known: _Known, stamps: tuple[object, ...], head: Head) -> Material:
    from labcalc.lab import read_record

    laboratory = replace(known.laboratory, recorded=head)
    past = read_record(laboratory)
    if not paths and past.table.empty:
        raise MonthError(f"{laboratory.file}: its record holds no row yet: `labcalc record add` adds exports")
    reading = read(paths, laboratory) if paths else past
    earlier = past.table[~past.table["run"].isin(set(reading.table["run"]))] if paths else past.table.iloc[:0]
    record = pd.concat([earlier, reading.table], ignore_index=True) if len(earlier) else reading.table
    return Material(laboratory, reading, record, (), read_decisions(laboratory))
