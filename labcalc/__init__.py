"""labcalc: from a viscosity and density run export to a result that can be signed."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from labcalc.formulae import (
        api_gravity,
        density_at,
        fit_viscosity_temperature,
        viscosity_grade,
        viscosity_index,
    )

__all__ = [
    "__version__",
    "api_gravity",
    "density_at",
    "fit_viscosity_temperature",
    "viscosity_grade",
    "viscosity_index",
]

__version__ = "0.1.0"

_FORMULAE = frozenset(__all__) - {"__version__"}
"""Names that are fetched when they are first asked for, so that importing labcalc stays light."""


def __getattr__(name: str) -> object:
    if name in _FORMULAE:
        from labcalc import formulae

        return getattr(formulae, name)
    raise AttributeError(f"module 'labcalc' has no attribute '{name}'")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
