"""What a control chart plots: the difference from the certified value, so that levels and lots compare."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from labcalc.judgement.certificates import SAME_TEMPERATURE_K, UNITS
from labcalc.lab import Laboratory, ReferenceLot, reference_of


@dataclass(frozen=True)
class Subject:
    """What a chart is about."""

    instrument: str
    oil: str
    quantity: str
    temperature_C: float
    lot: str
    sample: str  # the oil as exports write it


def pretreated(
    about: Subject, values: NDArray[np.float64], certified: float, laboratory: Laboratory
) -> tuple[NDArray[np.float64], str, float, date | None]:
    """Return what is plotted, its unit, the certificate's expanded uncertainty (k = 2) in it, and its last day."""
    lot = _lot(about.sample, about.lot, laboratory)
    uncertainty = _uncertainty(lot, about.quantity, about.temperature_C)
    valid_to = None if lot is None else lot.valid_to
    if np.isnan(certified):
        return values, UNITS[about.quantity], uncertainty, valid_to
    if about.quantity == "density":
        return values - certified, "kg/m³", uncertainty, valid_to
    return 100.0 * (values / certified - 1.0), "%", 100.0 * uncertainty / certified, valid_to


def _lot(sample: str, lot: str, laboratory: Laboratory) -> ReferenceLot | None:
    material = reference_of(laboratory, sample)
    lots = () if material is None else material.lots
    return next((one for one in lots if one.lot.casefold() == lot.strip().casefold()), None)


def _uncertainty(lot: ReferenceLot | None, quantity: str, temperature_C: float) -> float:
    for one in () if lot is None else lot.certified:
        if one.quantity == quantity and abs(one.temperature_C - temperature_C) <= SAME_TEMPERATURE_K:
            return one.expanded_uncertainty * 2.0 / one.coverage_factor
    return float("nan")
