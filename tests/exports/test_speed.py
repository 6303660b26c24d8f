"""Rows by blocks and one by one come to the same; what large exports take: ``python -m tests.benchmarks.reader``."""

from __future__ import annotations

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings, strategies as st

from labcalc.errors import ExportError
from labcalc.exports import Reading
from labcalc.exports.source import text as texts
from labcalc.exports.values.dates import parse_time
from tests.exports.conftest import Read

HEADER = "Sample;Date;T (°C);KV (mm²/s);Density (kg/m³);Remark\n"
LINES = [
    *[f"S{number};2026-03-0{number};{40 + 20 * number};15.0{number};838.{number};\n" for number in range(1, 5)],
    'A;2026-03-02;40;15.0;838.9;"quoted; with ""marks"""\n',
    '"B";"2026-03-02";"40";"15.0";"838.9";""\n',
    'C;2026-03-02;40;15.0;838.9;"two\nlines"\n',
    'D;2026-03-02;40;15.0;838.9;a"b\n',
    'E;2026-03-02;40;15.0;838.9; "blank before"\n',
    'F;2026-03-02;40;15.0;838.9;"" x\n',
    'G;2026-03-02;40;15.0;838.9;""""\n',
    'H;2026-03-02;40;15.0;838.9;"open\n',
    "I;2026-03-02;40;15.0;838.9;;\n",
    "J;2026-03-02;40;15.0;838.9;;x\n",
    "K;2026-03-02;40\n",
    "L;2026-03-02;40;---;838.9;\r\n",
    "M;2026-03-02;40;15.0;838.9;\r",
    "N\0;2026-03-02;40;15.0;838.9;\n",
    "\ufeffO;2026-03-02;40;15.0;838.9;\n",
    "Mean;;;15.0;838.9;\n",
    "Mean 3;2026-03-02;40;15.0;838.9;\n",
    " ;2026-03-02;40;15.0;838.9;\n",
    "\n",
    ";;;;;\n",
    "Note: refilled\n",
    HEADER,
]


def said(read: Read, text: str) -> Reading | str:
    try:
        return read(text)
    except ExportError as refusal:
        return str(refusal)


@settings(
    max_examples=300, deadline=None, derandomize=True, database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)  # fmt: skip
@given(lines=st.lists(st.sampled_from(LINES), min_size=1, max_size=40), block=st.integers(1, 400))
def test_blocks_and_single_rows_come_to_the_same(read: Read, lines: list[str], block: int) -> None:
    text = HEADER + "".join(LINES[:4] * 6 + lines)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(texts, "_WORTHWHILE", len(text) + 1)
        one_by_one = said(read, text)
        patch.setattr(texts, "_WORTHWHILE", 1)
        patch.setattr(texts, "_BLOCK", block)
        by_blocks = said(read, text)
    if isinstance(one_by_one, str) or isinstance(by_blocks, str):
        assert one_by_one == by_blocks
    else:
        pd.testing.assert_frame_equal(by_blocks.table, one_by_one.table)
        assert (by_blocks.refusals, by_blocks.sources) == (one_by_one.refusals, one_by_one.sources)


@pytest.mark.parametrize("offset", ["Z", "+01:00", "-0530"])
def test_one_offset_is_one_object(offset: str) -> None:
    """Made anew for each moment, as labcalc's own tables state them, offsets took more time than all else of a row."""
    first, second = (parse_time(f"{hour}:00:00{offset}") for hour in (10, 11))
    assert first
    assert second
    assert first.tzinfo is second.tzinfo is not None
