"""Public names, frozen: a name that goes or comes is a decision, and this file shows it."""

from __future__ import annotations

import importlib
import subprocess
import sys

import pytest

NAMES = {
    "labcalc": """
        __version__ api_gravity density_at fit_viscosity_temperature viscosity_grade viscosity_index
    """,
    "labcalc.formulae": """
        Blend BlendFraction COMMODITIES Commodity EstimatedLine ExponentialCurve FlowResult GRADE_TABLES
        GradeCandidates LineDeparture ModelComparison OscillatingTube RelativeDensity UbbelohdeWaltherLine
        VISCOSITY_MODELS ViscosityBand ViscosityGravityConstants ViscosityTemperatureLine VolumeCorrection
        adjust_oscillating_tube alpha_60_from_densities api_gravity blend_lines blend_viscosity_double_log
        buoyancy_factor compare_viscosity_models constant_at_gravity density_at density_at_60F
        density_from_api_gravity density_from_relative_density density_slope departure_from_line dry_air_density
        dynamic_from_kinematic editions engler_from_kinematic estimate_viscosity_temperature fit_andrade
        fit_ubbelohde_walther fit_viscosity_temperature fit_vogel flow_result flow_time_for_kinetic_share
        fraction_that_explains grade_candidates humid_air_density ipts68_from_its90 kinematic_from_dynamic
        kinematic_from_engler kinematic_from_redwood kinematic_from_saybolt_furol kinematic_from_saybolt_universal
        kinetic_energy_factor redwood_from_kinematic relative_density relative_density_to_water
        relative_molecular_mass reported_viscosity_index saybolt_furol_from_kinematic saybolt_universal_from_kinematic
        viscosities_at_100F_and_210F viscosity_from_flow_time viscosity_from_ordinate viscosity_grade
        viscosity_gravity_constant_100C viscosity_gravity_constant_40C viscosity_gravity_constants viscosity_index
        volume_correction walther_ordinate water_density water_viscosity watson_factor_estimate
    """,
    "labcalc.statistics": """
        ANDERSON_DARLING_FACTORS AcceptedResults AgreementLimits Alternation AnalysisLine Beyond BiasTest
        BudgetComponent CHART_CONSTANTS CRITICAL_RANGE_FACTORS CarriedShare ChartConstants ChartLimits Conformity
        ConformityProbability CusumChart DECISION_RULES DecisionRule DesignStep DeterminationPatterns Dispute
        Distribution DuplicatePrecision EstimatedLimitsRunLength EwmaChart ExtremeDeviates FEWEST_CHANGES GlobalRisks
        HIGH_LOW_ORDER HighLowCarryOver IndividualsChart InputQuantity InterlaboratoryCells InterlaboratoryPrecision
        IntervalGain LEAST_PAIRS_FOR_A_POWER_LAW LevelDependence LikelihoodComponents MandelStatistics MeasurementPlan
        MonteCarloResult NELSON NestedAnalysis NewLot NormalityFactor NormalityTest ONE_SIDED_FACTOR OneWayAnalysis
        OrderEffect OutlierFlag OutlierTest PERFORMANCE_THRESHOLDS PETROLEUM Pattern PerformanceIndex
        PerformanceThresholds PeriodComparison PowerLaw PrecisionRelation PreviousRegression ProficiencyRound
        RULE_SETS RepeatDecision RepeatabilityComparison Resolution RobustEstimate RuleSignals RunLength RunRule
        STANDARD_LIMITS ScreenedCells SerialDependence SharesOverTime Signal SimulatedRunLength SitePrecision Trend
        TrueValue UncertaintyBudget Validation VarianceComponent VarianceComponents VarianceSum WESTERN_ELECTRIC
        Within acceptable_result acceptance_interval accepted_results agreement_limits algorithm_a algorithm_s
        anderson_darling best_estimate best_plan between_laboratories_limit bias_test cochran_limit cochran_test
        combination_interval compare_periods compare_repeatability complies conformity_probability
        correlation_from_covariance coverage_factor critical_range cusum cusum_chart cusum_run_length
        decide_conformity delivery_limits determination_patterns deviation_limit difference_limit_factor
        duplicate_precision effective_degrees_of_freedom en_score en_words estimate_with_prior
        estimated_limits_run_length ewma ewma_chart ewma_run_length extreme_deviate_limit extreme_deviates
        fit_power_law fit_precision_relation global_risks grubbs_limit grubbs_pair_limit grubbs_pair_test grubbs_test
        high_low_carry_over high_low_steps holm_adjusted individuals_chart individuals_limits interlaboratory_cells
        interlaboratory_precision interval_gains kendall_trend level_dependence lie_within likelihood_components
        limits_leave_room lot_change mandel_h_limit mandel_k_limit mandel_statistics mean_range_precision
        mean_variance monte_carlo moving_ranges nested_analysis new_lot_statistics numerical_tolerance
        one_sided_margin one_way_analysis order_effect pairs_needed performance_index pooled_precision
        precision_relations proficiency_round propagated_covariance propagated_uncertainty regress_on_previous
        relative_duplicate_precision resolution robust_mean_uncertainty rounded rounded_to_figures rounding_step
        rules_run_length run_rule_signals scaled_median_deviation score_words screen_cells sensitivities
        serial_dependence settle_dispute share_beyond shares_over_time simulated_run_length site_precision
        spread_interval standard_from_half_width standardised_over_lots theil_sen_slope three_step_carry_over
        two_sided_run_length uncertainty_budget validated variance_components within_materials z_prime_score z_score
        zeta_score
    """,
    "labcalc.errors": """
        ConvergenceWarning DecisionError EvidenceError ExportError ExtrapolationWarning LabcalcError LabcalcWarning
        LessonError MonthError OutOfRangeError ParameterError PeriodError SettingsError UnknownRunError
        WorkbookError
    """,
}


@pytest.mark.parametrize("module", NAMES)
def test_exported_names(module: str) -> None:
    exported = importlib.import_module(module)
    assert sorted(exported.__all__) == sorted(NAMES[module].split())
    assert all(hasattr(exported, name) for name in exported.__all__)
    assert set(exported.__all__) <= set(dir(exported))


def test_an_unknown_name_is_refused() -> None:
    labcalc = importlib.import_module("labcalc")
    with pytest.raises(AttributeError, match="module 'labcalc' has no attribute 'viscosity_indx'"):
        _ = labcalc.viscosity_indx


def test_formulae_load_numpy_only() -> None:
    code = (
        "import sys, labcalc; before = 'numpy' in sys.modules; labcalc.viscosity_index;"
        "print(before, [n for n in ('scipy', 'pandas', 'plotly') if n in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False []"
