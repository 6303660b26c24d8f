"""Lines among the rows that say what the rows beneath them are: no row is read by another's header or head."""

from __future__ import annotations

from pathlib import Path

import pytest

from labcalc.errors import ExportError
from labcalc.exports import propose_profile
from tests.exports.conftest import Read

HEADER = "Sample;Date;Temp (C);Kinematic viscosity (mm2/s)\n"
ROW = "Fir 32;2026-03-19 08:00;40.00;32.02\n"
SECTIONS = """Temperature: 40 °C
Sample,Date,Kinematic viscosity (mm2/s)
Fir 32,2026-03-25 08:00,32.10
Temperature: 100 °C
Fir 32,2026-03-25 09:00,5.40
"""


@pytest.mark.parametrize(
    ("header", "row"),
    [
        ("Sample;Date;Temp (C);Density (kg/m3)", "Fir 32;2026-03-19 10:00;15.00;872.9"),
        ("Sample;Date;Temp (C);Dynamic viscosity (mPa.s)", "Fir 32;2026-03-19 10:00;40.00;27.45"),
        ("Sample;Date;Temp (F);Kinematic viscosity (mm2/s)", "Fir 46;2026-03-19 10:00;104.0;45.9"),
        ("Sample;Date;Temp (C);TAN", "Fir 46;2026-03-19 10:00;40;0.5"),
    ],
)
@pytest.mark.parametrize("gap", ["", "\n"])
@pytest.mark.parametrize("said", [{}, {"set_aside": ("Sample",)}])
def test_another_header_beneath_the_first_is_refused(
    read: Read, header: str, row: str, gap: str, said: dict[str, object]
) -> None:
    line = 4 if gap else 3
    with pytest.raises(ExportError, match=f"line {line}: 'Sample, Date, .* is a header other than that in line 1"):
        read(f"{HEADER}{ROW}{gap}{header}\n{row}\n", **said)


def test_the_same_header_again_and_one_without_rows_refuse_no_file(read: Read) -> None:
    assert len(read(HEADER + ROW + HEADER.upper().replace("MM2/S", "mm2/s") + ROW).table) == 2
    assert len(read(HEADER + ROW + HEADER.replace("Temp (C)", "Temp (F)")).table) == 1


def test_a_row_of_words_is_no_header(read: Read) -> None:
    reading = read(HEADER + ROW + "Oil of date;2026-03-19;n.d.;n.d.\nDate;;;lost in the wash\n" + ROW)
    assert (len(reading.table), len(reading.refusals)) == (2, 2)


def test_a_header_is_seen_in_a_long_export_too(read: Read) -> None:
    other = "Sample;Date;Temp (C);Density (kg/m3)\nFir 32;2026-03-19 10:00;15.00;872.9\n"
    with pytest.raises(ExportError, match=r"line 3002: .* other than that in line 1"):
        read(HEADER + ROW * 3000 + other + ROW * 3000)


def test_heads_of_sections_are_refused_with_the_way_to_read_them(read: Read, tmp_path: Path) -> None:
    with pytest.raises(ExportError, match=r"line 4 says '100 °C' \(temperature\) .*; profile\.sections = "):
        read(SECTIONS)
    proposal = propose_profile(tmp_path / "x.csv")
    assert proposal.profile is not None
    assert proposal.profile.sections == ("temperature",)
    assert read(SECTIONS, sections=("temperature",)).table["temperature_C"].tolist() == [40.0, 100.0]


@pytest.mark.parametrize("line", ["Operator: L. Stone", "Operator:;L. Stone;;", "Date: 2026-03-20", "Instrument: V-9"])
def test_a_key_and_value_among_the_rows(read: Read, line: str) -> None:
    text = HEADER.replace("Date", "Lot") + ROW.replace("2026-03-19 08:00", "7")
    with pytest.raises(ExportError, match=r"line 3 says .* of the lines beneath it"):
        read(f"{text}{line}\n{ROW}")
    assert len(read(f"{text}{line}\n").refusals) == 1  # nothing stands beneath it
    assert len(read(f"{line}\n{text}{line}\n{ROW}").table) == 2  # it is said above as well


def test_heads_of_two_kinds_are_proposed_together(read: Read, tmp_path: Path) -> None:
    group = "Sample: Max {}\nOperator: {}. Stone\nDate,Temp (°C),KV (mm²/s)\n2026-03-25 08:0{},40.00,46.10\n"
    with pytest.raises(ExportError, match=r"profile\.sections"):
        read("".join(group.format(at, "ABC"[at], at) for at in range(3)))
    assert propose_profile(tmp_path / "x.csv").profile.sections == ("sample", "operator")  # type: ignore[union-attr]


def test_a_header_of_two_lines_leaves_no_table_above_it(read: Read) -> None:
    with pytest.raises(ExportError, match="line 1 is a header above that of 2 lines, line 3"):
        read(f"{HEADER}{ROW}\n{HEADER.replace('Kinematic', 'Dynamic').replace('mm2/s', 'mPa.s')}{ROW}", header_rows=2)
