"""Names tell role, product, lot and certified value."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pandas as pd

from labcalc.exports.table import TIDY_COLUMNS
from labcalc.lab import (
    Laboratory,
    earlier_export_files,
    label_runs,
    lot_in_use,
    product_of,
    reference_of,
)
from tests.lab.conftest import Load


def rows(*given: tuple[str, str | None, str | None, str | None, str]) -> pd.DataFrame:
    table = pd.DataFrame(given, columns=["sample", "role", "product", "lot", "measured_at"])
    table["measured_at"] = pd.to_datetime(table["measured_at"]).dt.tz_localize("Europe/Lisbon")
    return table.reindex(columns=list(TIDY_COLUMNS))


def test_labels_fill_what_the_export_leaves_open(load: Load) -> None:
    table = rows(
        ("ref-l 1", None, None, None, "2026-02-01"),
        ("REF-L", "blank", None, None, "2026-06-15"),  # two lots valid: none is taken
        ("REF-L", None, None, "A", "2026-08-01"),
        ("HX46-1", None, None, None, "2026-02-01"),
        ("HX46-1", "reference", "Other", "7", "2026-02-01"),
        ("unknown", None, "", None, "2026-02-01"),
    )
    before = table.copy(deep=True)
    labelled = label_runs(table, load())
    assert labelled["role"].tolist() == ["reference", "reference", "reference", "sample", "reference", "sample"]
    assert labelled["lot"].fillna("").tolist() == ["A", "", "A", "", "7", ""]
    assert labelled["product"].fillna("").tolist() == ["", "", "", "HX 46", "Other", ""]
    pd.testing.assert_frame_equal(table, before)
    assert list(labelled.columns) == list(TIDY_COLUMNS)


def test_an_empty_table_is_labelled(load: Load) -> None:
    assert label_runs(rows(("HX46-1", None, None, None, "2026-02-01")).iloc[:0], load()).empty


def test_lookups(load: Load) -> None:
    lab = load()
    oil = reference_of(lab, "REF-L7")
    assert oil is not None
    assert reference_of(lab, "") is None
    for product, sample, name in (("hx 46", "", "HX 46"), ("", "hx46-9", "HX 46"), ("any hx", "HX46-9", "Any HX")):
        found = product_of(lab, sample=sample, product=product)
        assert found is not None
        assert found.name == name
    first, second = oil.lots
    assert lot_in_use(oil, "", date(2026, 5, 31)) is first
    assert lot_in_use(oil, "b", date(2026, 6, 1)) is second
    assert lot_in_use(oil, "A", date(2026, 7, 1)) is None


def test_the_record_is_the_files_that_fit(load: Load, tmp_path: Path) -> None:
    (tmp_path / "exports" / "old").mkdir(parents=True)
    for name in ("b.csv", "a.csv", "old/c.csv"):
        (tmp_path / "exports" / name).touch()
    names = [path.name for path in earlier_export_files(load())]
    assert names == ["a.csv", "b.csv"]
    everything = earlier_export_files(load('"exports/*"', '"exports/*", "exports/**/*"'))
    assert [path.name for path in everything] == ["a.csv", "b.csv", "c.csv"]
    assert earlier_export_files(Laboratory(earlier_exports=("*",))) == ()
