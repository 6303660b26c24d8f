"""A small laboratory of our own for the tests of judgement: one instrument, one reference oil, one product."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from labcalc.judgement import Judgement, gather, judge

LAB = """
[laboratory]
name = "Quay Laboratory"
time_zone = "Europe/Lisbon"
earlier_exports = ["record/*.csv"]

[[reference]]
name = "Reference oil"
samples = ["RO-*"]
[[reference.lot]]
lot = "A"
valid_from = 2026-01-01
valid_to = 2026-03-31
certified = [
  { quantity = "kinematic viscosity", temperature_C = 40, value = 50.00, expanded_uncertainty = 0.10 },
  { quantity = "density", temperature_C = 40, value = 850.00, expanded_uncertainty = 0.10 },
]

[[product]]
name = "Oil 46"
samples = ["S-*"]
precision_class = "formulated oils"
specification = "House specification 46"
limit = [
  { quantity = "kinematic viscosity", temperature_C = 40, lowest = 41.4, highest = 50.6, decimals = 1 },
  { quantity = "viscosity index", lowest = 90, decimals = 0 },
]
typical = [
  { quantity = "density", temperature_C = 40, mean = 858.0, standard_deviation = 0.5 },
]

[report]
temperatures_C = [60, 0]
expanded_uncertainty_percent = 0.5
expanded_uncertainty_density_kg_m3 = 0.3
reference_age_h = 12
"""

HEADER = "Run,Sample,Date,Instrument,Temperature (°C),Kinematic viscosity (mm²/s),Density (kg/m³)\n"

REFERENCE = "R1,RO-1,2026-03-02 07:00,VD,40,50.05,850.05\n"

GOOD = "S1,S-1,2026-03-02 08:00,VD,40,46.12,858.1\nS1,S-1,2026-03-02 08:10,VD,100,6.870,819.9\n"

Judge = Callable[..., Judgement]


@pytest.fixture
def judged(tmp_path: Path) -> Judge:
    """Judge run S1 of an export, with a reference-oil export as the record."""

    def call(
        export: str = GOOD, record: str = REFERENCE, run: str = "S1", lab: str = LAB, header: str = HEADER
    ) -> Judgement:
        (tmp_path / "lab.toml").write_text(lab, encoding="utf-8")
        (tmp_path / "record").mkdir(exist_ok=True)
        (tmp_path / "record" / "past.csv").write_text(HEADER + record, encoding="utf-8")
        (tmp_path / "today.csv").write_text(header + export, encoding="utf-8")
        return judge(gather([tmp_path / "today.csv"], tmp_path / "lab.toml").dossier(run))

    return call
