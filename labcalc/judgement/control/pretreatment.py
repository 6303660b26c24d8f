"""What a control chart plots: the difference from the certified value, so that levels and lots compare."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

import numpy as np
from numpy.typing import NDArray

from labcalc.judgement.certificates import SAME_TEMPERATURE_K, UNITS
from labcalc.lab import Laboratory, ReferenceLot, reference_of


def pretreated(
    first: Mapping[str, Any], values: NDArray[np.float64], certified: float, laboratory: Laboratory
) -> tuple[NDArray[np.float64], str, float, date | None]:
    """Return what is plotted, its unit, the certificate's expanded uncertainty (k = 2) in it, and its last day."""
    lot = _lot(str(first["sample"]), str(first["lot"]), laboratory)
    uncertainty = _uncertainty(lot, str(first["quantity"]), float(first["temperature_C"]))
    valid_to = None if lot is None else lot.valid_to
    if np.isnan(certified):
        return values, UNITS[first["quantity"]], uncertainty, valid_to
    if first["quantity"] == "density":
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
