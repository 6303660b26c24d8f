"""A record opened: there, of this version, or brought up to it."""

from __future__ import annotations

from labcalc.errors import RecordError
from labcalc.lab.laboratory import Laboratory
from labcalc.lab.record.database import Database, database_of
from labcalc.lab.record.steps import LATEST, bring_up_to_date, step_of


def opened(laboratory: Laboratory, *, may_create: bool = False) -> Database:
    """Return the laboratory's record, ready to be read and added to.

    RecordError: lab.toml names none, there is none yet and it may not be created, or it can't be opened.
    """
    database = database_of(laboratory)
    is_there = database.file is None or database.file.exists()
    if not (is_there or may_create):
        raise RecordError(database.place, _NOT_YET)
    done = _step(database) if is_there else 0
    if not (done or may_create):
        raise RecordError(database.place, _NOT_YET)
    if done != LATEST:
        with database.writing() as connection:
            bring_up_to_date(connection, database.place)
    return database


_NOT_YET = "there is no record yet; `labcalc record add` begins one"


def _step(database: Database) -> int:
    with database.reading() as connection:
        return step_of(connection)
