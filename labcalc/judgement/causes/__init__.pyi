"""The public names of the room, and the module that each lives in; read by type checkers, and by Python on use."""

from .catalogue import (
    BEYOND as BEYOND,
    CAUSES as CAUSES,
    PRIOR_ODDS as PRIOR_ODDS,
    Cause as Cause,
    LaboratoryOdds as LaboratoryOdds,
    Reliability as Reliability,
    laboratory_odds as laboratory_odds,
    reliability as reliability,
)
from .evidence import KINDS as KINDS, Evidence as Evidence, HouseProduct as HouseProduct, ReferenceOil as ReferenceOil
from .evidence_from_dossier import evidence_of as evidence_of
from .expectation import Liquid as Liquid
from .explanation import (
    Explanation as Explanation,
    LeadingCause as LeadingCause,
    WhatIf as WhatIf,
    leading_cause as leading_cause,
    rank_causes as rank_causes,
    what_if as what_if,
    with_measurement as with_measurement,
)
from .next_measurement import Candidate as Candidate, NextMeasurement as NextMeasurement, candidates as candidates
from .surroundings import Before as Before, InstrumentBias as InstrumentBias, Noise as Noise
