"""Which standard and edition each formula follows."""

import sys
from inspect import unwrap

from labcalc import formulae


def edition_of(formula: str) -> str:
    """Return standard, edition and year that a formula follows.

    formula : Public name of a formula.
    """
    return str(sys.modules[unwrap(getattr(formulae, formula)).__module__].EDITION)
