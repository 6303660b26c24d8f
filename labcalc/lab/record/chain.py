"""The chain: each entry's digest covers its own text and the digest before it."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from typing import Any

ORIGIN = "0" * 64  # what stands before the first entry, [hex]
_LARGEST = 2**53 - 1  # largest whole number that every reader of JSON takes as written (RFC 8785, section 3.2.2.3)


@dataclass(frozen=True)
class Head:
    """The last entry of a record: on paper it holds the whole record to what it was then."""

    entries: int  # how many entries there are, [-]
    digest: str  # SHA-256 of the last one, [hex]

    def __str__(self) -> str:
        return f"{self.entries} entr{'y' if self.entries == 1 else 'ies'}, head {self.digest}"


def canonical(value: Any) -> str:
    """Return the one way to write a value as JSON (RFC 8785).

    value : Keys are ASCII; whole numbers within 2^53. Results are texts, so that their zeros stay.
    Raises TypeError : A number with decimals, a whole number that JSON's readers may change, or a key beyond ASCII.
    """
    _refuse_what_changes(value)
    return json.dumps(value, ensure_ascii=False, sort_keys=True, separators=(",", ":"))


def _refuse_what_changes(value: Any) -> None:
    if isinstance(value, float) or (isinstance(value, int) and abs(value) > _LARGEST):
        raise TypeError(f"{value!r}: a text is expected: as a number of JSON it could change")
    if isinstance(value, dict):
        for key, one in value.items():
            if not isinstance(key, str) or not key.isascii():
                raise TypeError(f"{key!r}: a key in ASCII is expected")
            _refuse_what_changes(one)
    elif isinstance(value, list | tuple):
        for one in value:
            _refuse_what_changes(one)


def linked(previous: str, text: str) -> str:
    """Return the digest [hex] of an entry's text after the digest [hex] before it."""
    return hashlib.sha256(bytes.fromhex(previous) + text.encode("utf-8")).hexdigest()
