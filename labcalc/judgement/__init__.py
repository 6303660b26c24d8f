"""What the laboratory decides: is this run valid, is the instrument right, does the product comply."""

from __future__ import annotations

from labcalc.judgement.certificates import COMPARISON_COLUMNS, compare_with_certificates
from labcalc.judgement.checks import Check
from labcalc.judgement.consequences import Consequence
from labcalc.judgement.curves import Curve, density_curve, viscosity_curve
from labcalc.judgement.material import Dossier, Material, gather
from labcalc.judgement.results import UNITS, Result, reported_value
from labcalc.judgement.verdict import VERDICTS, Judgement, judge

__all__ = [
    "COMPARISON_COLUMNS",
    "UNITS",
    "VERDICTS",
    "Check",
    "Consequence",
    "Curve",
    "Dossier",
    "Judgement",
    "Material",
    "Result",
    "compare_with_certificates",
    "density_curve",
    "gather",
    "judge",
    "reported_value",
    "viscosity_curve",
]
