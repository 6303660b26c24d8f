"""Classes of products: what they bring, the limits of standards, and what lab.toml may write.

Limits: EN 590, EN 14214:2012, ASTM D975, D6751, SAE J300, ISO 3448, ISO 8217:2017, IEC 60296:2020 (copies, seen).
"""

from __future__ import annotations

import math

import pytest

from labcalc.errors import SettingsError
from labcalc.formulae import COMMODITIES
from labcalc.lab import (
    grade_systems,
    laboratory_from,
    method_of,
    product_classes,
    published_precision,
    quantities_of,
    standard_limits,
)
from labcalc.lab.classes import all_quantities, standards_for

KV, RHO = "kinematic viscosity", "density"

HEAD = '[laboratory]\nname = "Quay Laboratory"\ntime_zone = "Europe/Lisbon"\n'

PRODUCT = HEAD + '[[product]]\nname = "Oil"\nsamples = ["S-*"]\n'


def test_every_class_is_whole() -> None:
    classes, known = product_classes(), all_quantities()
    precision = {one.precision_class for one in published_precision()} | {""}
    assert next(iter(classes)) == "base oil"
    assert len(classes) == 13
    assert len(set(known)) == len(known)
    for one in classes.values():
        assert [name for name in known if name in one.quantities] == sorted(one.quantities, key=known.index)
        assert set(one.quantities) <= set(known)
        assert one.precision_class in precision
        assert one.commodity in COMMODITIES
        for standard in one.standards:
            assert any(asked.partition(", ")[0] == standard for asked in standards_for(one.name))
    assert {one.quantity for one in grade_systems()} <= set(known)


@pytest.mark.parametrize("fuel", ["gas oil", "biodiesel", "jet fuel", "residual marine fuel", "crude"])
def test_no_index_gravity_constant_or_molar_mass_of_a_fuel(fuel: str) -> None:
    """Made for lubricating oils and straight fractions (ASTM D2270, D2501, D2502): common practice of the trade."""
    asked = quantities_of(fuel, "refined product")
    without = {
        "viscosity index",
        "ISO viscosity grade",
        "viscosity-gravity constant",
        "molar mass",
        "Saybolt viscosity",
    }
    assert without.isdisjoint(asked)
    assert ("CCAI" in asked) == (fuel == "residual marine fuel")


def test_changes_add_and_leave_out_in_their_order() -> None:
    base = quantities_of("engine oil", "lubricating oil")
    changed = quantities_of("engine oil", "lubricating oil", ["+molar mass", "-viscosity index", "-molar mass"])
    assert changed == tuple(one for one in base if one != "viscosity index")
    assert quantities_of("", "crude oil", ["+CCAI"])[-1] == "CCAI"


@pytest.mark.parametrize(
    ("standard", "limits"),
    [
        ("EN 590", [(KV, 40.0, 2.0, 4.5, 3), (RHO, 15.0, 820.0, 845.0, 1)]),
        ("EN 590, arctic class 4", [(KV, 40.0, 1.2, 4.0, 3), (RHO, 15.0, 800.0, 840.0, 1)]),
        ("EN 14214", [(KV, 40.0, 3.5, 5.0, 2), (RHO, 15.0, 860.0, 900.0, 0)]),
        ("ASTM D975, No. 2-D", [(KV, 40.0, 1.9, 4.1, 1)]),
        ("ASTM D6751", [(KV, 40.0, 1.9, 6.0, 1)]),
        ("ASTM D1655", [(KV, -20.0, None, 8.0, 3), (RHO, 15.0, 775.0, 840.0, 1)]),
        (
            "ISO 8217, RMG 380",
            [(KV, 50.0, None, 380.0, 1), (RHO, 15.0, None, 991.0, 1), ("CCAI", None, None, 870.0, 0)],
        ),
        ("ISO 8217, DMA", [(KV, 40.0, 2.0, 6.0, 3), (RHO, 15.0, None, 890.0, 1)]),
        ("SAE J300, SAE 40", [(KV, 100.0, 12.5, 16.29, 2)]),
        ("SAE J306, SAE 250", [(KV, 100.0, 41.0, None, 2)]),
        ("ISO 3448, VG 46", [(KV, 40.0, 41.4, 50.6, 2)]),
        ("IEC 60296", [(KV, -30.0, None, 1800.0, 0), (KV, 40.0, None, 12.0, 0), (RHO, 20.0, None, 895.0, 0)]),
    ],
)
def test_limits_of_a_standard(standard: str, limits: list[tuple[str, float | None, float | None, float, int]]) -> None:
    found = [
        (one.quantity, one.temperature_C, one.lowest, one.highest, one.decimals) for one in standard_limits()[standard]
    ]
    plain = [tuple(None if isinstance(x, float) and math.isnan(x) else x for x in one) for one in found]
    assert plain == limits
    assert {one.mark for one in standard_limits()[standard]} == {"seen"}


def test_a_class_brings_what_the_product_does_not_say() -> None:
    (brought,) = laboratory_from(PRODUCT + 'class = "gas oil"').products
    assert (brought.precision_class, brought.commodity, brought.limits) == ("gas oils", "refined product", ())
    own = 'class = "gas oil"\nprecision_class = "jet fuels"\ncommodity = "crude oil"'
    (stated,) = laboratory_from(PRODUCT + own).products
    assert (stated.precision_class, stated.commodity) == ("jet fuels", "crude oil")
    (bare,) = laboratory_from(PRODUCT).products
    assert (bare.class_, bare.precision_class, bare.commodity) == ("", "", "lubricating oil")


def test_limits_of_a_standard_hold_where_the_product_has_none_of_its_own() -> None:
    own = 'standard = "EN 590"\nlimit = [{ quantity = "density", temperature_C = 15, lowest = 830, decimals = 1 }]'
    (product,) = laboratory_from(PRODUCT + own).products
    assert [(one.quantity, one.lowest, one.source) for one in product.limits] == [
        ("density", 830.0, ""),
        (KV, 2.0, "EN 590 before 2022, temperate climate"),
    ]


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ('class = "gasoil"', "product[1].class: 'gasoil': one of 'base oil', .* is expected; did you mean 'gas oil'"),
        (
            'class = "biodiesel"\nstandard = "EN 590"',
            "product[1].standard: 'EN 590': one of 'EN 14214', 'ASTM D6751' is expected",
        ),
        ('class = "crude"\nstandard = "EN 590"', "product[1].standard: 'EN 590': no limits of crude are known here"),
        ('standard = "EN 591"', "product[1].standard: 'EN 591': one of .*; did you mean 'EN 590'"),
        (
            'quantities = ["+molar mas"]',
            "product[1].quantities[1]: '+molar mas': + or - is expected before one of viscosity index, .*; did "
            "you mean 'molar mass'",
        ),
        ('[report]\nquantities = ["CCAI"]', "report.quantities[1]: 'CCAI': + or - is expected before one of"),
        (
            '[[instrument]]\nname = "VD"\nmethods = ["ASTM D7043"]',
            "instrument[1].methods[1]: 'ASTM D7043': one of 'ASTM D445', .*; did you mean 'ASTM D7042'",
        ),
    ],
)
def test_a_mistake_is_named(line: str, message: str) -> None:
    escaped = message.replace("[", r"\[").replace("]", r"\]").replace("+", r"\+")
    with pytest.raises(SettingsError, match=escaped):
        laboratory_from(PRODUCT + line)


def test_the_first_method_for_the_quantity_holds() -> None:
    lab = laboratory_from(HEAD + '[[instrument]]\nname = "VD"\nmethods = ["ISO 12185", "ASTM D7042"]')
    assert method_of(lab, "VD", RHO) == "ISO 12185, edition 1996"
    assert method_of(lab, "VD", KV) == "ASTM D7042, edition 2004 to 2021"
    assert method_of(lab, "other", KV) == ""
