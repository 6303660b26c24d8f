"""The tables [control], [duplicates], [record] and [decisions] of lab.toml: charts, repeats, and how is decided."""

from collections.abc import Iterator
from datetime import date
from functools import partial
from typing import Any
from urllib.parse import parse_qs, urlsplit

from labcalc.lab._tables import (
    UNFIT,
    Key,
    Problems,
    choice,
    described,
    in_order,
    is_day,
    listed,
    number,
    one_that,
    record_of,
    schema_of,
    table,
    tables,
    whole_number,
)
from labcalc.lab.laboratory import (
    Baseline,
    ControlChoices,
    DecisionChoices,
    DuplicateChoices,
    RecordPlace,
)
from labcalc.statistics import PERFORMANCE_THRESHOLDS, RULE_SETS, Beyond, PerformanceThresholds

_ABOVE_ZERO = number(above=0)


def _check_rule(rule: dict[str, Any]) -> Iterator[tuple[str, str]]:
    if rule["count"] > rule["window"]:
        yield "count", f"{rule['count']}: at most of ({rule['window']}) is expected"


_OWN_RULES = tables(
    table(
        {
            "count": Key(whole_number(1, 50)),
            "of": Key(whole_number(1, 50), field="window"),
            "beyond_sigmas": Key(number(0, 6), field="sigmas"),
        },
        dict,
        _check_rule,
    ),
    unique=lambda rule: tuple(rule.values()),
    called="the same rule",
    may_be_empty=False,
)
_NAMED_RULES = choice(RULE_SETS)


def _rules(value: Any, path: str, problems: Problems) -> Any:
    """Read the name of a rule set, or rules with counts of one's own."""
    if isinstance(value, list):
        own = _OWN_RULES(value, path, problems)
        return UNFIT if own is UNFIT else tuple(Beyond(**rule) for rule in own)
    name = _NAMED_RULES(value, path, problems)
    return UNFIT if name is UNFIT else RULE_SETS[name]


_NUMBERS = listed(_ABOVE_ZERO, "two numbers")


def _pair(value: Any, path: str, problems: Problems) -> Any:
    numbers = _NUMBERS(value, path, problems)
    if numbers is UNFIT or len(numbers) == 2:
        return numbers
    return problems.note(path, "two numbers are expected: one for a ratio R/r below ratio, one for the others")


described(_pair, lambda: schema_of(_NUMBERS))


def _check_performance(limits: PerformanceThresholds) -> Iterator[tuple[str, str]]:
    if any(low > high for low, high in zip(limits.inconsistent, limits.satisfactory, strict=True)):
        yield "inconsistent", "numbers not greater than those of satisfactory are expected"


_PERFORMANCE = table(
    {
        "ratio": Key(_ABOVE_ZERO, PERFORMANCE_THRESHOLDS.ratio_split, field="ratio_split"),
        "satisfactory": Key(_pair, PERFORMANCE_THRESHOLDS.satisfactory),
        "inconsistent": Key(_pair, PERFORMANCE_THRESHOLDS.inconsistent),
    },
    partial(PerformanceThresholds, source="lab.toml, [control.performance]"),
    _check_performance,
)
CONTROL = record_of(
    ControlChoices,
    in_order("fewest_results", "settled_results", "at least fewest_results"),
    baselines=Key(
        tables(
            record_of(Baseline, in_order("first_day", "last_day", "a day on or after from", "to")),
            unique=lambda one: one,
            called="the same baseline",
        )
    ),
    rules=Key(_rules),
    performance=Key(_PERFORMANCE),
)
"""Reader of the whole table."""


def _check_repeats(choices: DuplicateChoices) -> Iterator[tuple[str, str]]:
    short_h, long_h = choices.repeatability_window_h, 24.0 * choices.intermediate_window_d
    if long_h < short_h:
        yield (
            "intermediate_window_d",
            f"{choices.intermediate_window_d:g}: at least repeatability_window_h ({short_h:g} h) is expected",
        )


DUPLICATES = record_of(DuplicateChoices, _check_repeats)  # reader of the whole table


_DRIVER = "postgresql+psycopg"
_EXAMPLE = f"'{_DRIVER}://name@host/database'"


def _url(value: Any, path: str, problems: Problems) -> Any:
    """Read a URL; no message shows it, as it may hold a password in a place where none is expected."""
    try:
        parts = urlsplit(value)
        is_one = parts.scheme == _DRIVER and bool(parts.path.strip("/")) and parts.port != 0
    except (TypeError, ValueError, AttributeError):
        is_one = False
    if not is_one:
        return problems.note(path, f"a URL such as {_EXAMPLE} is expected")
    if parts.password is not None or "password" in parse_qs(parts.query):
        where = "PGPASSWORD or in ~/.pgpass"
        return problems.note(path, f"it holds a password; take it out: PostgreSQL looks for it in {where}")
    return value


def _check_place(place: RecordPlace) -> Iterator[tuple[str, str]]:
    if bool(place.file) == bool(place.url):
        yield "", "either file or url is expected"


RECORD = record_of(RecordPlace, _check_place, url=Key(_url))  # reader of the whole table


def _since(value: Any) -> Any:
    return (date.min if value else None) if isinstance(value, bool) else value if is_day(value) else UNFIT


_SECOND_PERSON = one_that(
    lambda since: since is not UNFIT, "true, false or a first day such as 2026-04-01 is expected", make=_since
)
DECISIONS = record_of(DecisionChoices, second_person=Key(_SECOND_PERSON))  # reader of the whole table
