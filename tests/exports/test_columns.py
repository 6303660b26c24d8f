"""What the reader does with the columns that a header's grammar tells apart."""

from __future__ import annotations

import pandas as pd
import pytest

from labcalc.errors import ExportError
from labcalc.exports import Column
from tests.exports.conftest import Read, without_hint


def failure(read: Read, text: str) -> str:
    with pytest.raises(ExportError) as refusal:
        read(text)
    return without_hint(refusal.value)


def test_an_export_in_each_language(read: Read) -> None:
    headers = {
        "en": "Sample ID,Date,Operator,Bath temp (°C),Kin. Vis. (mm²/s),Dens. [g/ml]",
        "de": "Proben-Nr.,Prüfdatum,Bediener,Badtemperatur (°C),Kin. Visk. [mm²/s],Dichte in g/ml",
        "fr": "Réf. échantillon,Date d'essai,Opérateur,T bain / °C,Visc. cin. (mm²/s),Masse vol. (g/ml)",
        "es": "Nº de muestra,Fecha,Analista,Temp. baño (°C),Viscosidad cinemática (mm²/s),Densidad (g/ml)",
        "it": "Campione,Data prova,Operatore,Temp. bagno (°C),Viscosità cinematica [mm²/s],Densità (g/ml)",
        "pt": "Amostra,Data do ensaio,Operador,Temp. do banho (°C),Visc. cinemática (mm²/s),Densidade (g/ml)",
        "nl": "Monsternummer,Meetdatum,Analist,Badtemperatuur (°C),Kin. viscositeit (mm²/s),Dichtheid (g/ml)",
        "sv": "Provnr,Mätdatum,Utförd av,Badtemperatur (°C),Kinematisk viskositet (mm²/s),Densitet (g/ml)",
        "pl": "Nr próbki,Data pomiaru,Wykonał,Temp. łaźni (°C),Lepkość kinematyczna [mm2/s],Gęstość (g/ml)",
    }
    tables = [read(f"{header}\nA,2026-03-02,Inês,40,46.12,0.8583\n").table for header in headers.values()]
    for table in tables:
        pd.testing.assert_frame_equal(table, tables[0])
    assert tables[0]["density_kg_m3"].tolist() == [858.3]


def test_the_temperature_as_read_counts_and_the_one_set_is_held_against_it(read: Read) -> None:
    reading = read("Sample;Set temp (°C);Bath temp (°F);KV (cSt)\nA;40;104.0;9.1\nB;40;106.0;9.2\nC;;104.0;9.3\n")
    assert reading.table["temperature_C"].tolist() == [40.0, 40.0]
    assert [str(one) for one in reading.refusals] == [
        "x.csv, line 3, column 'Bath temp (°F)': '106.0': column 'Set temp (°C)' has '40'; "
        'expected the two within 0.5 K, or "ignored" for one of them in [profile.columns] of lab.toml'
    ]


def test_half_a_kelvin_is_within(read: Read) -> None:
    reading = read("Sample;T soll (°C);T ist (°C);KV (cSt)\nA;40;40.5;9.1\nB;100.1;100.6;9.1\nC;40;40.51;9.1\n")
    assert [one.line for one in reading.refusals] == [4]


def test_a_set_temperature_alone_is_the_temperature(read: Read) -> None:
    assert read("Sample;Set temp (°C);KV (cSt)\nA;40;9.1\n").table["temperature_C"].tolist() == [40.0]
    reading = read("Set temperature: 40 °C\n\nSample;KV (cSt)\nA;9.1\n")
    assert reading.table["temperature_C"].tolist() == [40.0]
    assert "set temperature from above the header" in reading.sources[0].dialect


def test_a_set_temperature_above_the_header_is_held_against_the_rows(read: Read) -> None:
    reading = read("Set temperature (°C): 40\n\nSample;Temp. (°C);KV (cSt)\nA;40.01;9.1\nB;100;2.2\n")
    assert reading.table["temperature_C"].tolist() == [40.01]
    assert str(reading.refusals[0]) == (
        "x.csv, line 5, column 'Temp. (°C)': '100': line 1, 'Set temperature (°C)' has '40'; "
        'expected the two within 0.5 K, or "ignored" for one of them in [profile.columns] of lab.toml'
    )


def test_relative_density_and_api_gravity_are_densities_at_60_f(read: Read) -> None:
    """API MPMS 11.1-2004, 11.1.5.1: 19.4 °API is 936.784387 kg/m³ (seen); water has 999.016 kg/m³ at 60 °F."""
    for header, cell, density in (("API gravity", "19.4", 936.784387011), ("SG 60/60 °F", "0.85", 0.85 * 999.016)):
        table = read(f"Sample;{header}\nA;{cell}\n").table
        assert table["temperature_C"].tolist() == pytest.approx([140 / 9])
        assert table["density_kg_m3"].tolist() == pytest.approx([density], abs=1e-9)


def test_relative_density_to_water_at_4_c(read: Read) -> None:
    """Water at 4 °C: 999.974948 kg/m³ (Tanaka 2001 by chempy 0.10.2, seen)."""
    table = read("Sample;d 15/4\nA;0.8501\n").table
    assert table["temperature_C"].tolist() == [15.0]
    assert table["density_kg_m3"].tolist() == pytest.approx([0.8501 * 999.974948], abs=1e-6)


def test_no_density_has_such_a_gravity(read: Read) -> None:
    assert str(read("Sample;°API\nA;-140\n").refusals[0]) == (
        "x.csv, line 2, column '°API': '-140': expected a density from 300 to 2500 kg/m³"
    )


@pytest.mark.parametrize("header", ["SG", "Relative density at 15 °C", "Dichte, relative", "SG 20/60 °C"])
def test_a_relative_density_without_its_temperatures(read: Read, header: str) -> None:
    assert failure(read, f"Sample;{header}\nA;0.85\n") == (
        f"x.csv: column '{header}' has no temperatures of oil and water; expected them in its header, "
        "such as 'SG 60/60 °F', or \"ignored\" in [profile.columns] of lab.toml"
    )


def test_statistics_and_methods_are_named_and_not_taken(read: Read) -> None:
    reading = read("Sample;KV40 (cSt);Mean KV40 (cSt);s (cSt);KV40 max (cSt);Test method;Flash point (°C)\n"
                   "A;46.1;46.2;0.1;50;D445;220\n")  # fmt: skip
    assert reading.table["kinematic_viscosity_mm2_s"].tolist() == [46.1]
    assert reading.sources[0].read_as.endswith(
        "columns not used: Mean KV40 (cSt), s (cSt), KV40 max (cSt), Test method, Flash point (°C)"
    )


@pytest.mark.parametrize(
    "header", ["Delta KV (cSt)", "KV1 (cSt)", "Density of water (kg/m³)", "Oven (°C)", "ASTM D445"]
)
def test_a_column_with_such_a_unit_is_not_left_out(read: Read, header: str) -> None:
    text = f"Sample;KV40 (cSt);{header}\nA;46.1;1.0\n"
    assert failure(read, text) == (
        f"x.csv: column '{header}' is not understood, but has a unit of viscosity, density or temperature; "
        '[profile.columns] of lab.toml can say what it holds, or "ignored"'
    )


def test_a_column_whose_cells_have_such_units_is_not_left_out(read: Read) -> None:
    text = "Sample;KV40 (cSt);Rührer\nA;46.1;39.6 cP\nB;46.2;{}\n"
    assert "column 'Rührer' is not understood" in failure(read, text.format("39.7 mPa·s"))
    assert read(text.format("as A")).sources[0].unused == ("Rührer",)


def test_units_beneath_decide_what_the_headers_leave_open(read: Read) -> None:
    table = read("Sample;T;D;V;KV\n;°C;g/ml;mPa·s;cSt\nA;40;0.85;34.0;40.0\n").table
    assert table[["density_kg_m3", "dynamic_viscosity_mPa_s"]].to_numpy().tolist() == [[850.0, 34.0]]
    assert "column 'Oven' is not understood" in failure(read, "Sample;KV40;Oven\n;cSt;°C\nA;46.1;105\n")


def test_a_method_above_the_header_is_no_header(read: Read) -> None:
    table = read("Method;Kinematic viscosity\nTest;ASTM D445 at 40 °C\n\nSample;KV40 (cSt)\nA;46.1\n").table
    assert table["source_line"].tolist() == [5]


BESIDE = "Sample;Temp (C);KV40 (cSt);Density (kg/m3)\n"


def test_a_temperature_in_the_header_is_held_against_that_of_the_row(read: Read) -> None:
    """68.1 mm²/s · 863.1 kg/m³ = 58.777 mPa·s."""
    reading = read(BESIDE + "Oak 46;100.0;6.87;818.6\nOak 68;40.01;68.1;863.1\nOak 32;40.5;;860.1\n")
    (refusal,) = reading.refusals
    assert str(refusal).startswith(
        "x.csv, line 2, column 'Temp (C)': '100.0': column 'KV40 (cSt)' is for 40 °C; expected"
    )
    assert reading.table["temperature_C"].tolist() == [40.01, 40.5]
    assert reading.table["replicate"].tolist() == [1, 1]
    assert reading.table["dynamic_viscosity_mPa_s"].round(3).tolist()[0] == 58.777


def test_a_temperature_of_another_column_is_the_rows_own_where_headers_have_two_or_the_profile_has_it(
    read: Read,
) -> None:
    two = "Sample;Temp (C);KV40 (cSt);KV100 (cSt);Density (kg/m3)\nOak 46;15;46.1;6.87;872.1\n"
    assert read(two).table["temperature_C"].tolist() == [40.0, 100.0, 15.0]
    told = {"KV40 (cSt)": Column("kinematic viscosity", temperature_C=40.0)}
    assert read(BESIDE + "Oak 46;15;46.1;872.1\n", columns=told).table["temperature_C"].tolist() == [40.0, 15.0]
