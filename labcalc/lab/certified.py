"""What is known of the certificates of reference oils: as lab.toml says it, with the digest of the file itself."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from labcalc.lab.laboratory import Laboratory, ReferenceLot

NOT_GIVEN = "not given"


@dataclass(frozen=True)
class Certificate:
    """The certificate of one lot."""

    oil: str
    lot: ReferenceLot
    sha256: str
    """Digest of its file; in words where there is none."""

    @property
    def stated(self) -> dict[str, Any]:
        """All that it says, as texts; ``not given`` where lab.toml doesn't say it."""
        names = ("lot", "certificate", "producer", "accreditation", "valid_from", "valid_to", "file")
        said = {name: str(getattr(self.lot, name) or NOT_GIVEN) for name in names}
        return {"oil": self.oil, **said, "file_sha256": self.sha256, "certified": list(self._values())}

    def _values(self) -> Iterator[dict[str, str]]:
        for one in self.lot.certified:
            numbers = {name: repr(getattr(one, name)) for name in ("temperature_C", "value", "expanded_uncertainty")}
            k = f"{one.coverage_factor:g}" if one.k_is_stated else NOT_GIVEN
            yield {"quantity": one.quantity, **numbers, "coverage_factor": k}


def certificates(laboratory: Laboratory) -> Iterator[Certificate]:
    """Yield the certificate of each lot of each reference oil, in the order of lab.toml."""
    for oil in laboratory.references:
        yield from (Certificate(oil.name, lot, _digest(laboratory, lot)) for lot in oil.lots)


def _digest(laboratory: Laboratory, lot: ReferenceLot) -> str:
    if not lot.file or laboratory.file is None:
        return NOT_GIVEN
    try:
        return hashlib.sha256((laboratory.file.parent / lot.file).read_bytes()).hexdigest()
    except OSError as error:
        return f"can't be read: {error.strerror}"
