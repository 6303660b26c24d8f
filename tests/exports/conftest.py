"""Exports written inline, and how they are read."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from labcalc.exports import Profile, Reading, read_export

Read = Callable[..., Reading]
NOT_MISSING = "; all of the row is refused, unless profile.missing names it"
"""What a refusal says of a cell without a figure."""


def without_hint(failure: object) -> str:
    """Return a refusal without its end, which says how to get a proposal."""
    return re.sub(r"; `labcalc read \S+ --propose` proposes a profile$", "", str(failure))


@pytest.fixture
def read(tmp_path: Path) -> Read:
    """Write the text or bytes as a file and read it."""

    def write_and_read(content: str | bytes, name: str = "x.csv", zone: str = "UTC", **said: object) -> Reading:
        path = tmp_path / name
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        profiles = (Profile(name="p", files=("*",), **said),) if said else ()  # type: ignore[arg-type]
        return read_export(path, profiles=profiles, time_zone=zone)

    return write_and_read
