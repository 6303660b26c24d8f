"""Units in many spellings, against the definitions: SI Brochure (2019); NIST SP 811 (2008), appendix B (memory)."""

from __future__ import annotations

import pytest

from labcalc.exports.grammar.units import relative_to_water, unit_of

SPELLINGS = {
    ("kinematic viscosity", 1.0): "mm²/s|mm2/s|mm^2/s|mm² s⁻¹|mm2·s-1|s-1 mm2|mm2 per s|mm2_s|MM2/S|mm²/sec|cSt|CST|"
    "centistokes",
    ("kinematic viscosity", 100.0): "cm²/s|St|Stokes|cm2 s^-1",
    ("kinematic viscosity", 1e6): "m²/s|m2·s⁻¹|m^2/s",
    (
        "dynamic viscosity",
        1.0,
    ): "mPa·s|mPas|mPa s|mPa.s|mPa*s|mPa-s|MPAS|mPa×s|mN·s/m²|mPa_s|s·mPa|cP|cps|centipoise|g/(m·s)",
    ("dynamic viscosity", 1000.0): "Pa·s|Pas|N·s/m²|N s m-2|kg/(m·s)|kg m⁻¹ s⁻¹|PA.S",
    ("dynamic viscosity", 100.0): "P|Poise|g/(cm·s)|g cm-1 s-1",
    ("density", 1.0): "kg/m³|kg m-3|kg·m⁻³|kg/cbm|g/l|g/L|g/dm³|kg_m3|kg per m3|gl-1",
    ("density", 1000.0): "g/cm³|g/ml|gml-1|g cm^-3|g/cc|gm/cc|kg/l|kg/dm³|t/m³|G/CM3|grams per ml|g/ccm",
    ("density", 16.01846): "lb/ft³|lb/cuft|lbs/ft3",
    ("density", 119.8264): "lb/gal (US)|lb/US gal|lb/usgal",
    ("temperature", 1.0): "°C|C|deg C|deg. C|degC|Celsius|Grad C|degrees C|º C|℃",
}


@pytest.mark.parametrize("what", SPELLINGS, ids=str)
def test_units_in_any_spelling(what: tuple[str, float]) -> None:
    kind, factor = what
    for written in SPELLINGS[what].split("|"):
        for text in (written, f"({written})", f" [{written}] "):
            unit = unit_of(text)
            assert unit is not None, text
            assert (unit.kind, unit.factor) == (kind, pytest.approx(factor, rel=5e-7 if factor % 1 else 0.0)), text


@pytest.mark.parametrize(
    "text", ["", "mm", "s", "MPa·s", "mm²/s²", "kg/m³/K", "g/100 ml", "kg", "n", "m/s", "x" * 10_000]
)
def test_what_is_no_unit_of_these(text: str) -> None:
    assert unit_of(text) is None


def test_a_gallon_of_no_country_is_no_unit_of_density() -> None:
    """A US gallon is 3.785 L, an imperial one 4.546 L (NIST SP 811)."""
    unit = unit_of("lb/gal")
    assert unit is not None
    assert unit.kind != "density"


@pytest.mark.parametrize(("gravity", "density"), [(10, 999.016), (17.785, 946.918739324), (19.4, 936.784387011)])
def test_api_gravity(gravity: float, density: float) -> None:
    """API MPMS 11.1-2004, 11.1.5.1, published examples (seen)."""
    unit = unit_of("°API")
    assert unit is not None
    assert unit.converted(gravity) == pytest.approx(density, abs=5e-10)
    assert unit.converted(-200.0) != unit.converted(-200.0)


@pytest.mark.parametrize(
    ("water_C", "density"), [(4.0, 999.974948), (20.0, 998.206746), (60 * 5 / 9 - 160 / 9, 999.016)]
)
def test_water_that_densities_are_relative_to(water_C: float, density: float) -> None:
    """Tanaka 2001 (by chempy 0.10.2, seen); 60 °F: API MPMS 11.1-2004."""
    unit = relative_to_water(round(water_C, 9))
    assert unit is not None
    assert unit.factor == pytest.approx(density, abs=6e-7)


@pytest.mark.parametrize("water_C", [-9.4, 60.0])
def test_water_of_no_known_density(water_C: float) -> None:
    assert relative_to_water(water_C) is None
