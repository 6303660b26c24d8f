"""Exports and the laboratory's record, from files or from a database, read once."""

import os
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path

from labcalc.errors import ExportError, MonthError
from labcalc.exports import Reading
from labcalc.judgement.record.admission import admit
from labcalc.judgement.record.measurements import Material
from labcalc.lab import Head, Laboratory, checked_decisions, decisions_file, file_head, load_laboratory
from labcalc.lab.clock import CLOCK_VARIABLE, present_moment
from labcalc.lab.reading import earlier_export_files, read
from labcalc.shipped import sample_exports, sample_lab


def gather(exports: str | Path | Sequence[str | Path] = (), lab: str | Path | Laboratory | None = None) -> Material:
    """Read exports and the laboratory's record once; asked again for unchanged files, return the same material.

    exports : The exports at hand: their runs can be judged. Without any: the whole record, as ``gather_record`` reads
        it, and without a lab.toml either the sample laboratory's last weeks.
    lab : lab.toml, loaded or not; it names the earlier exports in which reference-oil results are looked up.
    Raises ExportError, SettingsError, RecordError : No export can be read, or lab.toml, or the record that it names.
    """
    if not exports and lab:
        return gather_record(lab)
    if not exports:
        exports, lab = sample_exports(), sample_lab()
    paths = [exports] if isinstance(exports, str | Path) else exports
    return _gather_for(_known(load_laboratory(lab or None), lab), paths)


@dataclass(frozen=True)
class _Known:
    """A laboratory by its file and digest; one handed over, whose file may say something else, by its identity."""

    key: tuple[object, ...]
    laboratory: Laboratory = field(compare=False)


def _known(laboratory: Laboratory, lab: object) -> _Known:
    by_hand = isinstance(lab, Laboratory)
    return _Known((id(laboratory),) if by_hand else (laboratory.file, laboratory.digest), laboratory)


def _gather_for(known: _Known, exports: Sequence[str | Path]) -> Material:
    """Read exports beside the record; nothing again while the record has the same head and exports are unchanged."""
    laboratory = known.laboratory
    paths = tuple(Path(path).resolve() for path in exports)
    if laboratory.record is not None:
        from labcalc.lab import printed_head  # what opens a record is loaded by those who have one

        return _gather_recorded(paths, known, _stamps(*paths, *laboratory.files_beside), printed_head(laboratory))
    earlier = tuple(path for one in earlier_export_files(laboratory) if (path := one.resolve()) not in paths)
    decided = [path for path in [decisions_file(laboratory)] if path is not None]
    return _gather(paths, earlier, known, _stamps(*paths, *earlier, *decided, *laboratory.files_beside))


def gather_record(lab: str | Path | Laboratory | None = None) -> Material:
    """Read the laboratory's whole record: the one that lab.toml names, or else every export of ``earlier_exports``.

    lab : lab.toml, loaded or not; none: the sample laboratory's.
    Raises MonthError : The lab.toml names no earlier exports, or none that is there, or an empty record.
    Raises ExportError, SettingsError, RecordError : As for ``gather``.
    """
    laboratory = load_laboratory(lab or sample_lab())
    if laboratory.record is not None:
        return _gather_for(_known(laboratory, lab), ())
    if not laboratory.earlier_exports:
        missing = "laboratory.earlier_exports is missing: it says which exports make up the record"
        raise MonthError(f"{laboratory.file}: {missing}")
    if not (files := earlier_export_files(laboratory)):
        patterns = ", ".join(f"'{one}'" for one in laboratory.earlier_exports)
        raise MonthError(f"{laboratory.file}: laboratory.earlier_exports: no file fits {patterns}: the record is empty")
    return _gather_for(_known(laboratory, lab), files)


@lru_cache(maxsize=2)
def _gather(paths: tuple[Path, ...], earlier: tuple[Path, ...], known: _Known, stamps: tuple[object, ...]) -> Material:
    """Read; ``stamps`` (size and time of change of each file) only tell one state of the files from another."""
    laboratory = known.laboratory
    readings, failures = [read(paths, laboratory)], tuple[ExportError, ...]()
    if earlier:
        try:
            readings.append(read(earlier, laboratory))
            failures = readings[1].failures
        except ExportError as failure:
            failures = (failure,)
    if head := file_head(laboratory):
        laboratory = replace(laboratory, recorded=head)
    return material_of(readings, laboratory, failures)


def _stamps(*paths: Path) -> tuple[object, ...]:
    """Return what tells one state of files from another: size and time of change; None where one isn't there."""
    states = (path.stat() if path.exists() else None for path in paths)
    return os.environ.get(CLOCK_VARIABLE), *(one and (one.st_size, one.st_mtime_ns) for one in states)


@lru_cache(maxsize=2)
def _gather_recorded(paths: tuple[Path, ...], known: _Known, stamps: tuple[object, ...], head: Head) -> Material:
    from labcalc.lab import read_record

    laboratory = replace(known.laboratory, recorded=head)
    past = read_record(laboratory)
    if not paths and past.table.empty:
        raise MonthError(f"{laboratory.file}: its record holds no row yet: `labcalc record add` adds exports")
    return material_of([read(paths, laboratory), past] if paths else [past], laboratory)


def material_of(readings: Sequence[Reading], laboratory: Laboratory, failed: tuple[ExportError, ...] = ()) -> Material:
    """Put together what was read, the exports at hand first, with what was decided."""
    decided = checked_decisions(laboratory)
    admission = admit(readings, laboratory, decided.decisions, present_moment())
    return Material(
        laboratory,
        replace(readings[0], table=admission.at_hand),
        admission.record,
        failed,
        decided.decisions,
        decided.unusable,
        tuple(source for one in readings for source in one.sources),
        *admission[2:],
        waiting=decided.waiting,
        assignments=decided.assignments,
    )
