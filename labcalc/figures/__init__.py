"""Results in, pictures and tables out; nothing is computed here."""

from __future__ import annotations

from labcalc.figures.density import draw_density_temperature
from labcalc.figures.markup import Fragment, Summary, note
from labcalc.figures.picture import Picture
from labcalc.figures.reference import draw_reference_history
from labcalc.figures.run import density_picture, reference_picture, viscosity_picture
from labcalc.figures.tables import (
    show_cautions,
    show_checks,
    show_consequences,
    show_header,
    show_provenance,
    show_refusals,
    show_results,
    show_verdict,
    summarise,
)
from labcalc.figures.viscosity import draw_viscosity_temperature

__all__ = [
    "Fragment",
    "Picture",
    "Summary",
    "density_picture",
    "draw_density_temperature",
    "draw_reference_history",
    "draw_viscosity_temperature",
    "note",
    "reference_picture",
    "show_cautions",
    "show_checks",
    "show_consequences",
    "show_header",
    "show_provenance",
    "show_refusals",
    "show_results",
    "show_verdict",
    "summarise",
    "viscosity_picture",
]
