"""The laboratory's own record: lab.toml, names and lots, precision statements, earlier exports."""

from __future__ import annotations

from labcalc.lab.decisions import DECISION_KINDS, Decision, add_decision, decisions_file, read_decisions
from labcalc.lab.labels import label_runs, lot_in_use, product_of, reference_of
from labcalc.lab.laboratory import (
    REPEAT_KINDS,
    Baseline,
    CertifiedValue,
    ConformityChoices,
    ControlChoices,
    DuplicateChoices,
    Instrument,
    Laboratory,
    Limit,
    Precision,
    PrecisionFunction,
    Product,
    ReferenceLot,
    ReferenceMaterial,
    ReportChoices,
    TypicalValue,
    Uncertainty,
)
from labcalc.lab.precision import PrecisionStatement, precision_for, published_precision
from labcalc.lab.record import earlier_export_files
from labcalc.lab.settings import load_laboratory

__all__ = [
    "DECISION_KINDS",
    "REPEAT_KINDS",
    "Baseline",
    "CertifiedValue",
    "ConformityChoices",
    "ControlChoices",
    "Decision",
    "DuplicateChoices",
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
    "Uncertainty",
    "add_decision",
    "decisions_file",
    "earlier_export_files",
    "label_runs",
    "load_laboratory",
    "lot_in_use",
    "precision_for",
    "product_of",
    "published_precision",
    "read_decisions",
    "reference_of",
]
