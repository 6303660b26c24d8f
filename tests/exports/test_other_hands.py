"""Exports by other hands: taken, or refused in words, proposed, pasted into an empty lab.toml, and then read."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

import pandas as pd
import pytest
import xlsxwriter

from labcalc.errors import ExportError, SettingsError
from labcalc.exports import QUANTITY_COLUMNS, Reading, propose_profile
from labcalc.judgement import review_setup
from labcalc.lab import load_laboratory, read

TIMES_WITH_POINTS = """Messprotokoll;;;;;;;
Gerät:;VM-2;;;;;;
Gedruckt am:;03.03.2026 16:12;;;;;;
;;;;;;;
Nr.;Probe;Datum;Uhrzeit;Messtemp. [°C];kin. Visk. [mm²/s];Dichte [g/cm³];Prüfer
1;Hydraulik 46 L-2203;03.03.2026;08.15;40,00;46,12;0,8701;kr
2;Hydraulik 46 L-2203;03.03.2026;08.22;40,00;46,15;0,8702;kr
;Mittelwert;;;;46,135;0,87015;
3;Turbinenöl 32 L-0917;03.03.2026;09.05.30;40,00;31,88;0,8612;kr
"""
A_ROW_A_PARAMETER = """Sample ID,Product,Collected,Analyte,Result,Units,Analyst,Status
S26-00141,Gear oil,2026-03-02 09:14,Kinematic viscosity @ 40C,219.8,mm2/s,MT,Valid
S26-00141,Gear oil,2026-03-02 09:14,Density @ 15C,893.4,kg/m3,MT,Approved
S26-00142,Engine oil,2026-03-02 10:02,Kinematic viscosity @ 40C,107.1,mm2/s,MT,Valid
S26-00142,Engine oil,2026-03-02 10:02,Kinematic viscosity @ 100C,44.2,mm2/s,MT,Invalid
S26-00142,Engine oil,2026-03-02 10:02,Kinematic viscosity @ 100C,14.35,mm2/s,MT,Valid
"""
EXCHANGED = """sample;time;temp_C;KV_mm2_s;DV_mPa_s;density_g_cm3
Turbine 46 a;2026-02-02T08:11;40;40.05;46.02;0.8702
Turbine 46 b;2026-02-02T08:31;40;40.18;46.14;0.8708
"""
AS_ABOVE = """Monster;Meetdatum;Temperatuur °C;Kin. viscositeit mm2/s;Dyn. viscositeit mPa.s;Dichtheid g/cm3
Smeerolie A1;16-3-2026 08:12;40;45,21;39,33;0,8700
;16-3-2026 08:20;40;45,25;39,37;0,8700
;16-3-2026 08:41;100;6,712;5,575;0,8306
Smeerolie A2;16-3-2026 09:15;40;68,40;60,12;0,8790
"""
REPEATS_BESIDE_THEIR_MEAN = [
    ["Week 9, viscometer 2"],
    ["Lab no.", "Sample", "Date", "Kin. viscosity 40 °C, mm²/s", None, None, "Density 15 °C, kg/m³"],
    [None, None, None, "1st", "2nd", "Mean", None],
    ["9/1", "Compressor 100", 46077.5, 100.2, 100.5, 100.35, 878.2],
    ["9/3", "Slideway 68", 46079.25, 67.9, 68.1, 68.0, 882.4],
]
STATUS = "Sample;Date;T (°C);KV (mm²/s);{}\nA;2026-03-02;40;15.01;{}\nB;2026-03-02;40;15.02;{}\n"


def workbook(path: Path, rows: Sequence[Sequence[object]], **options: object) -> Path:
    with xlsxwriter.Workbook(str(path), options) as book:
        sheet = book.add_worksheet("Results")
        for line, row in enumerate(rows):
            sheet.write_row(line, 0, ["" if cell is None else cell for cell in row])
    return path


def pasted(path: Path) -> Reading:
    """Propose, add it to a lab.toml that isn't there yet, and read."""
    lab = path.with_name("lab.toml")
    lab.write_text(propose_profile(path).toml, "utf-8")
    return read(path, lab)


def results(reading: Reading) -> list[tuple[object, ...]]:
    table = reading.table.sort_values(["source_line", "temperature_C", "replicate"])
    columns = table[["sample", "temperature_C", *QUANTITY_COLUMNS.values()]].round(3)
    return list(columns.astype(object).where(columns.notna(), None).itertuples(index=False, name=None))


def text(tmp_path: Path, content: str) -> Path:
    path = tmp_path / "x.csv"
    path.write_text(content, "utf-8")
    return path


def test_times_with_points_and_a_mean_between_the_rows(tmp_path: Path) -> None:
    reading = pasted(text(tmp_path, TIMES_WITH_POINTS))
    assert (reading.refusals, reading.sources[0].set_aside) == ((), (8,))
    assert reading.table["measured_at"].dt.strftime("%H:%M:%S").tolist() == ["08:15:00", "08:22:00", "09:05:30"]
    assert reading.table["kinematic_viscosity_mm2_s"].tolist() == [46.12, 46.15, 31.88]


def test_a_row_a_parameter_with_its_status(tmp_path: Path) -> None:
    path = text(tmp_path, A_ROW_A_PARAMETER)
    assert results(pasted(path)) == [
        ("S26-00141", 15.0, None, None, 893.4),
        ("S26-00141", 40.0, 219.8, None, None),
        ("S26-00142", 40.0, 107.1, None, None),
        ("S26-00142", 100.0, 14.35, None, None),
    ]
    lab = path.with_name("lab.toml")
    lab.write_text(lab.read_text("utf-8").replace('set_aside = ["Invalid"]\n', ""), "utf-8")
    assert [(one.line, one.value) for one in read(path, lab).refusals] == [(5, "Invalid")]


def test_viscosities_exchanged_are_refused_and_proposed(tmp_path: Path) -> None:
    path = text(tmp_path, EXCHANGED)
    with pytest.raises(ExportError, match="columns 'KV_mm2_s' and 'DV_mPa_s' look exchanged"):
        read(path)
    reading = pasted(path)
    assert reading.table["kinematic_viscosity_mm2_s"].tolist() == [46.02, 46.14]
    assert reading.table["measured_at"].dt.minute.tolist() == [11, 31]
    right = EXCHANGED.replace("40.05;46.02", "46.02;40.05")
    assert [one.line for one in read(text(tmp_path, right)).refusals] == [3]  # one of two rows: a slip of its own


def test_blanks_beneath_a_sample(tmp_path: Path) -> None:
    path = text(tmp_path, AS_ABOVE)
    assert [one.line for one in read(path).refusals] == [3, 4]
    reading = pasted(path)
    assert [one[0] for one in results(reading)] == ["Smeerolie A1"] * 3 + ["Smeerolie A2"]
    assert reading.table["run"].nunique() == 2
    first_blank = AS_ABOVE.replace("Smeerolie A1;", ";")
    assert "as_above" not in propose_profile(text(tmp_path, first_blank)).toml


@pytest.mark.parametrize("temperature", ["40", ""])
def test_a_mean_without_a_name_is_not_proposed_as_a_repeat(tmp_path: Path, temperature: str) -> None:
    rows = f"A;2026-03-02;40;46,12\n;2026-03-02;40;46,18\n;;{temperature};46,15\n"
    path = text(tmp_path, "Sample;Date;T (°C);KV (mm²/s)\n" + rows + rows.replace("A", "B").replace("46,", "32,"))
    assert "as_above" not in propose_profile(path).toml
    assert [one.line for one in read(path).refusals] == [3, 4, 6, 7]


def test_repeats_beside_their_mean_under_a_head_of_two_lines(tmp_path: Path) -> None:
    reading = pasted(workbook(tmp_path / "x.xlsx", REPEATS_BESIDE_THEIR_MEAN))
    nu = reading.table.dropna(subset="kinematic_viscosity_mm2_s")
    assert nu["kinematic_viscosity_mm2_s"].tolist() == [100.2, 100.5, 67.9, 68.1]
    assert nu["replicate"].tolist() == [1, 2, 1, 2]
    assert nu["measured_at"].iloc[[0, 2]].dt.tz_convert(None).tolist() == [
        pd.Timestamp(2026, 2, 24, 12), pd.Timestamp(2026, 2, 26, 6)
    ]  # fmt: skip
    assert {"Lab no.", "Kin. viscosity 40 °C, mm²/s Mean"} <= {*reading.sources[0].unused}


@pytest.mark.parametrize(("is_1904", "year"), [(False, 2026), (True, 2030)])
def test_days_counted_in_cells_of_no_format(tmp_path: Path, is_1904: bool, year: int) -> None:
    """46,083 days after 30 December 1899 are 2 March 2026; after 1 January 1904, 3 March 2030."""
    rows = [["Sample", "Date", "Time", "T (°C)", "KV (mm²/s)"], ["A", 46083, 0.34375, 40, 15.01]]
    path = workbook(tmp_path / "x.xlsx", rows, date_1904=is_1904)
    when = read(path).table["measured_at"].iloc[0].tz_convert(None)
    assert when == datetime(year, 3, 3 if is_1904 else 2, 8, 15)  # noqa: DTZ001
    rows[1][1] = 12000
    assert "expected a date" in str(read(workbook(tmp_path / "x.xlsx", rows)).refusals[0])


@pytest.mark.parametrize(
    ("header", "good", "bad"),
    [
        ("Status", "valid", "invalid"),
        ("Status", "ok", "ABORTED (bubble)"),
        ("Valid?", "yes", "No"),
        ("Test status", "no error", "void"),
        ("Gültigkeit", "gültig", "ungültig"),
        ("Statut", "valide", "Annulée"),
        ("Estado", "válido", "no válido"),
        ("Esito", "valido", "non valido"),
        ("Situação", "válido", "inválido"),
        ("Geldigheid", "geldig", "ongeldig"),
        ("Giltighet", "giltig", "ogiltig"),
        ("Ważność", "ważny", "nieważny"),
    ],
)
def test_what_the_laboratory_calls_invalid_is_not_taken(tmp_path: Path, header: str, good: str, bad: str) -> None:
    path = text(tmp_path, STATUS.format(header, good, bad))
    reading = read(path)
    assert [(one.line, one.column, one.value) for one in reading.refusals] == [(3, header, bad)]
    assert reading.sources[0].unused == (header,)
    assert pasted(path).sources[0].set_aside == (3,)
    lab = path.with_name("lab.toml")
    lab.write_text(f'[[profile]]\nname = "x"\nfiles = ["*"]\ncolumns."{header}" = "ignored"\n', "utf-8")
    assert len(read(path, lab).table) == 2


def test_a_temperature_above_the_header_is_held_against_the_column(tmp_path: Path) -> None:
    rows = "\nSample;T (°C);KV (mm²/s)\nA;100;7.21\nB;40.2;31.2\n"
    path = text(tmp_path, "Temperature: 40 °C\n" + rows)
    assert [str(one) for one in read(path).refusals] == [
        "x.csv, line 4, column 'T (°C)': '100': line 1, 'Temperature' has '40'; expected the two within 0.5 K, "
        'or "ignored" for one of them in [profile.columns] of lab.toml'
    ]
    lab = path.with_name("lab.toml")
    lab.write_text('[[profile]]\nname = "x"\nfiles = ["*"]\ncolumns."Temperature" = "ignored"\n', "utf-8")
    assert read(path, lab).table["temperature_C"].tolist() == [100.0, 40.2]


def test_a_gallon_of_no_country_is_a_question(tmp_path: Path) -> None:
    """7.25 lb/US gal are 868.74 kg/m³ (0.45359237 kg, 3.785411784 L, exact)."""
    path = text(tmp_path, "Sample,Date,T (F),Density (lb/gal)\nA,2026-03-02,104,7.25\n")
    with pytest.raises(ExportError, match="'lb/gal' is no unit of density"):
        read(path)
    assert 'unit = "lb/imp gal"' in propose_profile(path).toml
    assert pasted(path).table["density_kg_m3"].round(2).tolist() == [868.74]


def test_profiles_alone_make_a_lab_toml_but_nothing_else_does(tmp_path: Path) -> None:
    lab = tmp_path / "lab.toml"
    lab.write_text('[[profile]]\nname = "x"\nfiles = ["*"]\n', "utf-8")
    assert load_laboratory(lab).time_zone == "UTC"
    assert [one.finding for one in review_setup(lab).findings if one.place == "laboratory"] == [
        "nothing says it: times without an offset are taken for UTC"
    ]
    lab.write_text('[[instrument]]\nname = "VD-1"\n', "utf-8")
    with pytest.raises(SettingsError, match="laboratory: missing"):
        load_laboratory(lab)
