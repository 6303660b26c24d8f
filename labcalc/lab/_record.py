"""The tables [record] and [decisions] of lab.toml: where what was read and decided is kept, and how it is decided."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime
from typing import Any
from urllib.parse import parse_qs, urlsplit

from labcalc.lab._tables import Key, Problems, shown, table, text
from labcalc.lab.laboratory import DecisionChoices, RecordPlace

_DRIVER = "postgresql+psycopg"
_EXAMPLE = f"'{_DRIVER}://name@host/database'"


def _url(value: Any, path: str, problems: Problems) -> Any:
    """Read a URL; no message shows it, as it may hold a password in a place where none is expected."""
    try:
        parts = urlsplit(value)
        is_one = parts.scheme == _DRIVER and bool(parts.path.strip("/")) and parts.port != 0
    except (TypeError, ValueError, AttributeError):
        is_one = False
    if not is_one:
        return problems.note(path, f"a URL such as {_EXAMPLE} is expected")
    if parts.password is not None or "password" in parse_qs(parts.query):
        where = "PGPASSWORD or in ~/.pgpass"
        return problems.note(path, f"it holds a password; take it out: PostgreSQL looks for it in {where}")
    return value


def _check(place: RecordPlace) -> Iterator[tuple[str, str]]:
    if bool(place.file) == bool(place.url):
        yield "", "either file or url is expected"


RECORD = table({"file": Key(text, ""), "url": Key(_url, "")}, RecordPlace, _check)  # reader of the whole table


def _second_person(value: Any, path: str, problems: Problems) -> Any:
    """Read whether, or from which day on, a second person is demanded."""
    if isinstance(value, bool):
        return date.min if value else None
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    return problems.note(path, f"{shown(value)}: true, false or a first day such as 2026-04-01 is expected")


DECISIONS = table({"second_person": Key(_second_person, None)}, DecisionChoices)  # reader of the whole table
