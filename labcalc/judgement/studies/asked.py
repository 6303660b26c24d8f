"""A study by the name of its command and workbook."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

from labcalc.errors import StudyError
from labcalc.judgement.record.gathering import gather_record
from labcalc.judgement.studies.precision import report_precision
from labcalc.judgement.studies.reading import Study
from labcalc.judgement.studies.rounds import report_proficiency
from labcalc.judgement.studies.two_methods import report_comparison
from labcalc.lab import load_laboratory
from labcalc.shipped import example_file

_REPORTS: Mapping[str, Callable[..., Study]] = MappingProxyType(
    {"proficiency": report_proficiency, "comparison": report_comparison, "precision-study": report_precision}
)


def report_study(kind: str, exports: Sequence[str] = (), lab: str = "", **asked: Any) -> Study:
    """Put together what a file of results says; without one what a laboratory has, else the published example.

    kind : ``proficiency``, ``comparison`` or ``precision-study``, whose function takes what is ``asked``.
    lab : lab.toml of the laboratory that studies. Without a file its record is compared, the rounds that it names are
        scored.
    Raises StudyError : More than one file, or one that can't be used.
    """
    if len(exports) > 1:
        raise StudyError(Path(exports[1]).name, 0, "one file was expected")
    laboratory = load_laboratory(lab) if lab else None
    rounds = laboratory.rounds_file if laboratory and kind == "proficiency" else None
    if lab and kind == "comparison" and not exports:
        study = report_comparison(gather_record(Path(lab)), **asked)
    else:
        study = _REPORTS[kind](Path(exports[0]) if exports else rounds or example_file(kind), **asked)
    return replace(study, facts={"Laboratory": laboratory.name, **study.facts}) if laboratory else study
