"""A small invented laboratory whose lab.toml may be altered by replacements."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from labcalc.lab import Laboratory, load_laboratory

LAB = """
[laboratory]
name = "Harbour Laboratory"
time_zone = "Europe/Lisbon"
earlier_exports = ["exports/*"]

[[instrument]]
name = "VD-1"

[[profile]]
name = "weekly"
files = ["vd2_*.csv"]
encoding = "cp1252"
delimiter = ";"
decimal = ","
date_order = "day-month-year"
[profile.columns]
"Charge" = "lot"
"V40" = { holds = "kinematic viscosity", unit = "mm²/s", temperature_C = 40 }

[[reference]]
name = "Oil L"
samples = ["REF-L*"]
[[reference.lot]]
lot = "A"
valid_from = 2026-01-01
valid_to = 2026-06-30
[[reference.lot.certified]]
quantity = "kinematic viscosity"
temperature_C = 40
value = 45.98
expanded_uncertainty = 0.09
[[reference.lot]]
lot = "B"
valid_from = 2026-06-01
valid_to = 2027-12-31
[[reference.lot.certified]]
quantity = "density"
temperature_C = 40
value = 850.1
expanded_uncertainty = 0.1
coverage_factor = 2.5

[[product]]
name = "HX 46"
samples = ["HX46-*"]
precision_class = "formulated oils"
[[product.limit]]
quantity = "kinematic viscosity"
temperature_C = 40
lowest = 41.4
highest = 50.6
decimals = 1
[[product.limit]]
quantity = "viscosity index"
lowest = 95
decimals = 0

[[product]]
name = "Any HX"
samples = ["HX*"]

[[precision]]
class = "formulated oils"
quantity = "kinematic viscosity"
temperature_C = 40
repeatability = { factor = 0.005 }
source = "own duplicates"

[report]
temperatures_C = [20, 60]
"""

Load = Callable[..., Laboratory]


@pytest.fixture
def load(tmp_path: Path) -> Load:
    def call(old: str = "", new: str = "") -> Laboratory:
        assert old in LAB
        (tmp_path / "lab.toml").write_text(LAB.replace(old, new, 1) if old else LAB + new, encoding="utf-8")
        return load_laboratory(tmp_path / "lab.toml")

    return call
