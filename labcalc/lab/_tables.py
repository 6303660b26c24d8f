"""Declarative reading of TOML tables: which keys, what each holds, and every problem with the path of its key."""

import difflib
import inspect
import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import MISSING, dataclass, fields, is_dataclass
from datetime import date, datetime
from types import SimpleNamespace
from typing import Annotated, Any, get_type_hints

from labcalc.exports.source.text import shown as shown_cell

REQUIRED = object()  # stands for the default of a key that must be there
UNFIT = object()  # stands for a value that was refused; its problem has been noted


class Problems(list[tuple[str, str]]):
    """Key path and problem, in the order found."""

    def note(self, path: str, problem: str) -> Any:
        self.append((path, problem))
        return UNFIT


_NO_TEXT = re.compile("[\0\ud800-\udfff]")
Reader = Callable[[Any, str, Problems], Any]  # from a TOML value, its key's path and problems so far: what is held
Schema = dict[str, Any]


def described(read: Reader, schema: Callable[[], Schema]) -> Reader:
    """Let a reader say, when it is asked, what it takes: as JSON Schema has it."""
    read.schema = schema  # type: ignore[attr-defined]
    return read


def schema_of(read: Reader) -> Schema:
    """Return what a reader takes as JSON Schema; where it says nothing, in the words of its own refusal."""
    if asked := getattr(read, "schema", None):
        return dict(asked())
    read(None, "", refused := Problems())
    expected = re.sub(",? (is|are) expected", "", refused[0][1].partition(": ")[2])
    return {"description": expected}


@dataclass(frozen=True)
class Key:
    """What a key holds. ``field`` is its name in the record, where that is another."""

    read: Reader
    default: Any = REQUIRED
    field: str = ""


def shown(value: object) -> str:
    """Return a TOML value as a message shows it."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f"'{shown_cell(value)}'"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def nearest(word: str, words: Iterable[str]) -> str:
    """Return ``; did you mean '...'?`` or nothing."""
    by_folded = {known.casefold(): known for known in words}
    found = difflib.get_close_matches(word.casefold(), by_folded, n=1)
    return f"; did you mean '{by_folded[found[0]]}'?" if found else ""


def one_that(
    fits: Callable[[Any], Any],
    expected: str,
    *,
    make: Callable[[Any], Any] = lambda value: value,
    words: Callable[[], Iterable[str]] = tuple,
    schema: Schema | None = None,
) -> Reader:
    """Read one value: what ``make`` makes of it, if that fits; what either raises means that it doesn't.

    words : What a text that doesn't fit may have been meant for.
    """

    def read(value: Any, path: str, problems: Problems) -> Any:
        with suppress(TypeError, ValueError, LookupError, OSError, OverflowError):
            if fits(made := make(value)):
                return made
        guess = nearest(value, words()) if isinstance(value, str) else ""
        return problems.note(path, f"{shown(value)}: {expected}{guess}")

    return described(read, lambda: schema) if schema else read


text = one_that(
    lambda value: isinstance(value, str) and value.strip() and not _NO_TEXT.search(value),
    "a text in quotes, not empty, is expected",
    schema={"type": "string", "minLength": 1},
)  # NUL and half a character, as JSON can hold, are none
yes_or_no = one_that(lambda value: isinstance(value, bool), "true or false is expected")


def choice(allowed: Iterable[str]) -> Reader:
    """Read one of the allowed words."""
    words = tuple(allowed)
    expected = f"one of {', '.join(map(shown, words))} is expected"
    return one_that(lambda value: value in words, expected, words=lambda: words, schema={"enum": list(words)})


def _float(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise TypeError
    return float(value)


def number(lowest: float = -math.inf, highest: float = math.inf, *, above: float = -math.inf, unit: str = "") -> Reader:
    """Read a finite number from ``lowest`` to ``highest``, and greater than ``above``."""
    ends = {"minimum": lowest, "maximum": highest, "exclusiveMinimum": above}
    limits = {name: end for name, end in ends.items() if math.isfinite(end)}
    return one_that(
        lambda value: math.isfinite(value) and lowest <= value <= highest and value > above,
        f"{_interval(lowest, highest, above, f' {unit}' if unit else '')} is expected",
        make=_float,
        schema={"type": "number", **limits, **({"description": f"[{unit}]"} if unit else {})},
    )


def _interval(lowest: float, highest: float, above: float, unit: str) -> str:
    if math.isfinite(highest):
        return f"a number from {lowest:g} to {highest:g}{unit}"
    if math.isfinite(above):
        return f"a number greater than {above:g}{unit}"
    return f"a number of {lowest:g}{unit} or more" if math.isfinite(lowest) else f"a number{unit}"


def whole_number(lowest: int, highest: int) -> Reader:
    """Read a whole number, written without a decimal point."""
    return one_that(
        lambda value: isinstance(value, int) and not isinstance(value, bool) and lowest <= value <= highest,
        f"a whole number from {lowest} to {highest} is expected",
        schema={"type": "integer", "minimum": lowest, "maximum": highest},
    )


def is_day(value: Any) -> bool:
    """Tell whether a TOML value is a day without a time."""
    return isinstance(value, date) and not isinstance(value, datetime)


day = one_that(is_day, "a day is expected, without quotes and without a time: 2026-01-31")


def listed(read_one: Reader, what: str, *, may_be_empty: bool = False) -> Reader:
    """Read a list of ``what`` as a tuple."""

    def read(value: Any, path: str, problems: Problems) -> Any:
        if not isinstance(value, list) or not (value or may_be_empty):
            amount = "" if may_be_empty else "at least one of "
            given = "an empty list" if value == [] else shown(value)
            return problems.note(path, f"{given}: a list in square brackets is expected, {amount}{what}")
        values = tuple(read_one(one, f"{path}[{n}]", problems) for n, one in enumerate(value, 1))
        return UNFIT if UNFIT in values else values

    fewest = {} if may_be_empty else {"minItems": 1}
    return described(read, lambda: {"type": "array", "items": schema_of(read_one), **fewest})


def mapping(read_one: Reader) -> Reader:
    """Read a table whose keys are free."""

    def read(value: Any, path: str, problems: Problems) -> Any:
        if not isinstance(value, dict):
            return problems.note(path, f"{shown(value)}: a table is expected")
        values = {key: read_one(one, f'{path}."{key}"', problems) for key, one in value.items()}
        return UNFIT if any(one is UNFIT for one in values.values()) else values

    return described(read, lambda: {"type": "object", "additionalProperties": schema_of(read_one)})


Check = Callable[
    [Any], Iterable[tuple[str, str]]
]  # from a record: sub-key and problem of what contradicts another value


def in_order(low: str, high: str, expected: str, key: str = "", *, strictly: bool = False) -> Check:
    """Check that one field isn't below another, or ``strictly`` above it; ``key``: how lab.toml calls it."""

    def check(record: Any) -> Iterator[tuple[str, str]]:
        first, last = getattr(record, low), getattr(record, high)
        if last < first or (strictly and last == first):
            told, than = (f"{one:g}" if isinstance(one, float) else str(one) for one in (last, first))
            yield key or high, f"{told}: {expected} ({than}) is expected"

    return check


def keys_of(record: type[Any], **instead: Key) -> dict[str, Key]:
    """Return the keys of a dataclass whose annotations hold them: ``Annotated[date, Key(day), "from"]``.

    A key is called as its field, or as the text behind it; without a default it has that of the field. ``instead``
    holds keys by the names of fields whose annotations can't hold them.
    """
    hints, keys = get_type_hints(record, include_extras=True), dict[str, Key]()
    for one in fields(record):
        told = getattr(hints[one.name], "__metadata__", ())
        key = instead.get(one.name, told[0] if told else None)
        if isinstance(key, Key):
            default = one.default if key.default is REQUIRED and one.default is not MISSING else key.default
            name = told[-1] if told and isinstance(told[-1], str) else one.name
            keys[name] = Key(key.read, default, one.name)
    return keys


def record_of(record: type[Any], check: Check | None = None, **instead: Key) -> Reader:
    """Read a table into a dataclass, by ``keys_of``."""
    return table(keys_of(record, **instead), record, check)


def table(
    keys: Mapping[str, Key], build: Callable[..., Any], check: Check | None = None, record: type | None = None
) -> Reader:
    """Read a table with the given keys and build a record of it; ``record`` says what its keys mean, else that does."""

    def read(value: Any, path: str, problems: Problems) -> Any:
        if not isinstance(value, dict):
            return problems.note(path, f"{shown(value)}: a table is expected")
        before, prefix = len(problems), f"{path}." if path else ""
        for name in (name for name in value if name not in keys):
            problems.note(prefix + name, f"unknown key; known here: {', '.join(keys)}{nearest(name, keys)}")
        values = {key.field or name: _value(key, value, name, prefix, problems) for name, key in keys.items()}
        known = {name: one for name, one in values.items() if one is not UNFIT}
        record = build(**values) if len(known) == len(values) else SimpleNamespace(**known)
        for sub_key, problem in _checked(check, record, build) if check else ():
            problems.note(prefix + sub_key if sub_key else path, problem)
        return record if len(problems) == before else UNFIT

    return described(read, lambda: _table_schema(keys, record or build))


def _table_schema(keys: Mapping[str, Key], build: Callable[..., Any]) -> Schema:
    meanings = field_texts(build) if is_dataclass(build) else {}
    properties = {}
    for name, key in keys.items():
        found = schema_of(key.read)
        told = ". ".join(filter(None, (meanings.get(key.field or name, ""), found.get("description", ""))))
        is_plain = isinstance(key.default, bool | int | float | str) and key.default not in ("", math.inf)
        default = {"default": key.default} if is_plain and key.default == key.default else {}
        properties[name] = {**found, **({"description": told} if told else {}), **default}
    first = (inspect.getdoc(build) or "").partition("\n\n")[0]
    about = {"description": " ".join(first.replace("``", "").split())} if is_dataclass(build) else {}
    required = [name for name, key in keys.items() if key.default is REQUIRED]
    return {"type": "object", **about, "properties": properties, "required": required, "additionalProperties": False}


def field_texts(record: Any) -> dict[str, str]:
    """Return what the source of a record says of each field: behind its line or beneath it, else nothing."""
    source = "\n".join(inspect.getsource(one) for one in record.__mro__ if one is not object)
    found = re.findall(r'^    (\w+): [^#\n]*?(?:  # (.*?))?\n(?:    """(\S.*?)""")?', source, re.MULTILINE | re.DOTALL)
    texts = {name: f"{behind}{beneath}".replace("``", "").split() for name, behind, beneath in found}
    return {name: " ".join(words).rstrip(".") for name, words in texts.items()}


def _checked(check: Check, record: Any, build: Callable[..., Any]) -> Iterator[tuple[str, str]]:
    """Check a record; of one that lacks what was refused, as far as the check doesn't ask for that."""
    if not isinstance(record, SimpleNamespace):
        yield from check(record)
    elif is_dataclass(build):
        with suppress(AttributeError):
            yield from check(record)


def _value(key: Key, given: dict[str, Any], name: str, prefix: str, problems: Problems) -> Any:
    if name in given:
        return key.read(given[name], prefix + name, problems)
    return problems.note(prefix + name, "missing, and must be given") if key.default is REQUIRED else key.default


def tables(read_one: Reader, *, unique: Callable[[Any], object], called: str, may_be_empty: bool = True) -> Reader:
    """Read tables of one kind, no two of which may share what ``unique`` returns."""

    def read(value: Any, path: str, problems: Problems) -> Any:
        if not isinstance(value, list) or not (value or may_be_empty):
            heading = re.sub(r"\[\d+\]", "", path)
            given = "an empty list" if value == [] else shown(value)
            return problems.note(path, f"{given}: tables are expected, each under a heading [[{heading}]]")
        records = tuple(read_one(one, f"{path}[{n}]", problems) for n, one in enumerate(value, 1))
        first: dict[object, int] = {}
        for n, (record, given) in enumerate(zip(records, value, strict=True), 1):
            identity = unique(record) if record is not UNFIT else _identity(unique, given)
            if identity is not None and first.setdefault(identity, n) != n:
                problems.note(f"{path}[{n}]", f"{called} stands in {path}[{first[identity]}] already")
        return UNFIT if UNFIT in records else records

    def schema() -> Schema:
        of_one = schema_of(read_one)
        return {"type": "array", **{key: of_one.pop(key) for key in ("description",) if key in of_one}, "items": of_one}

    return described(read, schema)


def _identity(unique: Callable[[Any], object], given: Any) -> object:
    """Return what tells a table that was refused from others, as far as it says; None where it doesn't."""
    with suppress(AttributeError, TypeError, ValueError, OverflowError):
        identity = unique(SimpleNamespace(**given))
        hash(identity)
        return identity
    return None


CELSIUS, ABOVE_ZERO = number(-80, 400, unit="°C"), number(above=0)
Text = Annotated[str, Key(text)]
Patterns = Annotated[tuple[str, ...], Key(listed(text, "patterns"))]
Celsius = Annotated[float, Key(CELSIUS)]
OpenCelsius = Annotated[float, Key(CELSIUS, math.nan)]
Temperatures = Annotated[tuple[float, ...], Key(listed(CELSIUS, "temperatures", may_be_empty=True))]
Number = Annotated[float, Key(number())]
OpenNumber = Annotated[float, Key(number(), math.nan)]
Positive = Annotated[float, Key(ABOVE_ZERO)]
NotNegative = Annotated[float, Key(number(0))]
Day = Annotated[date, Key(day)]
"""Fields of a record, with the keys that ``keys_of`` makes of them; an open one may be left out, and is NaN then."""
