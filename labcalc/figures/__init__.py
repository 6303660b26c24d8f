"""Results in, pictures and tables out; nothing is computed here."""

from __future__ import annotations

from labcalc.figures.budget import show_budget
from labcalc.figures.carry_over import carry_over_pictures, draw_carry_over, show_carry_over
from labcalc.figures.causes import show_causes
from labcalc.figures.control import control_pictures, draw_control_chart
from labcalc.figures.density import draw_density_temperature
from labcalc.figures.duplicate_tables import (
    show_duplicate_biases,
    show_duplicate_header,
    show_duplicate_provenance,
    show_duplicate_summaries,
    show_duplicate_verdict,
    show_duplicates_beyond,
    show_pairing_rule,
    summarise_duplicates,
)
from labcalc.figures.duplicates import draw_against_level, draw_in_time, duplicate_pictures, level_pictures
from labcalc.figures.explanations import (
    show_conclusions,
    show_evidence,
    show_explanations,
    show_outcomes,
)
from labcalc.figures.interlaboratory import draw_consistency
from labcalc.figures.markup import Fragment, Summary, note
from labcalc.figures.month import (
    show_actions,
    show_decisions,
    show_month_header,
    show_month_provenance,
    show_month_refusals,
    show_month_verdict,
    show_notices,
    summarise_month,
)
from labcalc.figures.month_tables import (
    show_changes,
    show_limits,
    show_oils,
    show_operators,
    workload_picture,
)
from labcalc.figures.picture import Picture
from labcalc.figures.problem import live_figure, problem_pictures, redraw
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
from labcalc.figures.variance import component_pictures, draw_components, show_components
from labcalc.figures.viscosity import draw_viscosity_temperature
from labcalc.figures.what_if import move_what_if
from labcalc.figures.workload import draw_workload

__all__ = [
    "Fragment",
    "Picture",
    "Summary",
    "carry_over_pictures",
    "component_pictures",
    "control_pictures",
    "density_picture",
    "draw_against_level",
    "draw_carry_over",
    "draw_components",
    "draw_consistency",
    "draw_control_chart",
    "draw_density_temperature",
    "draw_in_time",
    "draw_reference_history",
    "draw_viscosity_temperature",
    "draw_workload",
    "duplicate_pictures",
    "level_pictures",
    "live_figure",
    "move_what_if",
    "note",
    "problem_pictures",
    "redraw",
    "reference_picture",
    "show_actions",
    "show_budget",
    "show_carry_over",
    "show_causes",
    "show_cautions",
    "show_changes",
    "show_checks",
    "show_components",
    "show_conclusions",
    "show_consequences",
    "show_decisions",
    "show_duplicate_biases",
    "show_duplicate_header",
    "show_duplicate_provenance",
    "show_duplicate_summaries",
    "show_duplicate_verdict",
    "show_duplicates_beyond",
    "show_evidence",
    "show_explanations",
    "show_header",
    "show_limits",
    "show_month_header",
    "show_month_provenance",
    "show_month_refusals",
    "show_month_verdict",
    "show_notices",
    "show_oils",
    "show_operators",
    "show_outcomes",
    "show_pairing_rule",
    "show_provenance",
    "show_refusals",
    "show_results",
    "show_verdict",
    "summarise",
    "summarise_duplicates",
    "summarise_month",
    "viscosity_picture",
    "workload_picture",
]
