"""A record of every earlier step is brought up to date, and what it held stays."""

from __future__ import annotations

import hashlib
import zlib
from dataclasses import replace
from pathlib import Path

import pytest
from pandas.testing import assert_frame_equal

from labcalc.errors import RecordError
from labcalc.exports.read import read_bytes, zone_of
from labcalc.lab import (
    Laboratory,
    add_decision,
    add_exports,
    find_entries,
    read,
    read_record,
    record_head,
    verify_record,
)
from labcalc.lab.record.contents import PARTS, digest_of, packed_rows, stated_source, stored_refusals, stored_rows
from labcalc.lab.record.database import database_of
from labcalc.lab.record.journal import LATEST, append, bring_up_to_date, opened, step_of
from tests.lab.record.conftest import export_files
from tests.lab.record.test_adding import ODD


@pytest.mark.parametrize("earlier", range(LATEST))
def test_from_each_earlier_step(laboratory: Laboratory, earlier: int, tmp_path: object) -> None:
    database = database_of(laboratory)
    with database.writing() as connection:
        bring_up_to_date(connection, database.place, earlier)
        before = append(connection, kind="note", who="Inês", content={"text": "µ"}) if earlier else 0
    opened(laboratory, may_create=True)
    with database.reading() as connection:
        assert step_of(connection) == LATEST
    assert find_entries(laboratory, n=before)[0].content == {"text": "µ"} if before else True
    assert [one.content["step"] for one in find_entries(laboratory, kind="step")] == [*range(1, LATEST + 1)]
    list(add_exports(laboratory, export_files(laboratory.file.parent / "exports", 1), who="Inês"))  # type: ignore[union-attr]
    add_decision(laboratory, who="Inês", what="conclusion", why="seen", instrument="VD-1")
    assert len(read_record(laboratory).table) == 3
    assert verify_record(laboratory)[1] is None


@pytest.mark.parametrize("earlier", [4, 5, 6])
def test_rows_of_an_earlier_version_stay(laboratory: Laboratory, tmp_path: Path, earlier: int) -> None:
    """Written as those versions did, with a table of rows, they are what the same export gives today."""
    (tmp_path / "odd.csv").write_text(ODD, encoding="utf-8")
    database, data = database_of(laboratory), (tmp_path / "odd.csv").read_bytes()
    digest, zone = hashlib.sha256(data).hexdigest(), zone_of(laboratory.time_zone)
    columns, refusals, source = read_bytes(tmp_path / "odd.csv", data, digest, laboratory.profiles, zone)
    parts = stored_rows(columns), stored_refusals(refusals), [(line,) for line in source.set_aside]
    stated = {**stated_source(source), "parts_sha256": digest_of(parts), "size": len(data)}
    with database.writing() as connection:
        bring_up_to_date(connection, database.place, earlier)
        n = append(connection, kind="export", who="Inês", content=stated)
        connection.add("exports", [(n, digest, len(data), zlib.compress(data))])
        connection.add("readings", [(n, n)])
        for table, rows in zip(("rows", *PARTS), parts, strict=True):
            connection.add(table, ((n, place, *row) for place, row in enumerate(rows, 1)))
        if earlier >= 5:
            connection.add("packed_rows", [(n, packed_rows(parts[0]))])
    assert_frame_equal(read_record(laboratory).table, read(tmp_path / "odd.csv", laboratory).table)
    without_times = tuple(replace(one, measured_at=None) for one in refusals)  # those versions kept none
    assert read_record(laboratory).refusals == without_times
    assert verify_record(laboratory)[1] is None
    assert [one.n for one in find_entries(laboratory, sample=parts[0][0][1])] == [n]
    with database.reading() as connection:
        assert not connection.has_table("rows")


def test_a_step_that_fails_leaves_the_record_as_it_was(laboratory: Laboratory, monkeypatch: pytest.MonkeyPatch) -> None:
    database = database_of(laboratory)
    with database.writing() as connection:
        bring_up_to_date(connection, database.place, 2)
    head = record_head_at(laboratory)
    monkeypatch.setitem(bring_up_to_date.__globals__["_STEPS"][2], "indexes", ["no_such_table (x)"])
    with pytest.raises(RecordError, match="no_such_table"):
        opened(laboratory)
    assert record_head_at(laboratory) == head
    with database.reading() as connection:
        assert not connection.has_table("stamps")
    monkeypatch.undo()
    assert record_head(laboratory).entries == head[0] + LATEST - 2


def record_head_at(laboratory: Laboratory) -> tuple[int, str]:
    with database_of(laboratory).reading() as connection:
        return tuple(connection.one("SELECT n, digest FROM entries ORDER BY n DESC LIMIT 1"))  # type: ignore[return-value]


def test_a_record_of_a_newer_version_is_left_alone(laboratory: Laboratory) -> None:
    database = opened(laboratory, may_create=True)
    with database.writing() as connection:
        connection.add("steps", [(LATEST + 1, "2030-01-01T00:00:00Z", 3, "x")])
    with pytest.raises(
        RecordError, match=rf"written by a newer labcalc \(step {LATEST + 1}\); this one knows {LATEST} steps"
    ):
        record_head(laboratory)
