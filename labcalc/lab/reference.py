"""What lab.toml may hold, from the model that reads it: a schema for editors, and a reference for people."""

import json
import tomllib
from collections.abc import Iterator
from typing import Any

from labcalc.lab._schema import FILE
from labcalc.lab._tables import schema_of
from labcalc.shipped import sample_lab


def settings_schema() -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of lab.toml."""
    head = {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "lab.toml of labcalc"}
    return {**head, **schema_of(FILE)}


def settings_reference() -> Iterator[tuple[str, str, str, str, str]]:
    """Yield each key of lab.toml with what it takes, its default, its meaning, and how the sample laboratory has it."""
    yield from _keys(schema_of(FILE), "", [tomllib.loads(sample_lab().read_text("utf-8"))])


def _keys(schema: dict[str, Any], prefix: str, samples: list[Any]) -> Iterator[tuple[str, str, str, str, str]]:
    for name, found in schema["properties"].items():
        needed = name in schema["required"]
        inner = found.get("items", found)
        default = "must be given" if needed and prefix else str(found.get("default", ""))
        given = [one[name] for one in samples if name in one]
        is_table = "properties" in inner
        example = "" if is_table or not given else json.dumps(given[0], ensure_ascii=False, default=str)
        yield f"{prefix}{name}", _takes(found), default, found.get("description", ""), example
        if is_table:
            within = [one for some in given for one in (some if isinstance(some, list) else [some])]
            yield from _keys(inner, f"{prefix}{name}.", within)


def _takes(found: dict[str, Any]) -> str:
    if "enum" not in found and "type" not in found:
        return "see meaning"
    if "enum" in found:
        return " | ".join(map(str, found["enum"]))
    if found["type"] == "array":
        inner = found["items"]
        plain = _takes(inner) if "type" in inner or "enum" in inner else inner["description"]
        return "tables" if "properties" in inner else f"list of {plain}"
    ends = [f"{word} {found[key]:g}" for key, word in _ENDS.items() if key in found]
    return " ".join([_TYPES[found["type"]], *ends])


_ENDS = {"minimum": "from", "exclusiveMinimum": "above", "maximum": "to"}
_TYPES = {"string": "text", "number": "number", "integer": "whole number", "object": "table", "boolean": "true | false"}
