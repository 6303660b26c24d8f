"""The public names of the room, and the module that each lives in; read by type checkers, and by Python on use."""

from .certificates import (
    COMPARISON_COLUMNS as COMPARISON_COLUMNS,
    compare_with_certificates as compare_with_certificates,
)
from .checks import Check as Check
from .components_of_variance import (
    ComponentsOfVariance as ComponentsOfVariance,
    components_of_results as components_of_results,
    components_of_variance as components_of_variance,
)
from .consequences import Consequence as Consequence
from .control import Chart as Chart, ChartSignal as ChartSignal, control_charts as control_charts
from .control_state import (
    CHART_STATUSES as CHART_STATUSES,
    REMEDIES as REMEDIES,
    ChartState as ChartState,
    ChartStatus as ChartStatus,
    chart_status as chart_status,
    states_at as states_at,
)
from .curves import Curve as Curve, density_curve as density_curve, viscosity_curve as viscosity_curve
from .dossier import Dossier as Dossier
from .duplicate_bias import DuplicateFinding as DuplicateFinding
from .duplicate_sets import figures_of as figures_of
from .duplicate_summary import STATEMENT_DEGREES as STATEMENT_DEGREES, DuplicateSummary as DuplicateSummary
from .duplicates import (
    DUPLICATE_VERDICTS as DUPLICATE_VERDICTS,
    DuplicateReport as DuplicateReport,
    duplicates_between as duplicates_between,
    report_duplicates as report_duplicates,
)
from .gathering import gather as gather, gather_record as gather_record
from .level_study import LevelStudy as LevelStudy
from .material import Material as Material
from .month import MONTH_VERDICTS as MONTH_VERDICTS, MonthReport as MonthReport, report_month as report_month
from .month_actions import Action as Action
from .month_carry_over import CarryOver as CarryOver
from .month_oils import OilSummary as OilSummary
from .oils_together import components_side_by_side as components_side_by_side
from .period import Month as Month, Period as Period, month_of as month_of
from .results import UNITS as UNITS, Result as Result, reported_value as reported_value
from .sets_beyond import SetBeyond as SetBeyond
from .sight import EstimatedSight as EstimatedSight, Sight as Sight, sight_of as sight_of, sight_of_few as sight_of_few
from .uncertainty import COMPONENTS as COMPONENTS, Effect as Effect, by_component as by_component
from .verdict import VERDICTS as VERDICTS, Judgement as Judgement, judge as judge
