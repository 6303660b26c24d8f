"""A study by the name of its command and workbook."""

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import Any

from labcalc.errors import StudyError
from labcalc.judgement.record.gathering import gather_record
from labcalc.judgement.studies.precision import report_precision
from labcalc.judgement.studies.reading import Study
from labcalc.judgement.studies.rounds import report_proficiency
from labcalc.judgement.studies.two_methods import report_comparison
from labcalc.shipped import example_file

_REPORTS: Mapping[str, Callable[..., Study]] = MappingProxyType(
    {"proficiency": report_proficiency, "comparison": report_comparison, "precision-study": report_precision}
)


def report_study(kind: str, exports: Sequence[str] = (), lab: str = "", **asked: Any) -> Study:
    """Put together what a file of results says, without one the published example, or with a lab.toml its record.

    kind : ``proficiency``, ``comparison`` or ``precision-study``, whose function takes what is ``asked``.
    Raises StudyError : More than one file, or one that can't be used.
    """
    if len(exports) > 1:
        raise StudyError(Path(exports[1]).name, 0, "one file was expected")
    if lab and not exports:
        return report_comparison(gather_record(Path(lab)), **asked)
    return _REPORTS[kind](Path(exports[0]) if exports else example_file(kind), **asked)
