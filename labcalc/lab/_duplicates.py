"""The table [duplicates] of lab.toml: which results of one sample are repeats of each other."""

from __future__ import annotations

from collections.abc import Iterator

from labcalc.lab._tables import Key, choice, listed, number, shown, table, text
from labcalc.lab.laboratory import REPEAT_KINDS, DuplicateChoices

_DEFAULT = DuplicateChoices()
_ABOVE_ZERO = number(above=0)


def _check(choices: DuplicateChoices) -> Iterator[tuple[str, str]]:
    short_h, long_h = choices.repeatability_window_h, 24.0 * choices.intermediate_window_d
    if long_h < short_h:
        yield (
            "intermediate_window_d",
            f"{choices.intermediate_window_d:g}: at least repeatability_window_h ({short_h:g} h) is expected",
        )


DUPLICATES = table(
    {
        "count": Key(listed(choice(REPEAT_KINDS), ", ".join(map(shown, REPEAT_KINDS))), _DEFAULT.count),
        "second_fill_endings": Key(listed(text, "endings", may_be_empty=True), _DEFAULT.second_fill_endings),
        "repeatability_window_h": Key(_ABOVE_ZERO, _DEFAULT.repeatability_window_h),
        "intermediate_window_d": Key(_ABOVE_ZERO, _DEFAULT.intermediate_window_d),
    },
    DuplicateChoices,
    _check,
)
"""Reader of the whole table."""
