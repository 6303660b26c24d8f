"""The public names of the room, and the module that each lives in; read by type checkers, and by Python on use."""

from .certificates import (
    COMPARISON_COLUMNS as COMPARISON_COLUMNS,
    UNITS as UNITS,
    compare_with_certificates as compare_with_certificates,
)
from .checks import Action as Action, Check as Check
from .control.chart_making import control_charts as control_charts
from .control.charts import Chart as Chart
from .control.panels import (
    Panel as Panel,
    earlier_words as earlier_words,
    groups_of as groups_of,
    lots_compared as lots_compared,
    panels_of as panels_of,
)
from .control.watch import Stream as Stream
from .duplicates.comparison import NamedSpread as NamedSpread
from .duplicates.precision import NOT_ENOUGH as NOT_ENOUGH, DuplicateSummary as DuplicateSummary
from .duplicates.report import (
    DUPLICATE_VERDICTS as DUPLICATE_VERDICTS,
    DuplicateReport as DuplicateReport,
    duplicates_between as duplicates_between,
    report_duplicates as report_duplicates,
)
from .duplicates.sets import SetBeyond as SetBeyond
from .month.oils import CarryOver as CarryOver, OilSummary as OilSummary
from .month.report import MONTH_VERDICTS as MONTH_VERDICTS, MonthReport as MonthReport, report_month as report_month
from .period import Month as Month, Period as Period, month_of as month_of
from .record.dossier import Dossier as Dossier
from .record.gathering import gather as gather, gather_record as gather_record
from .record.measurements import Material as Material
from .run.reported import (
    Reported as Reported,
    reported_of as reported_of,
    results_for_programs as results_for_programs,
    results_table as results_table,
)
from .run.results import Curve as Curve, density_curve as density_curve, viscosity_curve as viscosity_curve
from .run.verdict import VERDICTS as VERDICTS, Judgement as Judgement, judge as judge, next_steps as next_steps
from .setup.description import SEVERITIES as SEVERITIES, Finding as Finding
from .setup.first_settings import FirstSettings as FirstSettings, propose_settings as propose_settings
from .setup.review import SetupReview as SetupReview, review_setup as review_setup
from .studies.asked import report_study as report_study
from .studies.precision import LaboratoryStudy as LaboratoryStudy
from .studies.reading import Study as Study, written_in as written_in
from .studies.rounds import Rounds as Rounds, ScoredRound as ScoredRound
from .studies.two_methods import Comparison as Comparison
from .uncertainty.results import (
    COMPONENTS as COMPONENTS,
    Consequence as Consequence,
    Effect as Effect,
    Result as Result,
    by_component as by_component,
    reported_value as reported_value,
)
from .variance.components import (
    ComponentsOfVariance as ComponentsOfVariance,
    components_of_results as components_of_results,
    components_of_variance as components_of_variance,
    components_side_by_side as components_side_by_side,
)
from .year.report import (
    Alarms as Alarms,
    OilTrend as OilTrend,
    YearReport as YearReport,
    quality_for_programs as quality_for_programs,
    quality_table as quality_table,
    report_year as report_year,
)
