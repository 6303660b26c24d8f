"""The public names of the room, and the module that each lives in; read by type checkers, and by Python on use."""

from .causes.explanation import (
    deviation_picture as deviation_picture,
    show_causes as show_causes,
    show_conclusions as show_conclusions,
    show_evidence as show_evidence,
    show_explanations as show_explanations,
    show_how_well as show_how_well,
)
from .causes.pictures import (
    one_above_others as one_above_others,
    problem_pictures as problem_pictures,
    show_run_and_day as show_run_and_day,
    what_if_places as what_if_places,
)
from .control.sheets import draw_control_chart as draw_control_chart
from .duplicates.precision import (
    duplicate_pictures as duplicate_pictures,
    show_duplicate_biases as show_duplicate_biases,
    show_duplicate_header as show_duplicate_header,
    show_duplicate_provenance as show_duplicate_provenance,
    show_duplicate_summaries as show_duplicate_summaries,
    show_duplicate_verdict as show_duplicate_verdict,
    show_duplicates_beyond as show_duplicates_beyond,
    show_pairing_rule as show_pairing_rule,
    show_spreads as show_spreads,
    summarise_duplicates as summarise_duplicates,
)
from .markup import Fragment as Fragment, Summary as Summary, fold as fold, note as note
from .month.oils import (
    instrument_pages as instrument_pages,
    show_certificates as show_certificates,
    show_limits as show_limits,
    show_oils as show_oils,
    show_operators as show_operators,
)
from .month.report import (
    show_actions as show_actions,
    show_carry_over as show_carry_over,
    show_components as show_components,
    show_decisions as show_decisions,
    show_month_header as show_month_header,
    show_month_provenance as show_month_provenance,
    show_month_refusals as show_month_refusals,
    show_month_verdict as show_month_verdict,
    show_notices as show_notices,
    summarise_month as summarise_month,
)
from .picture import Picture as Picture
from .provenance import (
    show_cautions as show_cautions,
    show_provenance as show_provenance,
    show_record as show_record,
    show_refusals as show_refusals,
)
from .run.pictures import (
    density_picture as density_picture,
    reference_picture as reference_picture,
    viscosity_picture as viscosity_picture,
)
from .run.verdict import (
    show_budget as show_budget,
    show_checks as show_checks,
    show_head as show_head,
    show_reported as show_reported,
    show_verdict as show_verdict,
    summarise as summarise,
)
from .studies.page import (
    show_study_header as show_study_header,
    show_study_provenance as show_study_provenance,
    show_study_tables as show_study_tables,
    show_study_verdict as show_study_verdict,
    study_pictures as study_pictures,
    summarise_study as summarise_study,
)
from .year.pages import (
    alarm_picture as alarm_picture,
    show_trends as show_trends,
    show_year_checks as show_year_checks,
    trend_pictures as trend_pictures,
)
