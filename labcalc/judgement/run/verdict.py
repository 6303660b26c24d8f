"""The verdict on a run: releasable, needs a second look, or not releasable, with every reason and what to do."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

from labcalc.errors import EvidenceError
from labcalc.judgement.checks import About, Check, State
from labcalc.judgement.control.status import ADVICE
from labcalc.judgement.record.dossier import Dossier
from labcalc.judgement.run import validity
from labcalc.judgement.run.conformity import earlier_runs_check, specification_checks, typical_check
from labcalc.judgement.run.derived_results import consequences_of
from labcalc.judgement.run.results import results_of
from labcalc.judgement.uncertainty.results import Consequence, Results
from labcalc.lab import PrecisionStatement
from labcalc.lab.practice import FILLING_AND_CLEANING
from labcalc.showing import Shown
from labcalc.wording import counted, first_of

if TYPE_CHECKING:
    from labcalc.judgement.causes import Evidence, Explanation, LeadingCause

VERDICTS = ("releasable", "needs a second look", "not releasable")  # from best to worst
_FRESH_FILL = "Clean and dry the cell, fill it anew and measure again"
_PLAIN = 0.9  # probability from which on a cause decides a sample whatever its instrument does, [-]: our own choice


@dataclass(frozen=True, repr=False)
class Judgement(Shown):
    """A run judged: its results, what follows from them, the checks, and the verdict that they lead to."""

    dossier: Dossier
    results: Results
    consequences: tuple[Consequence, ...]
    checks: tuple[Check, ...]

    @property
    def precision(self) -> tuple[PrecisionStatement, ...]:
        """The precision statements in force for its results."""
        statements = (one.agreement.statement for one in self.results)
        return tuple(dict.fromkeys(one for one in statements if one is not None))

    @property
    def verdict(self) -> str:
        """One of ``VERDICTS``."""
        return VERDICTS[self.rank]

    @property
    def rank(self) -> int:
        """0 releasable, 1 needs a second look, 2 not releasable."""
        return 2 if self._in("not met") else 1 if self._in("doubtful") else 0

    @property
    def reason(self) -> str:
        """The first check not met, else the first doubtful one, else how many are met and what wasn't made."""
        for state in ("not met", "doubtful"):
            if found := self._in(state):
                more = f" (and {len(found) - 1} more)" if len(found) > 1 else ""
                return f"{found[0].name}: {found[0].finding}{self._cause_beside(found)}{more}"
        advice = (one.advice for one in self.checks if one.advice)
        met = "; ".join((f"{counted(len(self._in('met')), 'check')} met", *advice))
        if missed := [one for one in self.checks if one.missed]:
            return f"{met}; not made: {'; '.join(f'{one.name}: {one.finding}' for one in missed)}"
        return f"{met}, {len(self._in('not checked'))} not checked"

    @property
    def worst(self) -> Check:
        """The first check not met, else the first doubtful one; of a releasable run there is none, an IndexError."""
        return [*self._in("not met"), *self._in("doubtful")][0]

    def _cause_beside(self, found: list[Check]) -> str:
        """Return the leading cause where the first of these checks asks for one; a fault also where another does."""
        first = _is_odd(found[0])
        if not any(map(_is_odd, found)) or not self.leading or not (first or self.leading.cause != "noise"):
            return ""
        end = "" if found[0].finding.endswith("?") else "."
        return f"{end}{'' if first else ' The numbers are odd too.'} {self.leading.sentence}"

    @cached_property
    def compared(self) -> Evidence | str:
        """The run beside what is usual, odd or not; why it can't be compared, where it can't."""
        from labcalc.judgement.causes import evidence_of  # a releasable run doesn't even import it

        try:
            return evidence_of(self.dossier)
        except EvidenceError as refusal:
            return str(refusal)

    @cached_property
    def explanations(self) -> tuple[Explanation, ...]:
        """The causes that odd numbers allow, the most probable first; empty where ``leading`` is None."""
        if self.leading is None or self.evidence is None:
            return ()
        from labcalc.judgement.causes import rank_causes

        return rank_causes(self.evidence)

    @cached_property
    def evidence(self) -> Evidence | None:
        """What causes are looked for in where numbers are odd, else None; EvidenceError where nothing is like them."""
        if not self._asks_for_causes:
            return None
        if isinstance(self.compared, str):
            raise EvidenceError(self.compared)
        return self.compared

    @cached_property
    def leading(self) -> LeadingCause | None:
        """The most probable cause of odd numbers; None where there are none, or one alone, which tells too little."""
        if not self._asks_for_causes or isinstance(self.compared, str) or len(self.compared.rows) < 2:
            return None
        from labcalc.judgement.causes import leading_cause

        return leading_cause(self.compared)

    @property
    def _asks_for_causes(self) -> bool:
        return not self.dossier.is_reference and any(map(_is_odd, self.checks))

    def facts(self) -> Iterator[tuple[str, str]]:
        """Return what is shown of it, each fact with its name."""
        yield self.dossier.run, f"{self.verdict}. {self.reason}"
        yield from self.results.facts()
        yield from ((one.state, f"{one.name}: {one.finding}") for one in self.checks if one.state != "met")

    def _in(self, state: State) -> list[Check]:
        return [check for check in self.checks if check.state == state]


def _is_odd(check: Check) -> bool:
    """Tell whether a check finds the run's own numbers odd: what causes are looked for."""
    if check.about == "specification":
        return check.state == "not met"
    asks_for_more = check.name.startswith("Repeats") and check.state == "not met"  # says itself what to measure
    return check.about == "numbers" and check.state in ("doubtful", "not met") and not asks_for_more


def _about(about: About, checks: Iterable[Check]) -> Iterator[Check]:
    return (replace(one, about=about) for one in checks)


def judge(dossier: Dossier) -> Judgement:
    """Judge a run. Nothing is decided on statistics alone: what is doubtful asks for a second look by a person."""
    results = results_of(dossier)
    consequences = consequences_of(dossier, results)
    compared = (typical_check(dossier, results), earlier_runs_check(dossier, results))
    of_record = (validity.record_checks, validity.decision_checks, validity.refused_rows_check)
    checks = (
        *_about("decision", (one for made in of_record for one in made(dossier))),
        *validity.falling_checks(dossier, results),
        *validity.correction_checks(dossier, results),
        *validity.repeat_checks(dossier, results),
        *_about("instrument", (*validity.reference_checks(dossier), validity.control_chart_check(dossier))),
        validity.density_slope_check(dossier, results),
        validity.line_check(dossier, results),
        *_about("order", (validity.carry_over_check(dossier, results),)),
        *_about("specification", specification_checks(dossier, results, consequences)),
        *(check for check in compared if check is not None),
    )
    return Judgement(dossier, results, consequences, checks)


# --- What to do now ---


def next_steps(judgement: Judgement) -> tuple[str, ...]:
    """Return what to do about a run, the first step first: by its instrument, the order of runs and its numbers."""
    if judgement.rank == 0:
        return ("Nothing more on this instrument's account." if judgement.dossier.is_reference else "Review and sign.",)
    worst = judgement.worst
    asked = sorted(_STEPS, key=lambda about: about != worst.about)
    asking = {one.about for one in judgement.checks if one.state in ("doubtful", "not met")}
    steps = (step for about in asked if about in asking for step in _STEPS[about](judgement))
    if worst.about not in _STEPS:
        return (_of_the_numbers(judgement, worst), *steps)
    return (*(_of_the_sample(judgement) if worst.about == "instrument" else ()), *steps)


def _of_the_instrument(judgement: Judgement) -> Iterator[str]:
    dossier = judgement.dossier
    if not dossier.is_reference and dossier.references.empty:
        measure = "Measure a reference oil that lab.toml names, with its certificate, on this instrument."
        yield measure if dossier.instrument else 'Name it in lab.toml, the [[profile]] of the export: instrument = "…".'
        return
    first, *others = ADVICE["signal"]["steps"]
    then = "" if dossier.is_reference else "; once it is within its limits, measure this sample again"
    out = "it is out again"
    if suspect := dossier.suspect_lot:
        same = f"{suspect.lot} reads the same on the others ({suspect.readings})"
        first, out = f"don't adjust: {same}, so {validity.SUSPECTED}. Compare with another lot", "that is out too"
    yield f"{first[0].upper()}{first[1:]}{then}."
    yield f"If {out}: {'; '.join(others)}."


def _of_the_order(judgement: Judgement) -> Iterator[str]:
    if place := judgement.dossier.in_sequence:
        yield f"Clean and dry the cell twice, fill it anew and measure again: {place.sample_before} ran before."
        yield FILLING_AND_CLEANING


def _of_a_decision(judgement: Judgement) -> Iterator[str]:
    if any(one.what == "exclude" for one in judgement.dossier.decisions):
        yield "Leave it out, as decided; where a result is owed, measure again."
        return
    asking = {one.name for one in judgement.checks if one.about == "decision" and one.state in ("doubtful", "not met")}
    if asking - {validity.REFUSED_ROWS}:
        yield "A person decides what counts (labcalc record decide); then judge again."
    if validity.REFUSED_ROWS in asking:
        places = first_of([one.place for one in judgement.dossier.own_refusals])
        yield f"Mend the export ({places}), or measure again: no decision makes a value of what can't be read."


_STEPS: dict[About, Callable[[Judgement], Iterator[str]]] = {
    "decision": _of_a_decision,
    "instrument": _of_the_instrument,
    "order": _of_the_order,
}


def _of_the_numbers(judgement: Judgement, worst: Check) -> str:
    if worst.name.startswith("Repeats"):
        return f"{_FRESH_FILL}; the check says how many more."
    if step := _of_the_cause(judgement):
        return step
    if worst.about == "specification" and worst.state == "doubtful":
        if "could not be held" in worst.finding:
            return "Measure what the limit needs, or hold it by another result; only then release."
        return f"{_FRESH_FILL}: the mean of two fills lies closer; then a person decides by the laboratory's rule."
    if worst.about == "specification":
        return f"{_FRESH_FILL}, from a second bottle if there is one: if it agrees, the product doesn't comply."
    return f"{_FRESH_FILL}; compare before anything is released."


def _of_the_sample(judgement: Judgement) -> tuple[str, ...]:
    """Return in a sentence what decides the sample although its instrument asks first; none where no cause is plain."""
    leading = judgement.leading
    if leading is None or leading.cause == "noise" or leading.probability < _PLAIN or leading.is_of_the_instrument:
        return ()
    from labcalc.judgement.causes.explanation import UNLIKELY

    first, full_stop, _ = _of_the_cause(judgement).partition(". ")
    return (first + full_stop.strip(),) if first and judgement.explanations[0].p_value >= UNLIKELY else ()


def _of_the_cause(judgement: Judgement) -> str:
    """Return the repair of a cause that is sure, else what tells the causes apart; empty where nothing does."""
    if not judgement.explanations:
        return ""
    from labcalc.judgement.causes.catalogue import CAUSES, SURE
    from labcalc.judgement.causes.explanation import UNLIKELY

    first = judgement.explanations[0]
    if first.p_value >= UNLIKELY and first.probability >= SURE:
        return CAUSES[first.cause].repair
    return first.next_measurement.sentence if first.next_measurement else ""
