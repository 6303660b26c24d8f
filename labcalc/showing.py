"""How a record shows itself in Python: at most a screen of lines in a console, the same as a table in a notebook."""

from abc import ABC, abstractmethod
from collections.abc import Iterable
from html import escape
from itertools import islice
from typing import Any

_LINES, _ROWS, _WIDEST = 12, 8, 200  # facts, rows of a table, and characters of a fact that are shown


class Shown(ABC):
    """What has facts to show, each with its name, and perhaps a table."""

    @abstractmethod
    def facts(self) -> Iterable[tuple[str, str]]:
        """Return what is shown of it, each fact with its name."""

    def _frame(self) -> Any:
        """Return a pandas table to show beneath the facts; None for none."""
        return None

    def _said(self) -> list[tuple[str, str]]:
        facts = [(name, text if len(text) <= _WIDEST else f"{text[: _WIDEST - 1]}…") for name, text in self.facts()]
        more = len(facts) - _LINES
        return [*islice(facts, _LINES), *([("", f"... and {more} more")] if more > 0 else [])]

    def __repr__(self) -> str:
        lines = [f"{name}: {text}" if name else text for name, text in self._said()]
        frame = self._frame()
        table = "" if frame is None else "\n" + frame.head(_ROWS).to_string(index=False, na_rep="", max_cols=8)
        return "\n".join([f"<{type(self).__name__}>", *lines]) + table

    def _repr_html_(self) -> str:
        rows = "".join(f"<tr><th>{escape(name)}</th><td>{escape(text)}</td></tr>" for name, text in self._said())
        frame = self._frame()
        table = "" if frame is None else frame.head(_ROWS).to_html(index=False, na_rep="")
        return f"<table>{rows}</table>{table}"
