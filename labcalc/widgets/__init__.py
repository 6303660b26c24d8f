"""The interactive pages of the workbooks; their state is plain and needs no Jupyter."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from labcalc.widgets.page import ProblemPage
    from labcalc.widgets.problem import Added, Problem, WhatIfSettings, open_problem, problem_of
    from labcalc.widgets.still import still_causes, still_opening, still_pictures

__all__ = [
    "Added",
    "Problem",
    "ProblemPage",
    "WhatIfSettings",
    "open_problem",
    "problem_of",
    "still_causes",
    "still_opening",
    "still_pictures",
]

_ROOMS = {"ProblemPage": "page", "still_causes": "still", "still_opening": "still", "still_pictures": "still"}


def __getattr__(name: str) -> Any:
    """Import what is asked for: a workbook that shows no controls loads no ipywidgets."""
    if name not in __all__:
        raise AttributeError(f"module 'labcalc.widgets' has no attribute '{name}'")
    return getattr(import_module(f"labcalc.widgets.{_ROOMS.get(name, 'problem')}"), name)
