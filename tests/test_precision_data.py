"""Precision statements: the data file is whole, and gives the figures of the standards."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from labcalc.judgement.precision import precision_of_class
from labcalc.lab import (
    Instrument,
    Laboratory,
    Precision,
    PrecisionFunction,
    PrecisionStatement,
    method_of,
    precision_for,
    published_precision,
)

STATEMENTS = published_precision()

KV, RHO = "kinematic viscosity", "density"


@pytest.mark.parametrize("one", STATEMENTS, ids=lambda s: f"{s.method}:{s.edition}, {s.precision_class}")
def test_a_statement_is_whole(one: PrecisionStatement) -> None:
    assert one.method
    assert one.edition
    assert one.mark in ("seen", "memory")
    assert one.repeatability.factor > 0
    assert one.reproducibility.factor > 0
    x = np.array([1.0, 10.0, 400.0]) if one.quantity == "kinematic viscosity" else np.array([700.0, 950.0])
    assert (one.reproducibility.at(x) >= one.repeatability.at(x)).all()


def test_no_statement_stands_twice_and_one_edition_is_the_default() -> None:
    keys = [(s.method, s.edition, s.precision_class, s.quantity, str(s.temperature_C)) for s in STATEMENTS]
    assert len(set(keys)) == len(keys)
    for quantity in {s.quantity for s in STATEMENTS}:
        defaults = {(s.method, s.edition) for s in STATEMENTS if s.quantity == quantity and s.default}
        assert len(defaults) == (quantity != "dynamic viscosity")


@pytest.mark.parametrize(
    ("precision_class", "temperature_C", "x", "d", "r", "R"),
    [  # ISO 3104:1994, clause 14 with Cor.1:1997; worked to four decimals. Additives: exponent from memory
        ("gas oils", 40, 3.000, 0.0052, 0.0172, 0.0328),
        ("jet fuels", -20, 4.000, None, 0.0280, 0.0760),
        ("additives", 100, 200.0, 0.3601, 0.6523, 2.9285),
        ("base oils", 40, 73.30, None, 0.0806, 0.4765),
    ],
)
def test_iso_3104_1994(
    precision_class: str, temperature_C: float, x: float, d: float | None, r: float, R: float
) -> None:
    (one,) = (
        s
        for s in STATEMENTS
        if (s.method, s.edition, s.precision_class, s.temperature_C)
        == ("ISO 3104", "1994", precision_class, temperature_C)
    )
    for function, value in ((one.determinability, d), (one.repeatability, r), (one.reproducibility, R)):
        if value is not None:
            assert abs(float(function.at(x)) - value) <= 0.5e-4 + 1e-9


@pytest.mark.parametrize(
    ("method", "precision_class", "quantity", "temperature_C", "x", "r", "R"),
    [  # ASTM D7042, D1298, D4052, ISO 3104:2020 as written down without the standards at hand: all memory, worked here
        ("ASTM D7042", "base oils", KV, 40.0, 46.0, 0.04324, 0.26864),
        ("ASTM D7042", "base oils", KV, 100.0, 7.0, 0.00417, 0.03467),
        ("ASTM D7042", "base oils", RHO, 15.0, 870.0, 0.46, 1.5),
        ("ASTM D1298", "residual fuel oils", RHO, 40.0, 970.0, 0.6, 1.5),
        ("ISO 3675", "gas oils", RHO, 15.0, 835.0, 0.5, 1.2),
        ("ASTM D4052", "gas oils", RHO, 15.0, 835.0, 0.16, 0.52),
        ("ASTM D4052, edition 1996 and 2002", "gas oils", RHO, 15.0, 835.0, 0.1, 0.5),
        ("ISO 3104", "formulated oils", KV, 40.0, 46.0, 0.3404, 0.5612),
        ("ISO 3104, edition 1994", "gas oils", KV, 40.0, 3.0, 0.0172, 0.0328),
    ],
)
def test_the_method_of_the_instrument_says_which_statement_holds(
    method: str, precision_class: str, quantity: str, temperature_C: float, x: float, r: float, R: float
) -> None:
    lab = Laboratory(instruments=(Instrument("VD", methods=(method,)),))
    for instrument in ("vd", ""):
        one = precision_for(lab, precision_class, quantity, temperature_C, instrument)
        assert one is not None
        assert one.edition_title.startswith(method)
        assert float(one.repeatability.at(x)) == pytest.approx(r, abs=1e-5)
        assert float(one.reproducibility.at(x)) == pytest.approx(R, abs=1e-5)


def test_a_method_without_figures_leaves_none_in_force_but_the_laboratorys_own() -> None:
    instruments = (Instrument("A", methods=("ISO 23581",)), Instrument("B", methods=("ASTM D445", "ISO 12185")))
    lab = Laboratory(instruments=instruments)
    assert method_of(lab, "A", KV) == "ISO 23581, edition 2020 and 2024"
    assert method_of(lab, "", KV) == ""  # two that differ: nothing is said of any
    assert precision_for(lab, "base oils", KV, 40.0, "A") is None
    shipped = precision_for(lab, "base oils", KV, 40.0, "B")
    assert shipped is not None
    assert shipped.method == "ASTM D445"
    assert precision_of_class(lab, "base oils", KV, 40.0, 46.0, "A").why_not == (
        "no precision of ISO 23581, edition 2020 and 2024 is known here for kinematic viscosity of base oils: "
        "[[precision]] can state your own"
    )
    own = replace(lab, precision=(Precision("base oils", KV, 40.0, PrecisionFunction(0.005), "duplicates"),))
    in_force = precision_of_class(own, "base oils", KV, 40.0, 46.0, "A").statement
    assert in_force is not None
    assert in_force.mark == "laboratory"


def test_the_laboratory_comes_first() -> None:
    repeatability = PrecisionFunction(0.005)
    lab = Laboratory(precision=(Precision("base oils", "kinematic viscosity", 40.0, repeatability, "duplicates"),))
    own = precision_for(lab, "Base oils", "kinematic viscosity", 40.5)
    shipped = precision_for(lab, "base oils", "kinematic viscosity", 100.0)
    assert own is not None
    assert shipped is not None
    assert (own.mark, shipped.mark) == ("laboratory", "memory")
    assert precision_for(lab, "base oils", "kinematic viscosity", 40.6) is None
    density = precision_for(lab, "base oils", "density", 63.0)
    assert density is not None
    assert density.repeatability.at([800.0, 900.0]).tolist() == [0.2, 0.2]
    assert np.isnan(own.reproducibility.at(50.0))
