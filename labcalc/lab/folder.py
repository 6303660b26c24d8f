"""The files that lab.toml names: exports that make up the laboratory's record, certificates of reference oils."""

import glob
import hashlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from labcalc.lab.laboratory import CertifiedValue, Laboratory, ReferenceLot


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


_NOT_GIVEN = "not given"
_NAMES = ("lot", "certificate", "producer", "accreditation", "valid_from", "valid_to", "file")


def certificates(laboratory: Laboratory) -> Iterator[dict[str, Any]]:
    """Yield what the certificate of each lot says, by ``oil`` and the keys of lab.toml: texts, or ``not given``.

    ``file_sha256`` is the digest of its file, ``certified`` its values.
    """
    for oil in laboratory.references:
        for lot in oil.lots:
            said = {name: str(getattr(lot, name) or _NOT_GIVEN) for name in _NAMES}
            digest, values = _digest(laboratory, lot), list(map(_value, lot.certified))
            yield {"oil": oil.name, **said, "file_sha256": digest, "certified": values}


def _value(one: CertifiedValue) -> dict[str, str]:
    numbers = {name: repr(getattr(one, name)) for name in ("temperature_C", "value", "expanded_uncertainty")}
    k = f"{one.coverage_factor:g}" if one.k_is_stated else _NOT_GIVEN
    return {"quantity": one.quantity, **numbers, "coverage_factor": k}


def _digest(laboratory: Laboratory, lot: ReferenceLot) -> str:
    if not lot.file or laboratory.file is None:
        return _NOT_GIVEN
    try:
        return hashlib.sha256((laboratory.file.parent / lot.file).read_bytes()).hexdigest()
    except OSError as error:
        return f"can't be read: {error.strerror}"
