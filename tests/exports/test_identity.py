"""What is read, written and read again is the same table: the sample exports, and drawn ones in every dialect.

The same is every column but ``source_file`` and ``source_line``, which name the file at hand: bit by bit for numbers,
character by character for texts. A table has numbers, not their print: 118.70 comes back as 118.7.
"""

from __future__ import annotations

import csv
import io
from datetime import datetime
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import HealthCheck, Phase, example, given, settings, strategies as st

from labcalc.exports import Profile, Reading, read_export, write_table
from labcalc.lab import load_laboratory
from tests.simulated import drawn

SAMPLE_RUNS = Path(__file__).resolve().parents[2] / "sample_runs"
EXPORTS = sorted((SAMPLE_RUNS / "exports").iterdir())
OWN = ["source_file", "source_line"]


def check_identity(reading: Reading, folder: Path, zone: str) -> None:
    table = reading.table
    for ending in (".csv", ".xlsx"):
        path = folder / f"again{ending}"
        write_table(table, path, force=True)
        again = read_export(path, time_zone=zone)
        assert again.refusals == ()
        pd.testing.assert_frame_equal(again.table.drop(columns=OWN), table.drop(columns=OWN), check_exact=True)
        assert set(again.table["source_file"]) == {path.name}
    assert again.table["source_line"].tolist() == list(range(2, len(table) + 2))


@pytest.mark.parametrize("path", EXPORTS, ids=lambda path: path.name)
def test_sample_exports(path: Path, tmp_path: Path) -> None:
    laboratory = load_laboratory(SAMPLE_RUNS / "lab.toml")
    reading = read_export(path, profiles=laboratory.profiles, time_zone=laboratory.time_zone)
    check_identity(reading, tmp_path, laboratory.time_zone)


ANY = st.characters(exclude_categories=("Cs",), exclude_characters="\0")
TEXTS = st.one_of(
    st.just(""),
    st.text(ANY, max_size=8),
    st.text(st.sampled_from("ab \t\r\n'\"=+-@,;._x0041_\ufeff\x01\x85\u2028\ufffe\uffff€😀"), max_size=12),
    st.sampled_from(["Mean", "Total 3", "End of report", "Rows: 5", "_x000D_", "1.50", "1,234", "#N/A", "=1/0", "NaN"]),
)
NAMES = TEXTS.filter(lambda text: text.strip() != "")
MOMENTS = st.datetimes(datetime(1950, 1, 2), datetime(2100, 12, 30))  # noqa: DTZ001
PRINTED = st.tuples(st.decimals("0.1", "99999", places=5), st.integers(2, 5)).map(lambda one: f"{one[0]:.{one[1]}f}")
ROWS = st.tuples(
    NAMES,  # sample
    *[TEXTS] * 5,  # run, product, lot, operator, remark
    st.one_of(st.just(""), MOMENTS.map(str), MOMENTS.map(lambda one: f"{one:%Y-%m-%dT%H:%M}+02:00")),
    st.sampled_from(["", "", "1", "2", "3"]),  # repeat
    st.sampled_from(["40", "40.00", "100.0", "15", "40.05", "-12.5", "59.9"]),
    PRINTED,
    st.one_of(st.just(""), st.decimals("600", "1100", places=3).map(str), st.just("850.000")),
)
GOOD = ("HX-1", "", "", "", "", "", "", "", "312", "46.120", "")
LONG = ["Sample", "Run", "Product", "Lot", "Operator", "Remark", "Measured at", "Repeat"]
UNITS = [
    ("T (°C)", "KV (mm²/s)", "Density (kg/m³)"),
    ("T (°F)", "KV (cSt)", "η (mPa·s)"),
    ("T (K)", "η (mPa·s)", "Density (lb/ft³)"),
    ("Extra", "KV40 (mm²/s)", "Density at 40 °C (kg/m³)"),
]


@pytest.mark.slow
@settings(
    max_examples=drawn(2000), deadline=None, derandomize=True, database=None, phases=[Phase.explicit, Phase.generate],
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)  # fmt: skip
@given(
    rows=st.lists(ROWS, min_size=1, max_size=5),
    units=st.sampled_from(UNITS),
    delimiter=st.sampled_from(",;\t|"),
    end=st.sampled_from(["\n", "\r\n", "\r"]),
    zone=st.sampled_from(["UTC", "Europe/Lisbon", "Australia/Lord_Howe"]),
)
@example([("'=a\r", "", "", "", "", "two\r\nlines\t", "", "", "40", "118.70000", "")], UNITS[0], ",", "\r", "UTC")
def test_drawn_exports(
    tmp_path: Path, rows: list[tuple[str, ...]], units: tuple[str, ...], delimiter: str, end: str, zone: str
) -> None:
    text = io.StringIO(newline="")
    writer = csv.writer(text, delimiter=delimiter, lineterminator=end, quoting=csv.QUOTE_ALL)
    writer.writerows([(*LONG, *units), GOOD, *rows])
    path = tmp_path / "drawn.txt"
    path.write_text(text.getvalue(), "utf-8", newline="")
    reading = read_export(path, profiles=[Profile(name="", files=("drawn*",), decimal=".")], time_zone=zone)
    assert len(reading.table)
    check_identity(reading, tmp_path, zone)
