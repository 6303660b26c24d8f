"""Which standard and edition each formula follows, and the page of ``labcalc methods`` that tells it."""

import sys
from functools import cache
from inspect import isfunction, unwrap

from labcalc import formulae


def edition_of(formula: str) -> str:
    """Return standard, edition and year that a formula follows.

    formula : Public name of a formula.
    """
    return str(sys.modules[unwrap(getattr(formulae, formula)).__module__].EDITION)


@cache
def methods_pages() -> dict[str, list[str]]:
    """Return the names of the formulas on each page of ``labcalc methods``, by the page's file name."""
    pages: dict[str, list[str]] = {}
    for name in sorted(dir(formulae)):
        module = unwrap(getattr(formulae, name)).__module__ if isfunction(getattr(formulae, name)) else __name__
        if module != __name__:
            pages.setdefault(f"methods-{module.rpartition('.')[2].replace('_', '-')}.html", []).append(name)
    return dict(sorted(pages.items()))


def page_of_edition(edition: str) -> str:
    """Return the file name of the page of ``labcalc methods`` with a formula of an edition; empty where none is.

    edition : As ``edition_of`` gives it.
    """
    told = {page: edition_of(names[0]) for page, names in methods_pages().items()}
    return next((page for page, words in told.items() if edition in (words, *words.split(", "))), "")
