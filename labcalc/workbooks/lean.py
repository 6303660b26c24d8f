"""Keeps a grammar that nobody needs from being compiled whenever nbformat is imported.

``jsonschema`` imports ``rfc3987_syntax`` if it is there, and that module compiles a grammar for internationalised
addresses: 1.2 s in every process. A stand-in loads the real module when somebody asks it for something.
"""

from __future__ import annotations

import importlib
import sys
from importlib.util import find_spec, module_from_spec
from types import ModuleType
from typing import Any

__all__ = ["keep_imports_short", "load_ipython_extension"]

_SLOW = "rfc3987_syntax"


class _StandIn(ModuleType):
    """Looks like the slow module; becomes it at the first question."""

    def is_valid_syntax(self, rule: str, text: str) -> bool:
        return bool(self._real().is_valid_syntax(rule, text))

    def __getattr__(self, name: str) -> Any:
        if name.startswith("__"):
            raise AttributeError(name)
        return getattr(self._real(), name)

    def _real(self) -> Any:
        if sys.modules.get(_SLOW) is self:
            del sys.modules[_SLOW]
        return importlib.import_module(_SLOW)


def keep_imports_short() -> None:
    """Put the stand-in in place, unless the real module is loaded or isn't installed."""
    if _SLOW in sys.modules:
        return
    spec = find_spec(_SLOW)
    if spec is not None:
        module = module_from_spec(spec)
        module.__class__ = _StandIn
        sys.modules[_SLOW] = module


def load_ipython_extension(shell: object) -> None:
    """Do the same in a Jupyter kernel, which loads this module by ``--ext``."""
    keep_imports_short()
