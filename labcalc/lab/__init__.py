"""The laboratory's own record: lab.toml, names and lots, precision statements, earlier exports."""

from __future__ import annotations

from labcalc.lab.labels import label_runs, lot_in_use, product_of, reference_of
from labcalc.lab.laboratory import (
    CertifiedValue,
    Instrument,
    Laboratory,
    Limit,
    Precision,
    Product,
    ReferenceLot,
    ReferenceMaterial,
    ReportChoices,
    TypicalValue,
)
from labcalc.lab.precision import PrecisionFunction, PrecisionStatement, precision_for, published_precision
from labcalc.lab.record import earlier_export_files
from labcalc.lab.settings import load_laboratory

__all__ = [
    "CertifiedValue",
    "Instrument",
    "Laboratory",
    "Limit",
    "Precision",
    "PrecisionFunction",
    "PrecisionStatement",
    "Product",
    "ReferenceLot",
    "ReferenceMaterial",
    "ReportChoices",
    "TypicalValue",
    "earlier_export_files",
    "label_runs",
    "load_laboratory",
    "lot_in_use",
    "precision_for",
    "product_of",
    "published_precision",
    "reference_of",
]
