"""Precision statements: the data file is whole, and gives the figures of the standards."""

from __future__ import annotations

import numpy as np
import pytest

from labcalc.lab import (
    Laboratory,
    Precision,
    PrecisionFunction,
    PrecisionStatement,
    precision_for,
    published_precision,
)

STATEMENTS = published_precision()


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
        assert len({(s.method, s.edition) for s in STATEMENTS if s.quantity == quantity and s.default}) == 1


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
