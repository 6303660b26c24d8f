"""Errors and warnings.

::

    LabcalcError
    ├── OutOfRangeError (ValueError)      a quantity outside the range of a formula
    ├── ExportError (ValueError)          an export that can't be read at all
    ├── SettingsError (ValueError)        a line of lab.toml that can't be used
    ├── DecisionError (ValueError)        a decision that can't be used or added
    │   └── StudyError                    a file of rounds or of a study, or a line of it, that can't be used
    ├── RecordError (RuntimeError)        a record that can't be opened, read or added to
    ├── UnknownRunError (LookupError)     a run that the exports don't hold
    ├── EvidenceError (ValueError)        a run without anything to compare with, or a measurement that can't be added
    ├── MonthError (ValueError)           a month that is none, or a laboratory without a record to report on
    ├── PeriodError (ValueError)          a period that is none, or a product or person that it holds nothing of
    ├── LessonError (ValueError)          an answer, a lesson or a learner's result file that can't be used
    └── WorkbookError (RuntimeError)      a workbook that didn't come to its end
        └── ParameterError (ValueError)   a parameter that the workbook doesn't take

    LabcalcWarning (UserWarning)
    ├── ExtrapolationWarning              a value outside the measured interval, asked for on purpose
    └── ConvergenceWarning                an iteration that stopped beside a joint, last value kept
"""

import os
import shlex
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import NamedTuple

__all__ = [
    "ConvergenceWarning",
    "DecisionError",
    "EvidenceError",
    "ExportError",
    "ExtrapolationWarning",
    "LabcalcError",
    "LabcalcWarning",
    "LessonError",
    "MonthError",
    "OutOfRangeError",
    "ParameterError",
    "PeriodError",
    "RecordError",
    "SettingsError",
    "SettingsProblem",
    "StudyError",
    "UnknownRunError",
    "WorkbookError",
]


def typed(name: str | Path) -> str:
    """Return a name as a command that is to be typed holds it: in quotation marks where it needs them.

    >>> typed("run.csv"), typed("Zelle 7.csv").replace("'", '"')
    ('run.csv', '"Zelle 7.csv"')
    """
    quoted = shlex.quote(str(name))
    return f'"{name}"' if os.name == "nt" and quoted != str(name) else quoted


class LabcalcError(Exception):
    """Anything that labcalc refuses; its text is one plain sentence for the person at the bench, after its place."""

    def __str__(self) -> str:
        return ": ".join(str(one) for one in self.args if one)

    def _render_traceback_(self) -> list[str]:
        """Say it in one line where IPython would show the way to it."""
        return [f"labcalc: {self}"]


class OutOfRangeError(LabcalcError, ValueError):
    """A quantity outside the range of a formula.

    ``lowest`` and ``highest`` belong to the range, ``above`` and ``below`` don't; ``told`` says instead of a range what
    the quantity is.
    """

    def __init__(
        self,
        quantity: str,
        value: float,
        unit: str,
        *,
        lowest: float | None = None,
        highest: float | None = None,
        above: float | None = None,
        below: float | None = None,
        told: str | None = None,
        reason: str,
    ) -> None:
        self.quantity, self.value, self.unit, self.told, self.reason = quantity, value, unit, told, reason
        self.lowest, self.highest, self.above, self.below = lowest, highest, above, below
        of_unit = "" if unit == "[-]" else f" {unit}"
        is_so = told or f"outside {_interval(lowest, highest, above, below, of_unit)}"
        super().__init__(f"{quantity} {value:.10g}{of_unit} is {is_so}: {reason}")

    def __reduce__(self) -> tuple[object, ...]:
        return partial(OutOfRangeError, **vars(self)), ()


def _interval(lowest: float | None, highest: float | None, above: float | None, below: float | None, unit: str) -> str:
    """Return the range in words: ends that belong to it are joined by 'to', others are 'more than' and 'less than'."""
    if lowest is not None and highest is not None:
        return f"its range ({lowest:.10g} to {highest:.10g}{unit})"
    ends = (("{} or more", lowest), ("more than {}", above), ("up to {}", highest), ("less than {}", below))
    told = [words.format(f"{end:.10g}{unit}") for words, end in ends if end is not None]
    return f"its range ({', '.join(told)})" if told else "every range"


class ExportError(LabcalcError, ValueError):
    """An export that can't be read at all: empty, binary, unrelated, missing."""

    def __init__(self, file: str, problem: str) -> None:
        super().__init__(file, problem)
        self.file, self.problem = file, problem


class SettingsProblem(NamedTuple):
    """One thing in lab.toml that can't be used: the path of its key, what is wrong, its line; 0 where none is known."""

    key: str
    problem: str
    line: int = 0


class SettingsError(LabcalcError, ValueError):
    """A line of lab.toml that can't be used; ``key`` is its path, such as ``product[2].limit[1].unit``.

    ``problems`` holds all that can't be used; ``key`` and ``problem`` are the first of them.
    """

    def __init__(self, file: str, key: str, problem: str, problems: Sequence[SettingsProblem] = ()) -> None:
        super().__init__(file, key, problem, problems)
        self.file, self.key, self.problem = file, key, problem
        self.problems = tuple(problems) or (SettingsProblem(key, problem),)

    def __str__(self) -> str:
        all_ = f"the first of {len(self.problems)} problems; `labcalc check --lab {typed(self.file)}` lists all"
        said = ": ".join(filter(None, (self.file, self.key, self.problem)))
        return f"{said} ({all_})" if len(self.problems) > 1 else said


class DecisionError(LabcalcError, ValueError):
    """A decision that can't be used or added; ``line`` of its file is 0 where it is about none."""

    def __init__(self, file: str, line: int, problem: str) -> None:
        super().__init__(file, line, problem)
        self.file, self.line, self.problem = file, line, problem

    def __str__(self) -> str:
        return ": ".join(filter(None, (self.file, f"line {self.line}" if self.line else "", self.problem)))


class StudyError(DecisionError):
    """A file of results, a round or a study that can't be used; ``line`` is 0 where it is about the whole."""


class RecordError(LabcalcError, RuntimeError):
    """A record that can't be opened, read or added to; ``place`` is its file or URL, without a password."""

    def __init__(self, place: str, problem: str) -> None:
        super().__init__(place, problem)
        self.place, self.problem = place, problem


class UnknownRunError(LabcalcError, LookupError):
    """A run that the exports don't hold."""


class EvidenceError(LabcalcError, ValueError):
    """A run that can't be compared with anything, or a measurement that can't be added to it."""


class MonthError(LabcalcError, ValueError):
    """A month that is none, or a laboratory without a record to report on."""


class PeriodError(LabcalcError, ValueError):
    """A period that is none, or a product, class or operator that the record holds nothing of."""


class LessonError(LabcalcError, ValueError):
    """An answer, a lesson or a learner's result file that can't be used; ``field`` is its place in the file."""

    def __init__(self, file: str, field: str, problem: str) -> None:
        super().__init__(file, field, problem)
        self.file, self.field, self.problem = file, field, problem


class WorkbookError(LabcalcError, RuntimeError):
    """A workbook that didn't come to its end."""


class ParameterError(WorkbookError, ValueError):
    """A parameter that the workbook doesn't take, or of another type."""


class LabcalcWarning(UserWarning):
    """Anything that labcalc does on request but wants known."""


class ExtrapolationWarning(LabcalcWarning):
    """A value outside the measured interval, asked for on purpose."""


class ConvergenceWarning(LabcalcWarning):
    """An iteration that stopped beside a joint of the published method; its last value is kept."""
