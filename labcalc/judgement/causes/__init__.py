"""From a strange result to the few causes that the numbers allow."""

from __future__ import annotations

from labcalc.judgement.causes.adding import with_measurement
from labcalc.judgement.causes.catalogue import CAUSES, PRIOR_ODDS, Cause, SizeScale
from labcalc.judgement.causes.context import Before, InstrumentBias, Noise
from labcalc.judgement.causes.discrimination import Candidate, Outcome, candidates, expected_outcomes
from labcalc.judgement.causes.evidence import KINDS, Evidence, HouseProduct, ReferenceOil
from labcalc.judgement.causes.explanation import (
    Explanation,
    LeadingCause,
    NextMeasurement,
    leading_cause,
    rank_causes,
)
from labcalc.judgement.causes.gathering import evidence_of
from labcalc.judgement.causes.liquids import Liquid
from labcalc.judgement.causes.screening import Screened, screen
from labcalc.judgement.causes.what_if import WhatIf, what_if

__all__ = [
    "CAUSES",
    "KINDS",
    "PRIOR_ODDS",
    "Before",
    "Candidate",
    "Cause",
    "Evidence",
    "Explanation",
    "HouseProduct",
    "InstrumentBias",
    "LeadingCause",
    "Liquid",
    "NextMeasurement",
    "Noise",
    "Outcome",
    "ReferenceOil",
    "Screened",
    "SizeScale",
    "WhatIf",
    "candidates",
    "evidence_of",
    "expected_outcomes",
    "leading_cause",
    "rank_causes",
    "screen",
    "what_if",
    "with_measurement",
]
