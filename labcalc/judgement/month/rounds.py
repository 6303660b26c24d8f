"""Rounds of proficiency tests in a month: what lab.toml's file of rounds calls for."""

from labcalc.errors import StudyError
from labcalc.judgement.checks import IMPORTANT, URGENT, Action
from labcalc.judgement.period import Month
from labcalc.judgement.studies.rounds import rounds_between
from labcalc.lab import Laboratory
from labcalc.wording import counted


def month_rounds(laboratory: Laboratory, month: Month) -> tuple[tuple[Action, ...], tuple[str, ...]]:
    """Return what the rounds of a month call for, and a notice that says how many there are; none without a file."""
    if laboratory.file is None or not laboratory.proficiency_rounds:
        return (), ()
    file = laboratory.file.parent / laboratory.proficiency_rounds
    try:
        number, found = rounds_between(file, month.first.date(), month.last.date())
    except StudyError as refusal:
        to_do = "Mend the file: until then no round counts."
        return (Action("Proficiency rounds", f"can't be read: {refusal}", to_do, IMPORTANT),), ()
    return (
        tuple(
            Action(about, finding, to_do, URGENT if rank == 2 else IMPORTANT, which=finding.split()[0])
            for rank, about, finding, to_do in found
        ),
        (f"{counted(number, 'proficiency round')} of the period in {file.name}.",),
    )
