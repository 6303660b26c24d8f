"""The public names of the room, and the module that each lives in; read by type checkers, and by Python on use."""

from .charts.control_charts import (
    ChartSight as ChartSight,
    EwmaChart as EwmaChart,
    chart_sight as chart_sight,
    early_signals as early_signals,
    ewma as ewma,
    ewma_chart as ewma_chart,
    self_starting as self_starting,
)
from .charts.control_limits import (
    CHART_CONSTANTS as CHART_CONSTANTS,
    ChartLimits as ChartLimits,
    individuals_limits as individuals_limits,
    lot_change as lot_change,
    moving_ranges as moving_ranges,
    stated_limits as stated_limits,
)
from .charts.normality import (
    Resolution as Resolution,
    anderson_darling as anderson_darling,
    resolution as resolution,
    rounding_step as rounding_step,
    serial_dependence as serial_dependence,
)
from .charts.run_length import (
    RunLength as RunLength,
    SimulatedRunLength as SimulatedRunLength,
    ewma_run_length as ewma_run_length,
    rules_run_length as rules_run_length,
    simulated_run_length as simulated_run_length,
)
from .charts.run_rules import (
    RULE_SETS as RULE_SETS,
    Beyond as Beyond,
    RunRule as RunRule,
    Signal as Signal,
    Within as Within,
    run_rule_signals as run_rule_signals,
)
from .charts.shifts import (
    BiasTest as BiasTest,
    Drift as Drift,
    Onset as Onset,
    PeriodComparison as PeriodComparison,
    SustainedShift as SustainedShift,
    bias_test as bias_test,
    compare_periods as compare_periods,
    drift_of as drift_of,
    onset_of as onset_of,
    sustained_shift as sustained_shift,
)
from .coverage import coverage_factor as coverage_factor, effective_degrees_of_freedom as effective_degrees_of_freedom
from .decisions.conformity import (
    DECISION_RULES as DECISION_RULES,
    Conformity as Conformity,
    DecisionRule as DecisionRule,
    conformity_probability as conformity_probability,
    decide_conformity as decide_conformity,
    global_risks as global_risks,
    limits_leave_room as limits_leave_room,
    one_sided_margin as one_sided_margin,
)
from .decisions.proficiency import (
    ScoresTogether as ScoresTogether,
    en_score as en_score,
    proficiency_round as proficiency_round,
    score_words as score_words,
    scores_together as scores_together,
    zeta_score as zeta_score,
)
from .decisions.uncertainty import (
    Distribution as Distribution,
    InputQuantity as InputQuantity,
    UncertaintyBudget as UncertaintyBudget,
    standard_from_half_width as standard_from_half_width,
    uncertainty_budget as uncertainty_budget,
)
from .precision.analysis_of_variance import nested_analysis as nested_analysis
from .precision.carry_over import (
    FEWEST_CHANGES as FEWEST_CHANGES,
    CarriedShare as CarriedShare,
    DesignStep as DesignStep,
    SharesOverTime as SharesOverTime,
    high_low_carry_over as high_low_carry_over,
    high_low_steps as high_low_steps,
    shares_over_time as shares_over_time,
    within_materials as within_materials,
)
from .precision.comparison_lines import (
    BiasClass as BiasClass,
    ComparisonLine as ComparisonLine,
    bias_class as bias_class,
    deming_line as deming_line,
    passing_bablok_line as passing_bablok_line,
)
from .precision.crossed import (
    CrossedEffect as CrossedEffect,
    CrossedStudy as CrossedStudy,
    crossed_study as crossed_study,
)
from .precision.duplicates import (
    DIFFERENCE_LIMIT_FACTOR as DIFFERENCE_LIMIT_FACTOR,
    AgreementLimits as AgreementLimits,
    DuplicatePrecision as DuplicatePrecision,
    OrderEffect as OrderEffect,
    RepeatabilityComparison as RepeatabilityComparison,
    agreement_limits as agreement_limits,
    compare_repeatability as compare_repeatability,
    holm_adjusted as holm_adjusted,
    order_effect as order_effect,
    pairs_needed as pairs_needed,
    pooled_precision as pooled_precision,
)
from .precision.interlaboratory import (
    MandelStatistics as MandelStatistics,
    ScreenedCells as ScreenedCells,
    interlaboratory_cells as interlaboratory_cells,
    mandel_statistics as mandel_statistics,
    screen_cells as screen_cells,
)
from .precision.method_precision import (
    InterlaboratoryPrecision as InterlaboratoryPrecision,
    PrecisionRelation as PrecisionRelation,
    interlaboratory_precision as interlaboratory_precision,
    precision_relations as precision_relations,
)
from .precision.nested_components import (
    VarianceComponent as VarianceComponent,
    VarianceComponents as VarianceComponents,
    VarianceSum as VarianceSum,
    likelihood_components as likelihood_components,
    variance_components as variance_components,
)
from .precision.outliers import (
    OutlierTest as OutlierTest,
    cochran_limit as cochran_limit,
    cochran_test as cochran_test,
    extreme_deviates as extreme_deviates,
    grubbs_limit as grubbs_limit,
    grubbs_pair_limit as grubbs_pair_limit,
    grubbs_test as grubbs_test,
    tietjen_moore_test as tietjen_moore_test,
)
from .precision.within_laboratory import (
    CRITICAL_RANGE_FACTORS as CRITICAL_RANGE_FACTORS,
    PERFORMANCE_THRESHOLDS as PERFORMANCE_THRESHOLDS,
    PerformanceIndex as PerformanceIndex,
    PerformanceThresholds as PerformanceThresholds,
    SitePrecision as SitePrecision,
    acceptable_result as acceptable_result,
    critical_range as critical_range,
    family_repeatability as family_repeatability,
    lie_within as lie_within,
    performance_index as performance_index,
    site_precision as site_precision,
    spread_interval as spread_interval,
)
from .robust import RobustEstimate as RobustEstimate, algorithm_a as algorithm_a, q_hampel as q_hampel
from .rounding import rounded as rounded, rounded_to_figures as rounded_to_figures
