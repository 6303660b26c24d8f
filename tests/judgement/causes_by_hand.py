"""Evidence put together by hand: an oil of 46 mm²/s at 40 °C, 6.9 at 100 °C, and what is known around it."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from labcalc.judgement.causes import Evidence
from labcalc.judgement.causes.catalogue import Paths
from labcalc.judgement.causes.evidence import ReferenceOil, Row, Setting, assembled
from labcalc.judgement.causes.expectation import Course, Expectation, Liquid, Node
from labcalc.judgement.causes.surroundings import Before, Noise
from labcalc.judgement.causes.temperature_and_air import paths_of

Array = NDArray[np.float64]

KV, RHO = "kinematic viscosity", "density"

VISCOSITY = Course((Node(40.0, math.log(46.0), 0.010), Node(100.0, math.log(6.9), 0.006)), 0.95)
DENSITY = Course((Node(40.0, 858.0, 0.5), Node(100.0, 820.0, 0.6)), 0.98)
TYPICAL = Expectation("typical", "typical values of Oil 46", VISCOSITY, DENSITY, "lubricating oil")

BEFORE = Before("T-1", 1.5, Liquid("T-1", ((40.0, 460.0), (100.0, 31.0)), ((40.0, 890.0), (100.0, 855.0))))
OIL = ReferenceOil(
    Liquid("RO-1 lot A", ((40.0, 50.0), (100.0, 7.5)), ((40.0, 850.0),)),
    ((40.0, 0.001), (100.0, 0.002)),
    ((40.0, 0.05),),
)

FOUR = ((KV, 40.0), (RHO, 40.0), (KV, 100.0), (RHO, 100.0))
USUAL = {(KV, 40.0): 46.0, (RHO, 40.0): 858.0, (KV, 100.0): 6.9, (RHO, 100.0): 820.0}


def run_of(*rows: Row, **setting: Any) -> Evidence:
    given: dict[str, Any] = {"run": "S1", "sample": "S-1", "product": "Oil 46", "course": TYPICAL, "coupled": None}
    given["noise"] = Noise(0.002, 0.05, "statement")
    return assembled(rows, Setting(**(given | setting)))


def row(quantity: str, temperature_C: float, measured: float | None = None, fill: int = 1, **more: str) -> Row:
    value = USUAL[quantity, temperature_C] if measured is None else measured
    return Row(quantity, temperature_C, fill, value, **more)


def usual(*places: tuple[str, float], **setting: Any) -> Evidence:
    """A run whose numbers are as expected, in one fill."""
    return run_of(*(row(*place) for place in (places or FOUR)), **setting)


def measured(**values: float) -> Evidence:
    """A run at 40 and 100 °C with some values of its own: ``kv40``, ``rho40``, ``kv100``, ``rho100``."""
    names = dict(zip(("kv40", "rho40", "kv100", "rho100"), FOUR, strict=True))
    return run_of(*(row(*place, values.get(name)) for name, place in names.items()))


def paths(cause: str, evidence: Evidence) -> Paths:
    (found,) = paths_of(evidence, {cause})
    return found


def ordinate(viscosity: float) -> float:
    """W = lg lg (ν + 0.7), ASTM D341-20, for 5 mm²/s and more, where the correction of Z is nothing."""
    return math.log10(math.log10(viscosity + 0.7))


def viscosity(W: float) -> float:
    return 10.0 ** (10.0**W) - 0.7
