"""The exports that make up the laboratory's record."""

from __future__ import annotations

import glob
from pathlib import Path

from labcalc.lab.laboratory import Laboratory


def earlier_export_files(laboratory: Laboratory) -> tuple[Path, ...]:
    """Return the files that the patterns of ``earlier_exports`` fit, sorted, each once; none without a lab.toml.

    A pattern starts from the folder of lab.toml unless it is an absolute path; ``**`` stands for any depth of folders.
    ``~`` and ``$NAME`` are taken as they are written.
    """
    if laboratory.file is None:
        return ()
    folder = Path(glob.escape(str(laboratory.file.parent)))
    found = {Path(name) for pattern in laboratory.earlier_exports for name in _matches(folder / pattern)}
    return tuple(sorted(path for path in found if path.is_file()))


def _matches(pattern: Path) -> list[str]:
    # pathlib's own glob takes no absolute pattern
    return glob.glob(str(pattern), recursive=True)  # noqa: PTH207
