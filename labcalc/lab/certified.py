"""What is known of the certificates of reference oils: as lab.toml says it, with the digest of the file itself."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from typing import Any

from labcalc.lab.laboratory import CertifiedValue, Laboratory, ReferenceLot

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
