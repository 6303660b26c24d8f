"""Layouts that no header explains: refused without a profile, read with one. All laboratories are invented.

Expected values are read off the text by eye; °C = K - 273.15 (ITS-90), 1 cSt = 1 mm²/s, 1 cP = 1 mPa·s by definition.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
import xlsxwriter
from hypothesis import HealthCheck, given, settings, strategies as st

from labcalc.errors import ExportError, SettingsError
from labcalc.exports import Profile, Reading, propose_profile, read_export
from labcalc.exports.arranging.arrangement import arrange
from labcalc.exports.guessing.likely import likely_tables
from labcalc.exports.profile import Arrangement, Column
from labcalc.exports.source.text import divided
from labcalc.lab import load_laboratory
from tests.exports.conftest import NOT_MISSING

WithProfile = Callable[..., Reading]
NAN = math.nan


@pytest.fixture
def read(tmp_path: Path) -> WithProfile:
    """Read a text as an export, by a profile written as in lab.toml, or by none."""

    def write_and_read(text: str, profile: str = "", name: str = "x.txt", toml: str = "") -> Reading:
        head = '[laboratory]\nname = "Invented"\ntime_zone = "Europe/Lisbon"\n'
        said = f'[[profile]]\nname = "p"\nfiles = ["*"]\n{profile}' if profile else toml
        (tmp_path / "lab.toml").write_text(head + said, "utf-8")
        if text:
            (tmp_path / name).write_text(text, "utf-8")
        lab = load_laboratory(tmp_path / "lab.toml")
        return read_export(tmp_path / name, profiles=lab.profiles, time_zone=lab.time_zone)

    return write_and_read


def rows(reading: Reading) -> list[tuple[object, ...]]:
    """Return sample, temperature, the three quantities as measured, replicate and line of each row."""
    table = reading.table
    measured = ["kinematic_viscosity_mm2_s", "dynamic_viscosity_mPa_s", "density_kg_m3"]
    for name, column in zip(("kinematic viscosity", "dynamic viscosity", "density"), measured, strict=True):
        table.loc[table["remark"].fillna("").str.contains(f"[{name} follows", regex=False), column] = NAN
    picked = table[["sample", "temperature_C", *measured, "replicate", "source_line"]]
    return [tuple(None if value != value else value for value in row) for row in picked.itertuples(index=False)]


def moments(reading: Reading) -> list[str]:
    return [f"{one:%Y-%m-%d %H:%M:%S}" for one in reading.table["measured_at"]]


TWO_HEADER_ROWS = """Labor Weidenau;;;;;
;;40 °C;;100 °C;
Probe;Datum;KV;Dichte;KV;Dichte
;;mm²/s;g/cm³;mm²/s;g/cm³
HX-1;13.03.2026;46,12;0,8583;6,871;0,8201
;;40 °C;;100 °C;
Probe;Datum;KV;Dichte;KV;Dichte
HX-2;14.03.2026;32,05;0,8511;n. b.;0,8130
"""


def test_two_header_rows(read: WithProfile) -> None:
    with pytest.raises(ExportError, match="'KV' and 'KV' both hold kinematic viscosity"):
        read(TWO_HEADER_ROWS)
    reading = read(TWO_HEADER_ROWS, "header_rows = 2")
    assert rows(reading) == [("HX-1", 40.0, 46.12, None, 858.3, 1, 5), ("HX-1", 100.0, 6.871, None, 820.1, 1, 5)]
    assert [str(one) for one in reading.refusals] == [
        "x.txt, line 8, column '100 °C KV': 'n. b.': expected a number with decimal comma" + NOT_MISSING
    ]
    assert (reading.sources[0].rows_read, reading.sources[0].rows_refused) == (1, 1)
    assert "header in line 2; 2 lines set aside: lines 6, 7" in reading.sources[0].read_as.replace(", profile 'p'", "")


QUANTITIES = """Muestra;Fecha;Parámetro;Temp. ensayo;Resultado;Unidad;Operador
A-1;02/03/2026;Viscosidad cinemática;40,0;46,12;cSt;Inés
A-1;02/03/2026;Densidad;40,0;0,8583;g/cm³;Inés
A-1;02/03/2026;Punto de inflamación;;214;°C;Inés
A-1;02/03/2026;Viscosidad cinemática;40,0;46,15;mm²/s;Inés
A-1;02/03/2026;Viscosidad cinemática;100,0;6,87;;Inés
B-2;14/03/2026;Viscosidad cinemática;40,0;32,1;mm²/s;Inés
B-2;14/03/2026;Densidad;40,0;851,1;kg/m³;Inés
B-2;14/03/2026;Densidad;40,0
"""
QUANTITIES_PROFILE = """layout = "quantities"
decimal = ","
[profile.columns]
"Parámetro" = "quantity"
"Resultado" = "value"
"Unidad" = "unit"
"Temp. ensayo" = { holds = "temperature", unit = "°C" }
"Muestra" = "sample"
"""


def test_a_row_a_quantity(read: WithProfile) -> None:
    with pytest.raises(ExportError, match="there is no header"):
        read(QUANTITIES)
    reading = read(QUANTITIES, QUANTITIES_PROFILE)
    assert rows(reading) == [
        ("A-1", 40.0, 46.12, None, 858.3, 1, 2),
        ("A-1", 40.0, 46.15, None, None, 2, 5),
        ("B-2", 40.0, 32.1, None, 851.1, 1, 7),
    ]
    assert [str(one) for one in reading.refusals] == [
        "x.txt, line 6, column 'Resultado': '6,87': expected a number with decimal comma, and a unit of "
        "kinematic viscosity",
        "x.txt, line 9: '40,0': the row ends here, with 4 cells; expected 7",
    ]
    assert "a row a quantity, header in line 1" in reading.sources[0].dialect
    assert reading.sources[0].set_aside == (4,)
    assert reading.table["operator"].unique().tolist() == ["Inés"]
    assert moments(reading)[0] == "2026-03-02 00:00:00"


BLOCKS = """Laboratoire de Valmer
Appareil : VD-3

Échantillon : F-10
Mesuré le : 02.04.2026 08:10
Viscosité 40 °C : 46,12 mm²/s
Masse volumique 40 °C : 858,3 kg/m³
--------------------------------
Échantillon : F-11
Mesuré le : 13.04.2026 08:40
Viscosité 40 °C : 120,4 cP
Masse volumique 40 °C : ---
--------------------------------
Mesuré le : 13.04.2026 09:10
Viscosité 40 °C : 32,05 mm²/s
--------------------------------
Échantillon : F-12
Mesuré le : 14.04.2026 08:10
Viscosité 40 °C : 32,05 mm²/s
Viscosité 40 °C : 32,06 mm²/s
"""


def test_blocks(read: WithProfile) -> None:
    with pytest.raises(ExportError, match="there is no header"):
        read(BLOCKS)
    columns = '"Appareil" = "instrument"\n"Échantillon" = "sample"\n"Mesuré le" = "measured_at"\n'
    columns += '"Viscosité *" = { holds = "kinematic viscosity", temperature_C = 40 }\n'
    reading = read(BLOCKS, 'layout = "blocks"\n[profile.columns]\n' + columns)
    assert rows(reading) == [("F-10", 40.0, 46.12, None, 858.3, 1, 4)]
    assert reading.table["instrument"].tolist() == ["VD-3"]
    assert reading.table["run"].tolist() == ["2026-04-02 08:10 VD-3 F-10"]
    assert [str(one) for one in reading.refusals] == [
        "x.txt, line 11, column 'Viscosité 40 °C': '120,4 cP': expected a number with decimal comma, and a unit of "
        "kinematic viscosity",
        "x.txt, line 14, column 'Échantillon': expected the sample's name, or profile.as_above in lab.toml",
        "x.txt, line 17: '32,05 mm²/s': the block has 'Viscosité 40 °C' in lines 19 and 20; expected it once",
    ]
    assert "decimal comma, blocks from line 4 on, instrument from above the header" in reading.sources[0].dialect


TURNED = """Laboratório do Cais
Instrumento;VD-5

Amostra;;P-1;P-2;Média
Data;;02/03/2026;15/03/2026;
KV40;mm²/s;46,12;12;29
Densidade a 40 °C;kg/m³;858,3;851,1;
Ponto de fulgor;°C;214;208;
"""


def test_turned_on_its_side(read: WithProfile) -> None:
    with pytest.raises(ExportError, match="there is no header"):
        read(TURNED)
    reading = read(TURNED, 'layout = "turned"\nset_aside = ["Média"]')
    assert rows(reading) == [("P-1", 40.0, 46.12, None, 858.3, 1, 4), ("P-2", 40.0, 12.0, None, 851.1, 1, 4)]
    assert reading.table["instrument"].tolist() == ["VD-5"] * 2
    broken = read(TURNED.replace(";12;", ";zwölf;"), 'layout = "turned"\nset_aside = ["Média"]')
    assert (
        str(broken.refusals[0])
        == "x.txt, line 6, column 'P-2': 'zwölf': expected a number with decimal comma" + NOT_MISSING
    )


BLANKS = """Run summary of Old Mill Laboratory

Sample ID   Temp. [K]   KV 1    KV 2    KV 3    Density
-           K           mm2/s   mm2/s   mm2/s   kg/m3
---------   ---------   -----   -----   -----   -------
OM 17       313.15      46.12   46.15   46.09   858.3
OM 18       373.15      6.871   6.873   x       820.1
OM 19       373.15      6.871   6.873
"""


def test_replicates_side_by_side_divided_by_blanks(read: WithProfile) -> None:
    with pytest.raises(ExportError, match="there is no header"):
        read(BLANKS)
    profile = 'delimiter = "two blanks"\n[profile.columns]\n"KV *" = "kinematic viscosity"'
    reading = read(BLANKS, profile)
    assert rows(reading) == [
        ("OM 17", 40.0, 46.12, None, 858.3, 1, 6),
        ("OM 17", 40.0, 46.15, None, None, 2, 6),
        ("OM 17", 40.0, 46.09, None, None, 3, 6),
    ]
    assert reading.table["run"].nunique() == 1
    assert [str(one) for one in reading.refusals] == [
        "x.txt, line 7, column 'KV 3': 'x': expected a number with decimal point" + NOT_MISSING,
        "x.txt, line 8: '6.873': the row ends here, with 4 cells; expected 6",
    ]
    with pytest.raises(ExportError, match="there are 5 units for 6 columns in line 3; profile"):
        read(BLANKS.replace("\n-  ", "\n   "), profile)


SECTIONS = """Prüflabor Hasenkamp
Probe: S-1
bei 40 °C
Datum;Kin. Viskosität (mm²/s);Dichte (g/cm³)
13.05.2026;46,12;0,8583
13.05.2026;46,15;0,8584
Mittelwert;46,14;0,8584
Std.-Abw.;0,02;0,0001
bei 100 °C
13.05.2026;6,871;0,8201
Probe: S-2
14.05.2026;32,05;0,8511
bei 40 °C
14.05.2026;32,05;0,8511
"""


def test_sections_and_means_between_the_rows(read: WithProfile) -> None:
    with pytest.raises(ExportError, match="has no temperature"):
        read(SECTIONS)
    reading = read(SECTIONS, 'sections = ["sample", "temperature"]\nset_aside = ["Mittelwert", "Std*"]')
    assert rows(reading) == [
        ("S-1", 40.0, 46.12, None, 858.3, 1, 5),
        ("S-1", 40.0, 46.15, None, 858.4, 2, 6),
        ("S-1", 100.0, 6.871, None, 820.1, 1, 10),
        ("S-2", 40.0, 32.05, None, 851.1, 1, 14),
    ]
    assert [str(one) for one in reading.refusals] == ["x.txt, line 12, column 'temperature': expected a temperature"]
    assert reading.sources[0].set_aside == (7, 8)


WIDTHS = """I-01    20260302  40.0  46.12 0.8583fine
I-02    20260302 100.0  6.871 0.8201
I-03    20260302  40.0        0.8511
"""
WIDTHS_PROFILE = """widths = [8, 8, 6, 7, 7, 10]
header_rows = 0
[profile.columns]
"column 1" = "sample"
"column 2" = "date"
"column C" = { holds = "temperature", unit = "°C" }
"column 4" = { holds = "kinematic viscosity", unit = "mm²/s" }
"column E" = { holds = "density", unit = "g/cm³" }
"column 6" = "remark"
"""


def test_fixed_widths_without_a_header(read: WithProfile) -> None:
    with pytest.raises(ExportError, match="there is no header"):
        read(WIDTHS)
    reading = read(WIDTHS, WIDTHS_PROFILE)
    assert rows(reading) == [
        ("I-01", 40.0, 46.12, None, 858.3, 1, 1),
        ("I-02", 100.0, 6.871, None, 820.1, 1, 2),
        ("I-03", 40.0, None, None, 851.1, 1, 3),
    ]
    assert moments(reading)[0] == "2026-03-02 00:00:00"
    broken = read(WIDTHS.replace(" 6.871", "   n/a"), WIDTHS_PROFILE)
    assert (
        str(broken.refusals[0])
        == "x.txt, line 2, column 'column 4': 'n/a': expected a number with decimal point" + NOT_MISSING
    )


PARTS = """Sample,Date,,,Time,,Temp.,Viscosity,Density
,dd,mm,yyyy,hh,mm,,,
,,,,,,F,cP,g/ml
E-1,2,3,2026,8,5,104,39.6,0.8583
E-1,2,3,2026,8,15,104,39.7,0.8584
E-2,31,2,2026,9,0,104,39.7,0.8584
"""
BY_PLACE = """units_row = 2
[profile.columns]
"column 2" = "day"
"column 3" = "month"
"column D" = "year"
"column E" = "hour"
"column 6" = "minute"
"""
BY_HEADER = """header_rows = 2
[profile.columns]
"Date dd" = "day"
"Date mm" = "month"
"Date yyyy" = "year"
"Time hh" = "hour"
"Time mm" = "minute"
"""


@pytest.mark.parametrize("profile", [BY_PLACE, BY_HEADER])
def test_moments_in_parts_with_the_units_further_down(read: WithProfile, profile: str) -> None:
    with pytest.raises(ExportError, match="has no unit"):
        read(PARTS)
    reading = read(PARTS, profile)
    assert rows(reading) == [("E-1", 40.0, None, 39.6, 858.3, 1, 4), ("E-1", 40.0, None, 39.7, 858.4, 2, 5)]
    assert moments(reading) == ["2026-03-02 08:05:00", "2026-03-02 08:15:00"]
    (refusal,) = reading.refusals
    assert (refusal.line, refusal.value) == (6, "2026-02-31 09:00:00")


PIECES_OF_TIME = {
    "Sample;d;m;y;KV40 (cSt)\nA;2;März;26;46.12\n": ('"d" = "day"\n"m" = "month"\n"y" = "year"', "2026-03-02 00:00:00"),
    "Sample;Date;h;min;s;KV40 (cSt)\nA;2026-03-02;8;5;7.25;46.12\n": (
        '"h" = "hour"\n"min" = "minute"\n"s" = "second"',
        "2026-03-02 08:05:07",
    ),
    "Date: 2026-03-02\nTime: 23:59\nSample;t/s;KV40 (cSt)\nA;61;46.12\n": ('"t/s" = "elapsed"', "2026-03-03 00:00:01"),
}


@pytest.mark.parametrize("text", PIECES_OF_TIME, ids=range(len(PIECES_OF_TIME)))
def test_pieces_of_a_moment(read: WithProfile, text: str) -> None:
    columns, expected = PIECES_OF_TIME[text]
    assert moments(read(text, f"[profile.columns]\n{columns}")) == [expected]


def test_pieces_that_are_too_few(read: WithProfile) -> None:
    with pytest.raises(ExportError, match="column 't' holds elapsed time; expected its unit, s, min or h"):
        read("Sample;t;KV40 (cSt)\nA;61;46.12\n", '[profile.columns]\n"t" = "elapsed"')
    with pytest.raises(ExportError, match="columns 'm, d' hold month, day; expected all parts of a moment"):
        read("Sample;d;m;KV40 (cSt)\nA;2;3;46.12\n", '[profile.columns]\n"d" = "day"\n"m" = "month"')
    with pytest.raises(ExportError, match=r"line 2, column 't/s': '1\.234' reads two ways"):
        read("Sample;t/s;KV40 (cSt)\nA;1.234;46\n", 'start = 2026-03-02T08:00:00\n[profile.columns]\n"t/s" = "elapsed"')


ELAPSED = """Meetreeks van laboratorium Zwartemeer
Monster: N-1
Begonnen: 25-10-2026 00:30:00

Tijd (min);Temperatuur (K);Visc.
0;313,15;46,12 mPa·s
90,5;353,15;12,1 mPa·s
100;313,15;1,204 Pa·s
01:40:30;353,15;12,2
1e99;353,15;12,3 mPa·s
"""
ELAPSED_PROFILE = """{}
[profile.columns]
"Monster" = "sample"
{}
"Tijd (min)" = "elapsed"
"Temperatuur (K)" = "temperature"
"Visc." = "dynamic viscosity"
"""


def test_elapsed_time_and_units_in_the_cells(read: WithProfile) -> None:
    """The clocks of Lisbon went back at 01:00 UTC on 25 October 2026: 90.5 min after 00:30 it is 01:00:30 again."""
    assert read(ELAPSED).table["measured_at"].isna().all()
    reading = read(ELAPSED, ELAPSED_PROFILE.format('date_order = "day-month-year"', '"Begonnen" = "start"'))
    assert rows(reading) == [
        ("N-1", 40.0, None, 46.12, None, 1, 6),
        ("N-1", 80.0, None, 12.1, None, 1, 7),
        ("N-1", 40.0, None, 1204.0, None, 1, 8),
    ]
    assert moments(reading) == ["2026-10-25 00:30:00", "2026-10-25 01:00:30", "2026-10-25 01:10:00"]
    assert [str(one) for one in reading.refusals] == [
        "x.txt, line 9, column 'Visc.': '12,2': expected a number with decimal comma, and a unit of dynamic viscosity",
        "x.txt, line 10, column 'Tijd (min)': '1e99': expected a date and time that exist, such as 2026-03-31 14:05",
    ]
    stated = read(ELAPSED, ELAPSED_PROFILE.format("start = 2026-03-02T08:00:00", ""))
    assert moments(stated)[1] == "2026-03-02 09:30:30"
    with pytest.raises(ExportError, match=r"'Tijd \(min\)' holds elapsed time, but no line is known to say its start"):
        read(ELAPSED, ELAPSED_PROFILE.format("", ""))


NAMED = """Campione;Viscosità;Massa volumica
C-1;46,12;858,3
C-2;32,05;851,1
"""
NAMED_PROFILE = """from_name = "{instrument}_{date}_{ignored}"
product = "HX 46"
temperature_C = 40
operator = "N. Bruni"
[profile.columns]
"Campione" = "sample"
"Viscosità" = { holds = "kinematic viscosity", unit = "mm²/s" }
"Massa volumica" = { holds = "density", unit = "kg/m³" }
"""


def test_what_holds_for_a_whole_file(read: WithProfile) -> None:
    with pytest.raises(ExportError, match="column 'Viscosità' has no unit"):
        read(NAMED)
    reading = read(NAMED, NAMED_PROFILE, "VD-4_20260302_b.txt")
    assert rows(reading) == [("C-1", 40.0, 46.12, None, 858.3, 1, 2), ("C-2", 40.0, 32.05, None, 851.1, 1, 3)]
    said = reading.table[["instrument", "product", "operator"]].drop_duplicates().to_numpy().tolist()
    assert said == [["VD-4", "HX 46", "N. Bruni"]]
    assert moments(reading) == ["2026-03-02 00:00:00"] * 2
    assert "instrument, date from the file's name" in reading.sources[0].dialect
    with pytest.raises(ExportError, match="the name of the file doesn't fit profile"):
        read(NAMED, NAMED_PROFILE, "VD-4.txt")
    broken = read(NAMED, NAMED_PROFILE, "VD-4_2_b.txt")
    assert str(broken.refusals[0]) == (
        "VD-4_2_b.txt, line 2, column 'file name': '2': expected a date and time that exist, such as 2026-03-31 14:05"
    )


SHORT_BLOCKS = """Lab = Nether Wold
Sample = W-1
Temp = 40 °C
KV = 46.12 cSt
Temp = 100 °C
KV = 6.871 cSt
Sample = W-2
Temp = 40 °C
KV = 32.05 cSt
"""


def test_blocks_within_sections(read: WithProfile) -> None:
    with pytest.raises(ExportError, match="there is no header"):
        read(SHORT_BLOCKS)
    reading = read(SHORT_BLOCKS, 'layout = "blocks"\nsections = ["sample"]\nblock_start = "Temp"')
    assert rows(reading) == [
        ("W-1", 40.0, 46.12, None, None, 1, 3),
        ("W-1", 100.0, 6.871, None, None, 1, 5),
        ("W-2", 40.0, 32.05, None, None, 1, 8),
    ]
    with pytest.raises(ExportError, match="layout is 'blocks', but no line begins with 'T'"):
        read(SHORT_BLOCKS, 'layout = "blocks"\nblock_start = "T"')


CELLS = """Échantillon;Température;Viscosité cinématique;Masse volumique
V-1;40 °C;46,12 mm²/s;0,8583 g/cm³
V-1;313,15 K;46.12 cSt;858,3 kg/m³
V-2;40 °C;32,05;851,1 kg/m³
V-3;104 °F;32,05 cP;851,1 kg/m³
"""


def test_units_in_the_cells_explain_themselves(read: WithProfile) -> None:
    reading = read(CELLS.replace("46.12", "46,12"))
    assert rows(reading) == [("V-1", 40.0, 46.12, None, 858.3, 1, 2), ("V-1", 40.0, 46.12, None, 858.3, 2, 3)]
    assert [(one.line, one.column, one.value) for one in reading.refusals] == [
        (4, "Viscosité cinématique", "32,05"),
        (5, "Viscosité cinématique", "32,05 cP"),
    ]


def test_a_workbook_by_letters(read: WithProfile, tmp_path: Path) -> None:
    with xlsxwriter.Workbook(str(tmp_path / "x.xlsx")) as book:
        book.add_worksheet("Umschlag").write_column(0, 0, ["Labor Weidenau", "Freigabe: offen"])
        sheet = book.add_worksheet("Werte")
        lines = [
            ["Serie 7"],
            [],
            ["Flasche", "", "Wert 1", "Wert 2", "rho"],
            ["", "", "", "", "g/cm³"],
            ["W-1", 40, 46.12, 46.15, 0.8583],
            ["Mittel", 40, 46.135, 46.135, 0.8583],
            ["W-2", 100, 6.871, "k. A.", 0.8201],
        ]
        for number, line in enumerate(lines):
            sheet.write_row(number, 0, line)
    profile = """set_aside = ["mittel*"]
[profile.columns]
"column A" = "sample"
"column B" = { holds = "temperature", unit = "°C" }
"columns C to D" = { holds = "kinematic viscosity", unit = "mm²/s" }
"column E" = "density"
"""
    with pytest.raises(ExportError, match="column 'rho' has no temperature"):
        read("", "", "x.xlsx")
    reading = read("", profile, "x.xlsx")
    assert rows(reading) == [("W-1", 40.0, 46.12, None, 858.3, 1, 5), ("W-1", 40.0, 46.15, None, None, 2, 5)]
    assert [str(one) for one in reading.refusals] == [
        "x.xlsx, line 7, column 'Wert 2': 'k. A.': expected a number with decimal point" + NOT_MISSING
    ]
    pasted = read("", "", "x.xlsx", propose_profile(tmp_path / "x.xlsx").toml)
    assert rows(pasted) == rows(reading)
    assert [one.line for one in pasted.refusals] == [7]
    assert reading.sources[0].read_as == (
        "workbook, sheet 'Werte', decimal point, header in line 3, profile 'p'; 1 line set aside: line 6"
    )


def test_a_column_named_keeps_the_unit_of_its_header(read: WithProfile) -> None:
    text = "Flasche;Zähigkeit bei 40 °C (cSt);Dichtewert, g/cm³\nW-1;46,12;0,8583\n"
    columns = '"Zähigkeit*" = {{ holds = "kinematic viscosity", temperature_C = 40{} }}\n"Flasche" = "sample"\n'
    columns += '"Dichtewert, g/cm³" = {{ holds = "density", temperature_C = 40 }}'
    kept = read(text, "[profile.columns]\n" + columns.format(""))
    assert rows(kept)[0][2:5] == (46.12, None, 858.3)
    other = read(text, "[profile.columns]\n" + columns.format(', unit = "m²/s"'))
    assert str(other.refusals[0]).endswith("expected a kinematic viscosity from 0.1 to 10000000 mm²/s")


def test_the_line_that_comes_nearest_to_the_profiles_header_is_named(read: WithProfile) -> None:
    columns = """[profile.columns]
"Flasche" = "sample"
"Wert 40" = { holds = "kinematic viscosity", unit = "mm²/s", temperature_C = 40 }
"""
    with pytest.raises(ExportError) as refusal:
        read("Serie;7\nFlasche;Wert40\nW-1;46,12\n", columns)
    assert str(refusal.value) == (
        "x.txt: no line is the header that the profile describes; line 2 comes nearest, but there is no column "
        "'Wert 40', which [profile.columns] names; did you mean 'Wert40'?"
    )
    with pytest.raises(ExportError) as refusal:
        read("Sample;KV40\nW-1;46,12\n", "units_row = 1")
    assert str(refusal.value) == "x.txt: profile.units_row is 1: line 2 has W-1, 46,12; expected the line of units"


MISTAKES = {
    'layout = "turnd"': "layout: 'turnd': one of 'rows', 'blocks', 'turned', 'quantities' is expected; "
    "did you mean 'turned'?",
    'delimiter = "blank"': "delimiter: 'blank': one character, no letter or digit, 'blanks' or 'two blanks' is "
    "expected; did you mean 'blanks'?",
    "widths = [8, 0]": "widths[2]: 0: a whole number from 1 to 1000 is expected",
    'widths = [8]\ndelimiter = ";"': "widths: the columns have a delimiter; one of both is expected",
    "header_rows = 6": "header_rows: 6: a whole number from 0 to 5 is expected",
    "header_rows = 0": "columns: without a header, columns are named by place: 'column 1', 'column 2', or by letter",
    "units_row = 0": "units_row: 0: a whole number but 0 is expected: 1 right beneath, -1 right above",
    'sections = ["density"]': "sections[1]: 'density': one of 'sample', 'product', 'lot', 'role', 'measured_at', "
    "'date', 'time', 'start', 'instrument', 'operator', 'run', 'temperature', 'remark' is expected",
    'layout = "turned"\nsections = ["sample"]': "sections: layout = 'turned' has no sections",
    'layout = "blocks"\nheader_rows = 2': "header_rows: layout = 'blocks' has no header lines",
    'block_start = "Run"': "block_start: layout = 'blocks' is expected beside it",
    'layout = "quantities"': "columns: layout = 'quantities' needs columns that hold 'quantity' and 'value', and "
    "'unit' if there is one",
    'from_name = "VD"': "from_name: 'VD': a pattern such as '{instrument}_{date}', with a text between the brackets, "
    "is expected",
    'from_name = "{instrumnt}"': "from_name: 'instrumnt': one of 'sample', 'product', 'lot', 'role', 'measured_at', "
    "'date', 'time', 'start', 'instrument', 'operator', 'run', 'temperature', 'remark', 'ignored' is expected; "
    "did you mean 'instrument'?",
    'from_name = "{date}_{date}"': "from_name: '{date}_{date}': 'date' once is expected",
    'start = "08:00"': "start: '08:00': date and time without quotes are expected: 2026-01-31T08:00:00",
}


@pytest.mark.parametrize("setting", MISTAKES)
def test_a_setting_that_cannot_be(read: WithProfile, setting: str) -> None:
    with pytest.raises(SettingsError) as refusal:
        read("", setting)
    assert str(refusal.value).partition("profile[1].")[2] == MISTAKES[setting]


CLEAN_BLOCKS = """Sample: A-1
Viscosity at 40 °C: 46.12 mm²/s

Sample: A-2
Viscosity at 40 °C: 32.05 mm²/s
"""
LIKELY = {
    TWO_HEADER_ROWS: Arrangement(delimiter=";", header_rows=2),
    TURNED: Arrangement(delimiter=";", layout="turned"),
    SECTIONS: Arrangement(delimiter=";", sections=("sample", "temperature")),
    CLEAN_BLOCKS: Arrangement(layout="blocks"),
    SHORT_BLOCKS: Arrangement(layout="blocks", block_start="Temp", sections=("sample",)),
    "Sample,KV40 1,KV40 2\n,cSt,cSt\nA,46.12,46.15\n": Arrangement(
        delimiter=",", columns={"KV40 *": Column("kinematic viscosity", None, 40.0)}
    ),
    "Sample,What,How much,In\nA,KV40,46.12,cSt\nA,Density at 40 °C,858.3,kg/m³\n": Arrangement(
        delimiter=",",
        layout="quantities",
        columns={f"column {at}": Column(holds) for at, holds in ((2, "quantity"), (4, "unit"), (3, "value"))},
    ),
    "Sample  KV40 (cSt)\nA 1     46.12\n": Arrangement(delimiter="two blanks"),
    "Sample,KV40\n,ASTM D445\n,cSt\nA,46.12\n": Arrangement(delimiter=",", header_rows=2),
}


@pytest.mark.parametrize("text", LIKELY, ids=range(len(LIKELY)))
def test_the_likely_arrangement_comes_first(text: str) -> None:
    assert likely_tables(divided(text, ""))[0][0] == LIKELY[text]


def test_nothing_is_likely_where_nothing_is_known() -> None:
    assert likely_tables(divided("Name;Height\nA;3\n", "")) == []
    assert likely_tables([]) == []


ACCOUNTS = [
    (TWO_HEADER_ROWS, ";", {"header_rows": 2}, {1, 2, 3, 4}),
    (SECTIONS, ";", {"sections": ("sample", "temperature"), "set_aside": ("Mittel*",)}, {1, 2, 3, 4, 9, 11, 13}),
    (BLOCKS, "", {"layout": "blocks"}, {2, 8, 13, 16, 20}),
    (TURNED.replace(";Média", ""), ";", {"layout": "turned"}, {1, 2}),
    (SHORT_BLOCKS, "", {"layout": "blocks", "sections": ("sample",), "block_start": "Temp"}, {1, 2, 7}),
    (QUANTITIES, ";", {"layout": "quantities", "columns": {
        "Parámetro": Column("quantity"), "Resultado": Column("value"), "Unidad": Column("unit")}}, {1}),
]  # fmt: skip


@pytest.mark.parametrize(("text", "delimiter", "said", "others"), ACCOUNTS, ids=range(len(ACCOUNTS)))
def test_every_line_is_in_a_row_or_set_aside(text: str, delimiter: str, said: dict[str, Any], others: set[int]) -> None:
    """All but the lines of header, preamble, heads of sections, rules and a key's repeat, given as ``others``."""
    table = arrange(divided(text, delimiter), Arrangement(**said))
    assert table is not None
    places = [place for row in table.rows for place in (row.origins or [(row.line, "")]) if place]
    in_rows = {line for line, _ in places}
    assert not in_rows & {*table.set_aside}
    written = {number for number, line in enumerate(text.splitlines(), 1) if line.strip(";")}
    assert in_rows | {*table.set_aside} == written - others


COLUMN_NAMES = """[profile.columns]
"Viscosité *" = { holds = "kinematic viscosity", temperature_C = 40 }
"""
BY_HAND = {
    "two header rows": (TWO_HEADER_ROWS, "header_rows = 2"),
    "a row a quantity": (QUANTITIES, QUANTITIES_PROFILE),
    "blocks": (BLOCKS, f'layout = "blocks"\n{COLUMN_NAMES}'),
    "turned": (TURNED, 'layout = "turned"\nset_aside = ["Média"]'),
    "blanks": (BLANKS, 'delimiter = "two blanks"\n[profile.columns]\n"KV *" = "kinematic viscosity"'),
    "sections": (SECTIONS, 'sections = ["sample", "temperature"]\nset_aside = ["Mittelwert", "Std*"]'),
    "widths": (WIDTHS, WIDTHS_PROFILE),
    "parts of moments": (PARTS, BY_HEADER),
    "said by the file's name": (NAMED, NAMED_PROFILE),
    "blocks in sections": (SHORT_BLOCKS, 'layout = "blocks"\nsections = ["sample"]\nblock_start = "Temp"'),
}
"""Layouts and the profile that is written for each above, where its rows are read off by eye."""


@pytest.mark.parametrize("layout", BY_HAND)
def test_a_profile_proposed_and_pasted_reads_what_one_by_hand_reads(
    read: WithProfile, tmp_path: Path, layout: str
) -> None:
    text, profile = BY_HAND[layout]
    name = "VD-4_20260302_b.txt" if text == NAMED else "x.txt"
    by_hand = read(text, profile, name)
    proposal = propose_profile(tmp_path / name, time_zone="Europe/Lisbon")
    assert proposal.problems
    assert [question for question, _ in proposal.questions] == (["temperature_C"] if text == NAMED else [])
    answered = proposal.toml.replace("# temperature_C = 40", "temperature_C = 40")
    pasted = read(text, name=name, toml=answered)
    assert rows(pasted) == rows(by_hand)
    assert pasted.table["measured_at"].equals(by_hand.table["measured_at"])
    assert {one.line for one in pasted.refusals} == {one.line for one in by_hand.refusals}
    assert all(line.startswith(("#", "[", '"')) or " = " in line for line in answered.splitlines() if line)


@pytest.mark.parametrize("text", [ELAPSED, CELLS.replace("46.12", "46,12")], ids=["elapsed", "units in the cells"])
def test_what_reads_without_a_profile_says_so(read: WithProfile, tmp_path: Path, text: str) -> None:
    read(text)
    proposal = propose_profile(tmp_path / "x.txt")
    assert proposal.profile is None
    assert proposal.toml.startswith("# x.txt reads without any profile: ")
    assert proposal.toml.count("\n") == 1


def test_only_the_laboratory_knows_the_order_of_day_and_month(read: WithProfile, tmp_path: Path) -> None:
    text = "Sample;Date;KV40 (cSt)\nA;02/03/2026;46.12\nB;04/03/2026;46.15\n"
    with pytest.raises(ExportError, match=r"day or month first.*`labcalc read x\.txt --propose` proposes a profile"):
        read(text)
    proposal = propose_profile(tmp_path / "x.txt")
    assert proposal.questions == (("date_order", ("day-month-year", "month-day-year")),)
    with pytest.raises(ExportError, match="day or month first"):
        read(text, toml=proposal.toml)
    for order, first in (("day-month-year", "2026-03-02"), ("month-day-year", "2026-02-03")):
        answered = proposal.toml.replace(f'# date_order = "{order}"', f'date_order = "{order}"')
        assert moments(read(text, toml=answered))[0].startswith(first)


UNNAMED = """Lot 7
Flasche 1;A;40;46.12;39.59;0.8583;2026-03-14
Flasche 2;A;40;46.15;39.61;0.8584;2026-03-14
Flasche 3;A;100;6.871;5.635;0.8201;2026-03-15
"""


def test_what_columns_hold_is_guessed_by_their_sizes(read: WithProfile, tmp_path: Path) -> None:
    """46.12 mm²/s · 0.8583 g/cm³ = 39.58 mPa·s; oil at 40 °C is about as dense, and its viscosity falls with heat."""
    with pytest.raises(ExportError):
        read(UNNAMED)
    proposal = propose_profile(tmp_path / "x.txt")
    assert [one.holds for one in proposal.guesses] == [
        "sample", "", "temperature", "kinematic viscosity", "dynamic viscosity", "density", "date",
    ]  # fmt: skip
    assert rows(read(UNNAMED, toml=proposal.toml)) == [
        ("Flasche 1", 40.0, 46.12, 39.59, 858.3, 1, 2),
        ("Flasche 2", 40.0, 46.15, 39.61, 858.4, 1, 3),
        ("Flasche 3", 100.0, 6.871, 5.635, 820.1, 1, 4),
    ]


def test_all_problems_are_said_at_once(tmp_path: Path) -> None:
    text = "Sample;KV (cSt);Temperature;Density;Oven (°C);Delta KV (cSt)\nA;46.12;40;858.3;105;0.1\n"
    (tmp_path / "x.txt").write_text(text, "utf-8")
    proposal = propose_profile(tmp_path / "x.txt")
    assert [one.partition(";")[0] for one in proposal.problems] == [
        "column 'Temperature' has no unit",
        "column 'Density' has no unit",
        "column 'Oven (°C)' is not understood, but has a unit of viscosity, density or temperature",
        "column 'Delta KV (cSt)' is not understood, but has a unit of viscosity, density or temperature",
    ]
    assert proposal.profile is not None
    assert {name: (one.holds, one.unit) for name, one in proposal.profile.columns.items()} == {
        "Temperature": ("temperature", "°C"),
        "Density": ("density", "kg/m³"),
        "Oven (°C)": ("ignored", None),
        "Delta KV (cSt)": ("ignored", None),
    }


GUESSED = {
    "Sample;Dynamic viscosity;T\nA;39.6;313.15\nB;5.6;373.15\n": {
        "Dynamic viscosity": ("dynamic viscosity", "mPa·s", None),
        "T": ("temperature", "K", None),
    },
    "Sample;Fließwert bei 40 °C (cSt)\nA;46.12\nB;32.05\n": {
        "Fließwert bei 40 °C (cSt)": ("kinematic viscosity", "cSt", 40.0),
    },
    "Sample;Wert a;Wert b\nA;46.12;6.871\nB;32.05;5.412\n": {
        "Wert a": ("kinematic viscosity", "mm²/s", 40.0),
        "Wert b": ("kinematic viscosity", "mm²/s", 100.0),
    },
    "Sample;Temp;Laufzeit;Wert\nA;40;100.25;46.12\nB;100;210.75;6.871\n": {
        "Temp": ("temperature", "°C", None),
        "Wert": ("kinematic viscosity", "mm²/s", None),
    },
}


@pytest.mark.parametrize("text", GUESSED, ids=range(len(GUESSED)))
def test_guesses(read: WithProfile, tmp_path: Path, text: str) -> None:
    """What rises with the temperature is no viscosity; of two, the larger is at 40 °C (common practice)."""
    (tmp_path / "x.txt").write_text(text, "utf-8")
    proposal = propose_profile(tmp_path / "x.txt")
    assert proposal.profile is not None
    said = {name: (one.holds, one.unit, one.temperature_C) for name, one in proposal.profile.columns.items()}
    assert said == GUESSED[text]
    assert len(read(text, toml=proposal.toml).table) >= 2


def test_where_nothing_looks_like_results_none_is_proposed(tmp_path: Path) -> None:
    (tmp_path / "x.txt").write_text("Name;Height\nA;tall\nB;small\n", "utf-8")
    with pytest.raises(ExportError, match="no profile was found that reads it, so none is proposed"):
        propose_profile(tmp_path / "x.txt")


PIECES = [
    *("Sample", "KV40 (cSt)", "Date", "day", "T (°C)", "46.12 cSt", "46,12", "40 °C", "A", "1", "*", ":", "=", "---"),
    *(
        ";",
        ";",
        "\n",
        "\n",
        "  ",
        '"',
        "\0",
        "mm²/s",
        "Sample: A",
        "KV40: 46.12 cSt\n",
        "2026-03-02",
        "Sample;KV40 (cSt)\n",
    ),
]
SETTINGS = st.fixed_dictionaries(
    {},
    optional={
        "layout": st.sampled_from(["blocks", "turned", "quantities"]),
        "delimiter": st.sampled_from([";", "blanks", "two blanks"]),
        "header_rows": st.integers(0, 3),
        "units_row": st.sampled_from([-1, 1, 2]),
        "sections": st.sampled_from([("sample",), ("temperature", "sample")]),
        "set_aside": st.sampled_from([("A*",), ("*",), ("*1*", "")]),
        "from_name": st.sampled_from(["{sample}", "{date}.{ignored}"]),
        "temperature_C": st.just(40.0),
        "columns": st.dictionaries(
            st.sampled_from(["A", "column 1", "columns B to D", "KV*", "T (°C)", "day"]),
            st.sampled_from(["sample", "quantity", "value", "unit", "day", "month", "hour", "elapsed", "density"]).map(
                Column
            ),
        ),
    },
)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(parts=st.lists(st.sampled_from(PIECES), max_size=40), said=SETTINGS)
def test_any_text_with_any_setting_is_read_or_refused(tmp_path: Path, parts: list[str], said: dict[str, Any]) -> None:
    path = tmp_path / "x.txt"
    path.write_text("".join(parts), "utf-8")
    try:
        reading = read_export(path, profiles=[Profile(name="p", files=("*",), **said)])
    except ExportError as failure:
        refusal = str(failure)
    else:
        refusal = ""
        assert reading.sources[0].rows_refused == len(reading.refusals)
    assert "\n" not in refusal
    with suppress(ExportError):
        tomllib.loads(propose_profile(path).toml)
    assert len(likely_tables(divided("".join(parts), ""))) <= 5


STATISTICS = """Sample;Date;Temp (°C);Kin. visc. (mm²/s){unit}
Oak 46;03.02.26;40;46.12
Mean;;;46.12
Max 5;04.02.26;40;68.41
Mean;;;68.41
s;;;0.021
"""


def test_a_sample_named_as_a_statistic_is_not_proposed_to_be_set_aside(tmp_path: Path) -> None:
    path = tmp_path / "x.txt"
    for text, expected in (
        (STATISTICS.format(unit=""), ("Mean", "s")),
        (STATISTICS.format(unit="") + "Mean;05.02.26;40;15.2\n", ("s",)),  # a sample of that name has a date
        ("Name;KV40 (cSt);Operator\nOak 46;46,123;s\nMax 5;68,412;s\nMean;57,268;\ns;1;\n", ("Mean",)),
    ):
        path.write_text(text, "utf-8")
        proposal = propose_profile(path)
        assert proposal.profile is not None
        assert proposal.profile.set_aside == expected


def test_a_number_with_a_name_of_its_own_is_no_temperature_but_a_question(tmp_path: Path) -> None:
    path = tmp_path / "x.csv"
    for name in ("TAN", "Wear"):
        path.write_text(f"Sample;Date;KV;{name}\nOak 46;2026-03-17;46.05;15.0\nOak 68;2026-03-17;68.05;15.1\n", "utf-8")
        proposal = propose_profile(path)
        assert proposal.questions == (("temperature_C", (40.0,)),)
        assert f'Then take away the # here.\n# "{name}" = {{ holds = "temperature", unit = "°C" }}\n' in proposal.toml
        assert proposal.profile is not None
        assert [*proposal.profile.columns] == ["KV"]


def test_repeats_side_by_side_are_proposed_not_ignored(tmp_path: Path) -> None:
    path = tmp_path / "x.csv"
    path.write_text("Sample;T (C);KV1 (cSt);KV2 (cSt);KV mean (cSt)\nOak 46;40.0;46.05;46.07;46.06\n", "utf-8")
    proposal = propose_profile(path)
    assert proposal.profile is not None
    assert [(name, one.repeat) for name, one in proposal.profile.columns.items()] == [
        ("KV1 (cSt)", 1),
        ("KV2 (cSt)", 2),
    ]
    path.write_text("Sample;T (C);KV (cSt);KV corr. (cSt)\nOak 46;40.0;46.05;46.10\n", "utf-8")
    assert (
        "# QUESTION: is it this, as well as the other or instead of it? Then, for the line above:\n"
        in propose_profile(path).toml
    )


def test_a_start_above_elapsed_time_is_named_until_the_profile_takes_it(read: WithProfile) -> None:
    head = "# Start: 2026-03-20 09:00:00\nSample: Birch 46\nElapsed (s),Temp (C),KV (mm2/s)\n"
    text = head + "0,40.00,46.10\n65,40.00,46.12\n"
    assert read(text).sources[0].unused == ("Elapsed (s)", "'# Start' of line 1")
    elapsed = '[profile.columns]\n"Elapsed (s)" = "elapsed"\n'
    with pytest.raises(
        ExportError, match=r"expected profile\.start, or \"start\" in \[profile\.columns\] for '# Start' of"
    ):
        read(text, elapsed)
    for name in ("Start", "# Start"):
        assert moments(read(text, f'{elapsed}"{name}" = "start"')) == ["2026-03-20 09:00:00", "2026-03-20 09:01:05"]


def test_marks_of_a_missing_value_are_the_profiles(read: WithProfile) -> None:
    text = "Sample;Date;KV40 (cSt);KV100 (cSt)\nOak 46;2026-03-17;n.d.;6.87\nOak 68;2026-03-17;68.1;--\n"
    assert len(read(text).refusals) == 2
    reading = read(text, 'missing = ["n.d.", "--"]')
    assert not reading.refusals
    assert reading.table["kinematic_viscosity_mm2_s"].tolist() == [6.87, 68.1]


@pytest.mark.parametrize(
    ("text", "columns"),
    [
        ("Sample;T (C);KV (cSt);Density (g/mL);Density (kg/m3)\nYew 46;40.0;46.00;0.8570;857.0\n", ["Density (kg/m3)"]),
        ("Sample;Sampled;Analysed;KV40\nYew 46;16/03/26;17/03/26;46.05\n", ["Sampled", "Analysed", "KV40"]),
        ("Year;Month;Day;Sample;T (C);KV (cSt)\n2026;3;21;Oak 46;40.0;46.05\n", ["Year", "Month", "Day"]),
    ],
)
def test_what_stands_twice_or_in_parts_is_proposed(tmp_path: Path, text: str, columns: list[str]) -> None:
    (tmp_path / "x.csv").write_text(text, "utf-8")
    proposal = propose_profile(tmp_path / "x.csv")
    assert proposal.profile is not None
    assert [*proposal.profile.columns] == columns
    assert ("QUESTION: is it this" in proposal.toml) == ("ignored" in {one.holds for one in proposal.guesses})
    assert proposal.outcome.startswith("1 row read, 0 refused")


def test_why_no_row_is_read_is_said_where_no_profile_helps(tmp_path: Path) -> None:
    (tmp_path / "x.csv").write_text("Sample;Date;T (C);KV (cSt)\nOak 46;25.03.2026 08.75;40.0;46.1\n", "utf-8")
    with pytest.raises(
        ExportError, match=r"0 rows read, 1 refused; x\.csv, line 2, column 'Date': '25\.03\.2026 08\.75'"
    ):
        propose_profile(tmp_path / "x.csv")
