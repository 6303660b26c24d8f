"""The leading cause of every run at hand: what a month's runs would be asked about first.

The runs are put together from the whole record at once and weighed together where their layout is the same.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from labcalc.errors import EvidenceError
from labcalc.judgement.causes.catalogue import CAUSES, PRIOR_ODDS
from labcalc.judgement.causes.evidence import Evidence
from labcalc.judgement.causes.evidence_from_dossier import put_together
from labcalc.judgement.causes.evidence_from_record import parts_of
from labcalc.judgement.causes.ranking import weigh_alike
from labcalc.judgement.record.measurements import Material

_TOGETHER = 100
"""Runs that are weighed at once: more is not faster."""


@dataclass(frozen=True)
class Screened:
    """The leading cause of one run; without one, ``note`` says why."""

    run: str
    sample: str
    cause: str
    title: str
    probability: float
    """Of the leading cause, [-]."""
    noise_probability: float
    """That nothing is wrong, [-]."""
    expectation: str
    """What the run was compared with."""
    note: str = ""


def screen(material: Material, odds: Mapping[str, float] = PRIOR_ODDS) -> tuple[Screened, ...]:
    """Find the leading cause of every run of a sample among the exports at hand.

    Parameters
    ----------
    material : Material
        The exports at hand with the laboratory and its record, as ``gather`` returns it.
    odds : mapping of str to float, optional
        How often each cause happens, [-]; as for ``rank_causes``.

    Returns
    -------
    tuple of Screened
        One a run of a sample, in the order of the files; the same as ``rank_causes`` finds, with probabilities in [-].
    """
    found: dict[str, Screened] = {}
    alike: dict[tuple[object, ...], list[Evidence]] = {}
    for parts in parts_of(material):
        try:
            evidence = put_together(parts, "best")
        except EvidenceError as refusal:
            nan = float("nan")
            found[parts.run] = Screened(parts.run, parts.sample, "", "", nan, nan, "", str(refusal))
        else:
            found[parts.run] = Screened(parts.run, parts.sample, "", "", 0.0, 0.0, evidence.expectation)
            alike.setdefault(_layout(evidence), []).append(evidence)
    for runs in alike.values():
        for first in range(0, len(runs), _TOGETHER):
            for weighed in weigh_alike(runs[first : first + _TOGETHER], odds):
                one, leading = weighed.evidence, weighed.leading
                found[one.run] = Screened(
                    run=one.run,
                    sample=one.sample,
                    cause=leading,
                    title=CAUSES[leading].title,
                    probability=weighed.probabilities[leading],
                    noise_probability=weighed.probabilities.get("noise", 0.0),
                    expectation=one.expectation,
                )
    return tuple(found.values())


def _layout(evidence: Evidence) -> tuple[object, ...]:
    places = tuple((row.quantity, row.temperature_C, row.replicate) for row in evidence.rows)
    return places, evidence.coupled, evidence.before is None
