"""Keeps what nobody needs from being loaded, and start-up from looking for garbage that isn't there yet.

``jsonschema`` imports ``rfc3987_syntax`` and ``rfc3986_validator`` if they are there, which compile grammars of
addresses: up to 1.2 s in every process. A stand-in loads the real module when somebody asks it for something. scipy
imports all that numpy has: what is slow of it and unused has stand-ins too.

All of this saves time and nothing else, so it may fail: ``for_speed_only`` logs it and the work goes on.
"""

import gc
import importlib
import logging
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.util import find_spec, module_from_spec
from types import ModuleType
from typing import Any

_log = logging.getLogger(__name__)


@contextmanager
def for_speed_only(what: str) -> Iterator[None]:
    """Let fail what saves time and nothing else: it is logged, and the work goes on without it."""
    try:
        yield
    except Exception as failure:  # noqa: BLE001
        first_line = str(failure).strip().partition("\n")[0]
        _log.warning("%s failed, which costs time only: %s: %s", what, type(failure).__name__, first_line)
        _log.debug("%s, in full", what, exc_info=True)


class _StandIn(ModuleType):
    """Looks like a slow module; becomes it at the first question."""

    def __getattr__(self, name: str) -> Any:
        if name.startswith("__") and name != "__all__":
            raise AttributeError(name)
        return getattr(self._real(), name)

    def _real(self) -> Any:
        if sys.modules.get(self.__name__) is self:
            del sys.modules[self.__name__]
        return importlib.import_module(self.__name__)


class _Grammar(_StandIn):
    """Has the function that jsonschema takes from either module when it imports it."""

    def is_valid_syntax(self, rule: str, text: str) -> bool:
        return bool(self._real().is_valid_syntax(rule, text))

    def validate_rfc3986(self, text: str, rule: str) -> Any:
        return self._real().validate_rfc3986(text, rule=rule)


class _Durations(_StandIn):
    """Has what jsonschema takes from ``isoduration``, which imports a calendar."""

    DurationParsingException = ValueError  # what it is derived from

    def parse_duration(self, text: str) -> Any:
        return self._real().parse_duration(text)


_SLOW = {
    "rfc3987_syntax": _Grammar, "rfc3986_validator": _Grammar, "isoduration": _Durations,
    "numpy.f2py": _StandIn, "numpy.testing": _StandIn,
}  # fmt: skip


def keep_imports_short() -> None:
    """Put the stand-ins in place, unless the real modules are loaded or aren't installed."""
    for name, kind in _SLOW.items():
        with for_speed_only(f"the stand-in for {name}"):
            if name not in sys.modules and (spec := find_spec(name)) is not None:
                module = module_from_spec(spec)
                module.__class__ = kind
                sys.modules[name] = module
                parent, _, child = name.rpartition(".")
                if parent:
                    setattr(sys.modules[parent], child, module)


@contextmanager
def quick_start() -> Iterator[None]:
    """Import and set up with stand-ins for what is slow, and with the search for garbage at rest.

    Imports make hundreds of thousands of objects and hardly any garbage; looking for it took a tenth of a cold report.
    """
    keep_imports_short()
    searched = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if searched:
            gc.enable()


def load_ipython_extension(shell: object) -> None:
    """Do the same in a Jupyter kernel, which loads this module by ``--ext``."""
    keep_imports_short()
