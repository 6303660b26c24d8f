"""How far ranked causes can be trusted: what was stated and what was right, in simulated laboratories."""

from __future__ import annotations

import math
from html import escape

from labcalc.figures.markup import Fragment, folded, html_table, note
from labcalc.wording import percent

_MOST_TAKEN_FOR = 2


def show_how_well() -> Fragment:
    """Return, behind a line that opens it, how often the leading cause was right, by what was stated and by cause."""
    from labcalc.judgement.causes import CAUSES, reliability

    found = reliability()
    stated = [
        (
            f"{percent(one.lowest, 0)} to {percent(one.highest, 0)}",
            _of(one.right, one.runs),
            percent(one.right / one.runs if one.runs else math.nan, 0),
        )
        for one in found.stated
    ]
    true = []
    for one in found.causes:
        others = [CAUSES[key].title for key in one.leading if key != one.cause][:_MOST_TAKEN_FOR]
        what = CAUSES[one.cause].title if one.cause in CAUSES else _BEYOND
        counts = _of(one.first, one.runs), _of(one.among_two, one.runs)
        true.append((escape(what), *counts, escape("; ".join(others))))
    words = (
        f"{found.runs} simulated runs, {len(found.seeds)} laboratories, {found.date}. Their physics is written apart "
        "from what ranks the causes, and has faults that are on no list. In the second table only runs count that "
        f"somebody who knows that physics could tell. Again: {found.command}."
    )
    tables = html_table("Runs held back", ("Stated of the first cause", "Right", "Share"), stated, numeric=(1, 2))
    columns = ("What was wrong", "Came first", "Among the first two", "Else taken for")
    tables += html_table("By what was wrong", columns, true, numeric=(1, 2))
    text = "\n".join(f"stated {row[0]}: right {row[1]}" for row in stated)
    return Fragment(folded("How often the first cause is right", note(words).html + tables), text)


_BEYOND = "Something that is on no list, or two at once"


def _of(part: int, whole: int) -> str:
    return f"{part} of {whole}"
