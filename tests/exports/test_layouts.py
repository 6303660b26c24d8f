"""Layouts that no header explains: refused without a profile, read with one. All laboratories are invented.

Expected values are read off the text by eye; °C = K - 273.15 (ITS-90), 1 cSt = 1 mm²/s, 1 cP = 1 mPa·s by definition.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import pytest
import xlsxwriter

from labcalc.errors import ExportError
from labcalc.exports import Reading, read_export
from labcalc.lab import load_laboratory

WithProfile = Callable[..., Reading]
NAN = math.nan


@pytest.fixture
def read(tmp_path: Path) -> WithProfile:
    """Read a text as an export, by a profile written as in lab.toml, or by none."""

    def write_and_read(text: str, profile: str = "", name: str = "x.txt") -> Reading:
        head = '[laboratory]\nname = "Invented"\ntime_zone = "Europe/Lisbon"\n'
        said = f'[[profile]]\nname = "p"\nfiles = ["*"]\n{profile}' if profile else ""
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
        "x.txt, line 8, column '100 °C KV': 'n. b.': expected a number with decimal comma"
    ]
    assert (reading.sources[0].rows_read, reading.sources[0].rows_refused) == (1, 1)
    assert "header in line 2, no rows: line 6, 7" in reading.sources[0].dialect


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
    assert "no rows: line 4" in reading.sources[0].dialect
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
        "x.txt, line 14, column 'Échantillon': expected the sample's name",
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
    assert str(broken.refusals[0]) == "x.txt, line 6, column 'P-2': 'zwölf': expected a number with decimal comma"


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
        "x.txt, line 7, column 'KV 3': 'x': expected a number with decimal point",
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
    assert "no rows: line 7, 8" in reading.sources[0].dialect


WIDTHS = """I-01    20260302  40.0  46.12 0.8583fine
I-02    20260302 100.0  6.871 0.8201
I-03    20260302  40.0        0.8511
"""


def test_fixed_widths_without_a_header(read: WithProfile) -> None:
    with pytest.raises(ExportError, match="there is no header"):
        read(WIDTHS)
    columns = """widths = [8, 8, 6, 7, 7, 10]
header_rows = 0
[profile.columns]
"column 1" = "sample"
"column 2" = "date"
"column C" = { holds = "temperature", unit = "°C" }
"column 4" = { holds = "kinematic viscosity", unit = "mm²/s" }
"column E" = { holds = "density", unit = "g/cm³" }
"column 6" = "remark"
"""
    reading = read(WIDTHS, columns)
    assert rows(reading) == [
        ("I-01", 40.0, 46.12, None, 858.3, 1, 1),
        ("I-02", 100.0, 6.871, None, 820.1, 1, 2),
        ("I-03", 40.0, None, None, 851.1, 1, 3),
    ]
    assert moments(reading)[0] == "2026-03-02 00:00:00"
    broken = read(WIDTHS.replace(" 6.871", "   n/a"), columns)
    assert str(broken.refusals[0]) == "x.txt, line 2, column 'column 4': 'n/a': expected a number with decimal point"


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
    with pytest.raises(ExportError, match="there is no header"):
        read(ELAPSED)
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
    with pytest.raises(ExportError, match=r"'Tijd \(min\)' holds elapsed time, but its start nothing states"):
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
    with pytest.raises(ExportError, match="there is no header"):
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
    with pytest.raises(ExportError, match="there is no header"):
        read("", "", "x.xlsx")
    reading = read("", profile, "x.xlsx")
    assert rows(reading) == [("W-1", 40.0, 46.12, None, 858.3, 1, 5), ("W-1", 40.0, 46.15, None, None, 2, 5)]
    assert [str(one) for one in reading.refusals] == [
        "x.xlsx, line 7, column 'Wert 2': 'k. A.': expected a number with decimal point"
    ]
    assert reading.sources[0].dialect == (
        "workbook, sheet 'Werte', decimal point, header in line 3, no rows: line 6, profile 'p'"
    )


def test_a_column_named_keeps_the_unit_of_its_header(read: WithProfile) -> None:
    text = "Flasche;Zähigkeit bei 40 °C (cSt);Dichtewert, g/cm³\nW-1;46,12;0,8583\n"
    columns = '"Zähigkeit*" = {{ holds = "kinematic viscosity", temperature_C = 40{} }}\n"Flasche" = "sample"\n'
    columns += '"Dichtewert, g/cm³" = {{ holds = "density", temperature_C = 40 }}'
    kept = read(text, "[profile.columns]\n" + columns.format(""))
    assert rows(kept)[0][2:5] == (46.12, None, 858.3)
    other = read(text, "[profile.columns]\n" + columns.format(', unit = "m²/s"'))
    assert str(other.refusals[0]).endswith("expected a kinematic viscosity from 0.1 to 10000000 mm²/s")
