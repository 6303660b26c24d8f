"""What a look at lab.toml finds, and how names and days are said in it."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from itertools import groupby
from typing import Literal

Severity = Literal["error", "warning", "note"]
SEVERITIES: tuple[Severity, ...] = ("error", "warning", "note")
"""An error can't be true or can't be read; a warning takes something from the reports; a note may well be meant."""

OPEN_QUESTION = "# QUESTION:"
"""Begins a remark of a first lab.toml that waits for an answer."""

_SERIAL = re.compile(r"(?:[-_/. ][A-Za-z]?\d+[A-Za-z]?)+$")
_DIVIDER = re.compile(r"[-_/. ]")


@dataclass(frozen=True)
class Finding:
    """One thing about lab.toml or the exports that its owner has to know."""

    severity: Severity
    place: str  # path of a key in lab.toml, or a file
    finding: str
    remedy: str = ""
    line: int = 0  # line of lab.toml; 0 where it is about none


def counted(number: int, thing: str) -> str:
    """Return such as ``1 sample`` and ``2 samples``."""
    return f"{number} {thing}{'' if number == 1 else 's'}"


def examples(names: Iterable[str]) -> str:
    """Return the first three names, and how many there are beside them."""
    every = list(names)
    return ", ".join(every[:3]) + (f" and {len(every) - 3} more" if len(every) > 3 else "")


def days_in_words(days: Iterable[date]) -> str:
    """Return days as ``2026-01-05, 2026-02-03 to 2026-02-06``."""
    placed = enumerate(sorted(set(days)))
    spans = [[day for _, day in some] for _, some in groupby(placed, lambda one: one[1].toordinal() - one[0])]
    return ", ".join(f"{span[0]} to {span[-1]}" if len(span) > 1 else f"{span[0]}" for span in spans)


def prefixes_of(sample: str) -> tuple[str, ...]:
    """Return what the name of a numbered sample begins with, shortest first: ``HX32-``, ``HX32-26-`` of HX32-26-0510.

    Nothing where it doesn't end in a number set off by a divider, or has no letter before it.
    """
    serial = _SERIAL.search(sample)
    if serial is None or not any(map(str.isalpha, sample[: serial.start()])):
        return ()
    return tuple(sample[: one.end()] for one in _DIVIDER.finditer(sample, serial.start()))
