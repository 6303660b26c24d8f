"""Texts as TOML has them: strings, lists, tables in a line, remarks."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping


def quoted(text: str) -> str:
    """Return the text as TOML writes it, which is JSON's way but for one character."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def listed(texts: Iterable[str]) -> str:
    """Return texts as a list."""
    return f"[{', '.join(map(quoted, texts))}]"


def written(value: object) -> str:
    """Return a text, a number, a list of them, or keys and values in one line."""
    if isinstance(value, Mapping):
        return f"{{ {', '.join(f'{key} = {written(one)}' for key, one in value.items())} }}"
    if isinstance(value, tuple):
        return f"[{', '.join(map(written, value))}]"
    return quoted(value) if isinstance(value, str) else f"{value:g}" if isinstance(value, float) else str(value)


def remark(text: object) -> str:
    """Return a text that a remark can hold."""
    return "".join(sign if sign.isprintable() else " " for sign in str(text))
