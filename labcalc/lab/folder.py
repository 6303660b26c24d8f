"""The files that lab.toml names: exports that make up the laboratory's record, certificates of reference oils."""

import hashlib
from collections.abc import Iterator
from itertools import takewhile
from pathlib import Path
from typing import Any

from labcalc.errors import SettingsError
from labcalc.lab.laboratory import CertifiedValue, Laboratory, ReferenceLot


def earlier_export_files(laboratory: Laboratory) -> tuple[Path, ...]:
    """Return the files that the patterns of ``earlier_exports`` fit, sorted, each once; none without a lab.toml.

    A pattern starts from the folder of lab.toml unless it is an absolute path; ``**`` stands for any depth of folders,
    but for those that links lead to. ``~`` and ``$NAME`` are taken as they are written.
    """
    if laboratory.file is None:
        return ()
    return tuple(sorted({path for one in laboratory.earlier_exports for path in _matches(laboratory.file, one)}))


def _matches(file: Path, pattern: str) -> Iterator[Path]:
    given = Path(pattern)
    start, parts = (file.parent / given.anchor), given.parts[bool(given.anchor) :]
    fixed = start.joinpath(*takewhile(lambda part: "*" not in part, parts)).resolve()
    if "**" in parts and fixed == fixed.parent:
        raise SettingsError(str(file), "laboratory.earlier_exports", f"'{pattern}' fits a whole disk")
    if parts:
        found = start.glob("/".join((*parts, "*") if parts[-1] == "**" else parts))
        yield from (one for one in found if not _is_hidden(one.relative_to(start).parts, parts) and one.is_file())


def _is_hidden(names: tuple[str, ...], parts: tuple[str, ...]) -> bool:
    return any(name.startswith(".") and name not in (*parts, "..") for name in names)


NOT_GIVEN = "not given"
_NAMES = ("lot", "certificate", "producer", "accreditation", "valid_from", "valid_to", "file")


def certificates(laboratory: Laboratory) -> Iterator[dict[str, Any]]:
    """Yield what the certificate of each lot says, by ``oil`` and the keys of lab.toml: texts, or ``not given``.

    ``file_sha256`` is the digest of its file, ``certified`` its values.
    """
    for oil in laboratory.references:
        for lot in oil.lots:
            said = {name: str(getattr(lot, name) or NOT_GIVEN) for name in _NAMES}
            digest, values = _digest(laboratory, lot), list(map(_value, lot.certified))
            yield {"oil": oil.name, **said, "file_sha256": digest, "certified": values}


def _value(one: CertifiedValue) -> dict[str, str]:
    numbers = {name: repr(getattr(one, name)) for name in ("temperature_C", "value", "expanded_uncertainty")}
    k = f"{one.coverage_factor:g}" if one.k_is_stated else NOT_GIVEN
    return {"quantity": one.quantity, **numbers, "coverage_factor": k}


def _digest(laboratory: Laboratory, lot: ReferenceLot) -> str:
    if not lot.file or laboratory.file is None:
        return NOT_GIVEN
    try:
        return hashlib.sha256((laboratory.file.parent / lot.file).read_bytes()).hexdigest()
    except OSError as error:
        return f"can't be read: {error.strerror}"
