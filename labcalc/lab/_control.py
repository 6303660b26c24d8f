"""The tables [control], [duplicates], [record] and [decisions] of lab.toml: charts, repeats, and how is decided."""

from collections.abc import Iterator
from datetime import date
from functools import partial
from typing import Any
from urllib.parse import parse_qs, urlsplit

import labcalc.lab._tables as toml
from labcalc.lab.laboratory import Baseline, ControlChoices, DecisionChoices, DuplicateChoices, RecordPlace
from labcalc.statistics import PERFORMANCE_THRESHOLDS, RULE_SETS, Beyond, PerformanceThresholds


def _check_rule(rule: dict[str, Any]) -> Iterator[tuple[str, str]]:
    if rule["count"] > rule["window"]:
        yield "count", f"{rule['count']}: at most of ({rule['window']}) is expected"


_COUNT, _SIGMAS = toml.whole_number(1, 50), toml.Key(toml.number(0, 6), field="sigmas")
_KEYS = {"count": toml.Key(_COUNT), "of": toml.Key(_COUNT, field="window"), "beyond_sigmas": _SIGMAS}
_RULE = toml.table(_KEYS, dict, _check_rule)
_OWN_RULES = toml.tables(_RULE, unique=lambda rule: tuple(rule.values()), called="the same rule", may_be_empty=False)
_NAMED_RULES = toml.choice(RULE_SETS)


def _rules(value: Any, path: str, problems: toml.Problems) -> Any:
    """Read the name of a rule set, or rules with counts of one's own."""
    if isinstance(value, list):
        own = _OWN_RULES(value, path, problems)
        return toml.UNFIT if own is toml.UNFIT else tuple(Beyond(**rule) for rule in own)
    name = _NAMED_RULES(value, path, problems)
    return toml.UNFIT if name is toml.UNFIT else RULE_SETS[name]


_NUMBERS = toml.listed(toml.ABOVE_ZERO, "two numbers")


def _pair(value: Any, path: str, problems: toml.Problems) -> Any:
    numbers = _NUMBERS(value, path, problems)
    if numbers is toml.UNFIT or len(numbers) == 2:
        return numbers
    return problems.note(path, "two numbers are expected: one for a ratio R/r below ratio, one for the others")


toml.described(_pair, lambda: toml.schema_of(_NUMBERS))


def _check_performance(limits: PerformanceThresholds) -> Iterator[tuple[str, str]]:
    if any(low > high for low, high in zip(limits.inconsistent, limits.satisfactory, strict=True)):
        yield "inconsistent", "numbers not greater than those of satisfactory are expected"


_PERFORMANCE = toml.table(
    {
        "ratio": toml.Key(toml.ABOVE_ZERO, PERFORMANCE_THRESHOLDS.ratio_split, field="ratio_split"),
        "satisfactory": toml.Key(_pair, PERFORMANCE_THRESHOLDS.satisfactory),
        "inconsistent": toml.Key(_pair, PERFORMANCE_THRESHOLDS.inconsistent),
    },
    partial(PerformanceThresholds, source="lab.toml, [control.performance]"),
    _check_performance,
)
CONTROL = toml.record_of(
    ControlChoices,
    toml.in_order("fewest_results", "settled_results", "at least fewest_results"),
    baselines=toml.Key(
        toml.tables(
            toml.record_of(Baseline, toml.in_order("first_day", "last_day", "a day on or after from", "to")),
            unique=lambda one: one,
            called="the same baseline",
        )
    ),
    rules=toml.Key(_rules),
    performance=toml.Key(_PERFORMANCE),
)  # reader of the whole table


def _check_repeats(choices: DuplicateChoices) -> Iterator[tuple[str, str]]:
    short_h = choices.repeatability_window_h
    if 24.0 * choices.intermediate_window_d < short_h:
        expected = f"at least repeatability_window_h ({short_h:g} h) is expected"
        yield "intermediate_window_d", f"{choices.intermediate_window_d:g}: {expected}"


DUPLICATES = toml.record_of(DuplicateChoices, _check_repeats)  # reader of the whole table
_DRIVER = "postgresql+psycopg"
_EXAMPLE = f"'{_DRIVER}://name@host/database'"


def _url(value: Any, path: str, problems: toml.Problems) -> Any:
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


RECORD = toml.record_of(RecordPlace, _check_place, url=toml.Key(_url))  # reader of the whole table


def _since(value: Any) -> Any:
    return (date.min if value else None) if isinstance(value, bool) else value if toml.is_day(value) else toml.UNFIT


_SECOND_PERSON = toml.one_that(
    lambda since: since is not toml.UNFIT, "true, false or a first day such as 2026-04-01 is expected", make=_since
)
DECISIONS = toml.record_of(DecisionChoices, second_person=toml.Key(_SECOND_PERSON))  # reader of the whole table
