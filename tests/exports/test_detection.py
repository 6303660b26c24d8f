"""Every axis of a dialect, and the combinations."""

from __future__ import annotations

import codecs
import hashlib
from itertools import product
from pathlib import Path

import pandas as pd
import pytest
import xlsxwriter

from labcalc.exports import Column, read_export
from labcalc.exports.grammar.vocabulary import meaning_of, unit_of
from tests.exports.conftest import Read

ROWS = [
    ["Sample", "Operator", "Date", "Temperature (°C)", "Kinematic viscosity (mm²/s)", "Density (kg/m³)"],
    ["HX-1", "Inês", "2026-03-02 08:10", "40.00", "46.12", "858.3"],
    ["HX-2", "Zoë", "2026-03-02 09:10", "100.00", "1046.1", "820.15"],
]
ENCODINGS = {
    "utf-8": b"", "utf-8-sig": b"", "utf-16-le": b"", "utf-16-be": b"", "cp1252": b"",
    "utf-16-le+": codecs.BOM_UTF16_LE, "utf-16-be+": codecs.BOM_UTF16_BE,
}  # fmt: skip


@pytest.mark.parametrize(
    ("encoding", "delimiter", "decimal", "end"), list(product(ENCODINGS, ",;\t|", ".,", ("\n", "\r\n", "\r")))
)
def test_matrix(read: Read, encoding: str, delimiter: str, decimal: str, end: str) -> None:
    def cell(text: str, at: int) -> str:
        text = text.replace(".", decimal) if at > 2 and text[0].isdigit() else text
        return f'"{text}"' if delimiter in text else text

    lines = [delimiter.join(cell(text, at) for at, text in enumerate(row)) for row in ROWS]
    data = ENCODINGS[encoding] + (end.join(lines) + end).encode(encoding.rstrip("+"))
    reading = read(data)
    table = reading.table
    assert table["operator"].tolist() == ["Inês", "Zoë"]
    assert table["kinematic_viscosity_mm2_s"].tolist() == [46.12, 1046.1]
    assert table["density_kg_m3"].tolist() == [858.3, 820.15]
    assert table["temperature_C"].tolist() == [40.0, 100.0]
    assert table["source_line"].tolist() == [2, 3]
    assert reading.sources[0].sha256 == hashlib.sha256(data).hexdigest()
    assert (reading.sources[0].rows_read, reading.sources[0].rows_refused) == (2, 0)
    words = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}[delimiter]
    assert (
        f", {words}, decimal {'comma' if decimal == ',' else 'point'}, header in line 1" in reading.sources[0].dialect
    )


@pytest.mark.parametrize(
    "text", ["1,234.5", "1.234,5", "1 234,5", "1\u00a0234,5", "1\u202f234.5", "1'234.5", "1234.5", "1.2345e3"]
)
def test_thousands(read: Read, text: str) -> None:
    reading = read(f"Sample;T (°C);KV (cSt)\nA;40;{text}\n")
    assert reading.table["kinematic_viscosity_mm2_s"].tolist() == [1234.5]


def test_a_reading_that_no_oil_can_have_settles_the_sign(read: Read) -> None:
    assert read("Sample;T (°C);Density (kg/m³)\nA;40;838,921\n").table["density_kg_m3"].tolist() == [838.921]


HEADERS = {
    "Kinematic viscosity (mm²/s)": ("kinematic viscosity", 1.0, None),
    "KV (cSt)": ("kinematic viscosity", 1.0, None),
    "KV40 (cSt)": ("kinematic viscosity", 1.0, 40.0),
    "KV100 [mm2/s]": ("kinematic viscosity", 1.0, 100.0),
    "Kin. visc. [mm^2/s]": ("kinematic viscosity", 1.0, None),
    "ν / mm²·s⁻¹": ("kinematic viscosity", 1.0, None),
    "Kinematic viscosity at 40 °C (mm²/s)": ("kinematic viscosity", 1.0, 40.0),
    "Kinematic viscosity (mm²/s, 40 °C)": ("kinematic viscosity", 1.0, 40.0),
    "Kinematic viscosity @ 104°F [m²/s]": ("kinematic viscosity", 1e6, 40.0),
    "Dyn. viscosity [mPa.s]": ("dynamic viscosity", 1.0, None),
    "η (Pa·s)": ("dynamic viscosity", 1000.0, None),
    "Absolute viscosity, cP": ("dynamic viscosity", 1.0, None),
    "Density / (g/cm³)": ("density", 1000.0, None),
    "Density at 15 °C, kg/m³": ("density", 1.0, 15.0),
    "Density/kg/m³": ("density", 1.0, None),
    "Dens. g/mL": ("density", 1000.0, None),
    "Dichte (kg/l)": ("density", 1000.0, None),
    "Masse volumique [kg·m⁻³]": ("density", 1.0, None),
    "Temp. (°F)": ("temperature", 5 / 9, None),
    "T / K": ("temperature", 1.0, None),
    "Viscosidade cinemática (mm²/s)": ("kinematic viscosity", 1.0, None),
}


@pytest.mark.parametrize("header", HEADERS)
def test_headers(header: str) -> None:
    meaning = meaning_of(header)
    assert meaning is not None
    assert meaning.unit is not None
    unit = unit_of(meaning.unit)
    assert unit is not None
    assert (meaning.holds, unit.factor, meaning.temperature_C) == HEADERS[header]


@pytest.mark.parametrize(
    ("header", "holds"),
    [("Date/Time", "measured_at"), ("Measured at", "measured_at"), ("Run no.", "run"), ("Sample ID", "sample"),
     ("Batch", "lot"), ("Analyst", "operator"), ("Repeat", "replicate"), ("Comment", "remark"), ("Lot", "lot")],
)  # fmt: skip
def test_words(header: str, holds: str) -> None:
    meaning = meaning_of(header)
    assert meaning is not None
    assert meaning.holds == holds


@pytest.mark.parametrize("header", ["Viscosity index", "Flash point (°C)", "MPa·s", "", "40"])
def test_other_headers(header: str) -> None:
    assert meaning_of(header) is None


def test_units_exact() -> None:
    """lb/ft³: NIST SP 811 (2008), appendix B.9, 1.601 846 E+01 kg/m³; lb/gal (US): 1.198 264 E+02 (memory)."""
    assert unit_of("lb/ft³").factor == pytest.approx(16.01846, abs=5e-6)  # type: ignore[union-attr]
    assert unit_of("lb/gal (US)").factor == pytest.approx(119.8264, abs=5e-5)  # type: ignore[union-attr]
    assert unit_of("MPa·s") is None


PREAMBLE = """Instrument;VD-2
Operator: M. Sousa

Sample;Lot;Date;Time;Temp.;Kin. viscosity;Density;Remark
;;;;°C;mm²/s;g/cm³;
A;L1;13.03.2026;08:10;40,0;15,01;0,8389;"two
lines"
A;L1;13.03.2026;08:20;40,0;15,02;0,8390;

Sample;Lot;Date;Time;Temp.;Kin. viscosity;Density;Remark
;;;;°C;mm²/s;g/cm³;
B;L2;13.03.2026;09:40;100,0;3,395;0,8003;
Mean;;;;;11,1;;
Rows;3
End of report
"""


def test_preamble_units_row_quoted_lines_repeated_header_and_footer(read: Read) -> None:
    reading = read(PREAMBLE, "vd2.txt", zone="Europe/Lisbon")
    table = reading.table
    assert table["sample"].tolist() == ["A", "A", "B"]
    assert table["operator"].unique().tolist() == ["M. Sousa"]
    assert table["source_line"].tolist() == [6, 8, 12]
    assert table["density_kg_m3"].tolist() == [838.9, 839.0, 800.3]
    assert table["replicate"].tolist() == [1, 2, 1]
    assert table["run"].tolist() == ["2026-03-13 08:10 VD-2 A"] * 2 + ["2026-03-13 09:40 VD-2 B"]
    assert table["remark"][0].startswith("two\nlines [dynamic viscosity follows")
    assert str(table["measured_at"].dtype) == "datetime64[us, Europe/Lisbon]"
    assert [str(one) for one in reading.refusals] == [
        "vd2.txt, line 13: '11,1': 'Mean' may be a sample, or said of the rows above; "
        "profile.set_aside in lab.toml says which lines are no rows"
    ]
    assert reading.sources[0].dialect == (
        "UTF-8, semicolons, decimal comma, header in line 4, instrument, operator from above the header"
    )
    assert reading.sources[0].set_aside == (10, 11, 14, 15)


def test_long_and_wide_are_equal(read: Read) -> None:
    long = read("Sample,T (°C),KV (cSt),Density (g/cm³)\nA,40,46.12,0.8583\nA,100,6.871,0.8201\n", "a.csv").table
    wide = read("Sample,KV40 (cSt),KV100 (cSt),D,Density at 313.15 K (kg/m³),Density at 212 °F (kg/m³)\n"
                "A,46.12,6.871,x,858.3,820.1\n", "a.csv").table  # fmt: skip
    pd.testing.assert_frame_equal(long.drop(columns="source_line"), wide.drop(columns="source_line"))


def test_profile_names_the_columns(read: Read) -> None:
    columns = {"Charge": Column("lot"), "V40": Column("kinematic viscosity", "mm²/s", 40.0), "Bottle": Column("sample")}
    table = read("Bottle;Charge;V40\nA;L;46.12\n", columns=columns, instrument="VD-7").table
    assert table[["sample", "lot", "instrument"]].to_numpy().tolist() == [["A", "L", "VD-7"]]
    assert table["temperature_C"].tolist() == [40.0]


@pytest.mark.parametrize(
    "text",
    ["2026-03-13T08:10:00Z", "2026/03/13 08:10", "13 Mar 2026 08:10", "13. März 2026, 08:10", "13.03.2026 8:10 AM",
             "3/13/2026 08:10", "Mar 13, 2026 08:10", "2026-03-13 09:10+01:00", "13-Mar-2026 08:10", "20260313 08:10"],
)  # fmt: skip
def test_dates(read: Read, text: str) -> None:
    table = read(f"Sample;Measured at;T (°C);KV (cSt)\nA;{text};40;46.1\n").table
    assert table["measured_at"].tolist() == [pd.Timestamp("2026-03-13 08:10", tz="UTC")]


def test_workbook(tmp_path: Path) -> None:
    path = tmp_path / "w.xlsx"
    with xlsxwriter.Workbook(str(path)) as book:
        book.add_worksheet("cover").write(0, 0, "nothing here")
        sheet = book.add_worksheet("runs")
        day = book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"})
        sheet.write_row(2, 0, ["Sample", "Measured at", "Temp. (°C)", "KV (mm²/s)", "η (mPa·s)", "Density (kg/m³)"])
        for row, kv in ((3, 46.1), (4, 1234.0)):
            sheet.write(row, 0, "A")
            sheet.write_datetime(row, 1, pd.Timestamp("2026-03-02 08:10").to_pydatetime(), day)
            sheet.write_row(row, 2, [40, kv, round(kv * 0.859, 2), 859])
    reading = read_export(path)
    assert reading.table["source_line"].tolist() == [4, 5]
    assert reading.table["kinematic_viscosity_mm2_s"].tolist() == [46.1, 1234.0]
    assert reading.table["measured_at"].tolist() == [pd.Timestamp("2026-03-02 08:10", tz="UTC")] * 2
    assert reading.sources[0].dialect == "workbook, sheet 'runs', decimal point, header in line 3"
