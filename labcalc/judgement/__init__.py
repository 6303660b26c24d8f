"""What the laboratory decides: is this run valid, is the instrument right, does the product comply."""

from __future__ import annotations

from labcalc.judgement.certificates import COMPARISON_COLUMNS, compare_with_certificates
from labcalc.judgement.checks import Check
from labcalc.judgement.components_of_variance import (
    ComponentsOfVariance,
    components_of_results,
    components_of_variance,
)
from labcalc.judgement.consequences import Consequence
from labcalc.judgement.control import Chart, ChartSignal, control_charts
from labcalc.judgement.control_state import (
    CHART_STATUSES,
    REMEDIES,
    ChartState,
    ChartStatus,
    chart_status,
    states_at,
)
from labcalc.judgement.curves import Curve, density_curve, viscosity_curve
from labcalc.judgement.duplicate_bias import DuplicateFinding
from labcalc.judgement.duplicate_sets import figures_of
from labcalc.judgement.duplicate_summary import STATEMENT_DEGREES, DuplicateSummary
from labcalc.judgement.duplicates import (
    DUPLICATE_VERDICTS,
    DuplicateReport,
    duplicates_between,
    report_duplicates,
)
from labcalc.judgement.level_study import LevelStudy
from labcalc.judgement.material import Dossier, Material, gather, gather_record
from labcalc.judgement.month import MONTH_VERDICTS, MonthReport, report_month
from labcalc.judgement.month_actions import Action
from labcalc.judgement.month_carry_over import CarryOver
from labcalc.judgement.month_oils import OilSummary
from labcalc.judgement.oils_together import components_side_by_side
from labcalc.judgement.period import Month, Period, month_of
from labcalc.judgement.results import UNITS, Result, reported_value
from labcalc.judgement.sets_beyond import SetBeyond
from labcalc.judgement.sight import EstimatedSight, Sight, sight_of, sight_of_few
from labcalc.judgement.uncertainty import COMPONENTS, Effect, by_component
from labcalc.judgement.verdict import VERDICTS, Judgement, judge

__all__ = [
    "CHART_STATUSES",
    "COMPARISON_COLUMNS",
    "COMPONENTS",
    "DUPLICATE_VERDICTS",
    "MONTH_VERDICTS",
    "REMEDIES",
    "STATEMENT_DEGREES",
    "UNITS",
    "VERDICTS",
    "Action",
    "CarryOver",
    "Chart",
    "ChartSignal",
    "ChartState",
    "ChartStatus",
    "Check",
    "ComponentsOfVariance",
    "Consequence",
    "Curve",
    "Dossier",
    "DuplicateFinding",
    "DuplicateReport",
    "DuplicateSummary",
    "Effect",
    "EstimatedSight",
    "Judgement",
    "LevelStudy",
    "Material",
    "Month",
    "MonthReport",
    "OilSummary",
    "Period",
    "Result",
    "SetBeyond",
    "Sight",
    "by_component",
    "chart_status",
    "compare_with_certificates",
    "components_of_results",
    "components_of_variance",
    "components_side_by_side",
    "control_charts",
    "density_curve",
    "duplicates_between",
    "figures_of",
    "gather",
    "gather_record",
    "judge",
    "month_of",
    "report_duplicates",
    "report_month",
    "reported_value",
    "sight_of",
    "sight_of_few",
    "states_at",
    "viscosity_curve",
]
