"""Public names, frozen: a name that goes or comes is a decision, and this file shows it."""

from __future__ import annotations

import ast
import importlib
import re
import subprocess
import sys
from pathlib import Path

import pytest

import labcalc

NAMES = {
    "labcalc": """
        api_gravity density_at fit_viscosity_temperature read viscosity_grade viscosity_index
    """,
    "labcalc.formulae": """
        Blend BlendFraction COMMODITIES Commodity EstimatedLine ExponentialCurve GRADE_TABLES GradeCandidates
        LineDeparture ModelComparison OscillatingTube OwnExpansion SlopeJudgement UbbelohdeWaltherLine
        VISCOSITY_MODELS ViscosityBand ViscosityTemperatureLine VolumeCorrection adjust_oscillating_tube
        alpha_60_from_densities api_gravity blend_lines calculated_carbon_aromaticity_index
        calculated_ignition_index compare_viscosity_models density_at density_at_60F density_by_own_expansion
        density_from_api_gravity density_from_relative_density density_slope departure_from_line dry_air_density
        dynamic_from_kinematic edition_of engler_from_kinematic estimate_viscosity_temperature fit_andrade
        fit_ubbelohde_walther fit_viscosity_temperature fit_vogel fraction_that_explains grade_candidates
        ipts68_from_its90 judge_slope kinematic_from_engler kinematic_from_redwood kinematic_from_saybolt_furol
        kinematic_from_saybolt_universal kinetic_energy_factor line_model_uncertainty redwood_from_kinematic
        relative_density relative_molecular_mass reported_viscosity_index saybolt_furol_from_kinematic
        saybolt_universal_from_kinematic table_expansion_uncertainty viscosities_at_100F_and_210F
        viscosity_from_flow_time viscosity_from_ordinate viscosity_grade viscosity_gravity_constant_100C
        viscosity_gravity_constant_40C viscosity_index volume_correction walther_ordinate water_density
        water_viscosity
    """,
    "labcalc.statistics": """
        AgreementLimits Beyond BiasClass BiasTest CHART_CONSTANTS CRITICAL_RANGE_FACTORS CarriedShare
        ChartLimits ChartSight ComparisonLine Conformity CrossedEffect CrossedStudy DECISION_RULES
        DIFFERENCE_LIMIT_FACTOR DecisionRule DesignStep Distribution Drift DuplicatePrecision EwmaChart
        FEWEST_CHANGES InputQuantity InterlaboratoryPrecision MandelStatistics Onset OrderEffect OutlierTest
        PERFORMANCE_THRESHOLDS PerformanceIndex PerformanceThresholds PeriodComparison PrecisionRelation RULE_SETS
        RepeatabilityComparison Resolution RobustEstimate RunLength RunRule ScoresTogether ScreenedCells
        SharesOverTime Signal SimulatedRunLength SitePrecision SustainedShift UncertaintyBudget
        VarianceComponent VarianceComponents VarianceSum Within acceptable_result agreement_limits algorithm_a
        anderson_darling bias_class bias_test chart_sight cochran_limit cochran_test compare_periods
        compare_repeatability conformity_probability coverage_factor critical_range crossed_study
        decide_conformity deming_line drift_of early_signals
        effective_degrees_of_freedom en_score ewma ewma_chart ewma_run_length extreme_deviates
        family_repeatability global_risks grubbs_limit grubbs_pair_limit grubbs_test high_low_carry_over
        high_low_steps holm_adjusted individuals_limits interlaboratory_cells interlaboratory_precision
        lie_within likelihood_components limits_leave_room lot_change mandel_statistics moving_ranges
        nested_analysis one_sided_margin onset_of order_effect pairs_needed passing_bablok_line
        performance_index pooled_precision precision_relations proficiency_round q_hampel resolution rounded
        rounded_to_figures rounding_step rules_run_length run_rule_signals score_words scores_together
        screen_cells self_starting serial_dependence shares_over_time simulated_run_length site_precision
        spread_interval standard_from_half_width stated_limits sustained_shift tietjen_moore_test uncertainty_budget
        variance_components within_materials zeta_score
    """,
    "labcalc.exports": """
        Column DATE_ORDERS Profile Proposal QUANTITY_COLUMNS Reading Refusal SourceFile TIDY_COLUMNS
        columns_not_used derived_mark is_derived profiles_for propose_profile read_export read_exports totals
        without_marks write_frame write_table
    """,
    "labcalc.lab": """
        Added Assignment Baseline CLOCK_VARIABLE CertifiedValue ConformityChoices ControlChoices DECISION_KINDS
        Decided Decision DecisionChoices DuplicateChoices Fault GradeSystem Head Instrument Issue IssuedReport
        Laboratory Limit Precision PrecisionFunction PrecisionStatement Product ProductClass REPEAT_KINDS
        RecordPlace ReferenceLot ReferenceMaterial ReportChoices TypicalValue Uncertainty add_certificates
        add_decision add_exports add_issued add_pages certificates checked_decisions decisions_file
        earlier_export_files export_bytes exports_not_held file_head find_entries find_rows grade_systems
        issued_report label_runs laboratory_from line_of_key load_laboratory lot_in_use method_of move_decisions
        name_fits nearest precision_for present_moment printed_head product_classes product_of
        published_precision quantities_of read read_record record_head reference_of settled_files
        standard_limits verify_file verify_record watch_exports
    """,
    "labcalc.judgement": """
        Action Alarms COMPARISON_COLUMNS COMPONENTS CarryOver Chart Check Comparison ComponentsOfVariance
        Consequence Curve DUPLICATE_VERDICTS Dossier DuplicateReport DuplicateSummary Effect Finding
        FirstSettings Judgement LaboratoryStudy MONTH_VERDICTS Material Month MonthReport NOT_ENOUGH NamedSpread
        OilSummary OilTrend Panel Period Reported Result Rounds SEVERITIES ScoredRound SetBeyond SetupReview
        Stream Study UNITS VERDICTS YearReport by_component compare_with_certificates components_of_results
        components_of_variance components_side_by_side control_charts density_curve duplicates_between
        earlier_words gather gather_record groups_of judge lots_compared month_of next_steps panels_of
        propose_settings quality_for_programs quality_table report_duplicates report_month report_study
        report_year reported_of reported_value results_for_programs results_table review_setup viscosity_curve
        written_in
    """,
    "labcalc.judgement.causes": """
        BEYOND Before CAUSES Candidate Cause Evidence Explanation HouseProduct InstrumentBias KINDS
        LaboratoryOdds LeadingCause Liquid NextMeasurement Noise PRIOR_ODDS ReferenceOil Reliability WhatIf
        candidates evidence_of laboratory_odds leading_cause rank_causes reliability what_if with_measurement
    """,
    "labcalc.lessons": """
        Agreement Answer CLASS_COLUMNS Choice ClassTable Draft Drafts Feedback Journal LESSONS Learner Lesson
        LessonResult LessonTest Mark NumberQuestion Option Plot Question Series Slip TEST_QUESTIONS
        ask chance_of class_table draft_named drafts_of
        draw_test grade grouped keep_learner kept_learner kept_result lesson_named number_from plot_draws
        read_result save_result seed_of worked_example
    """,
    "labcalc.bench": """
        CALCULATIONS Calculation Field Table typed_number
    """,
    "labcalc.figures": """
        Fragment Picture Summary alarm_picture density_picture deviation_picture draw_control_chart
        duplicate_pictures fold instrument_pages note one_above_others problem_pictures reference_picture
        show_actions show_budget show_carry_over show_causes show_cautions show_certificates show_checks
        show_components show_conclusions show_decisions show_duplicate_biases show_duplicate_header
        show_duplicate_provenance show_duplicate_summaries show_duplicate_verdict show_duplicates_beyond
        show_evidence show_explanations show_head show_how_well show_limits show_month_header
        show_month_provenance show_month_refusals show_month_verdict show_notices show_oils show_operators
        show_pairing_rule show_provenance show_record show_refusals show_reported show_run_and_day show_spreads
        show_study_header show_study_provenance show_study_tables show_study_verdict show_trends show_verdict
        show_year_checks study_pictures summarise summarise_duplicates summarise_month summarise_study
        trend_pictures viscosity_picture what_if_places
    """,
    "labcalc.workbooks": """
        BatchOptions BatchResult ENGINES Json Limits Outcome Progress RenderedReport ReportJob SAMPLE_FOLDER
        Scripts WorkbookCopy copy_sample_laboratory copy_workbook duplicate_report_job keep_units
        month_report_job page_of print_pdf put_page render_batch render_workbook run_report_jobs safe_stem
        serve_workbook study_job workbook_names
    """,
    "labcalc.widgets": """
        Added BenchPage Problem ProblemPage WhatIfSettings open_problem problem_of still_bench still_causes
        still_opening still_pictures
    """,
    "labcalc.errors": """
        ConvergenceWarning DecisionError EvidenceError ExportError ExtrapolationWarning LabcalcError
        LabcalcWarning LessonError MonthError OutOfRangeError ParameterError PeriodError RecordError
        SettingsError SettingsProblem StudyError UnknownRunError WorkbookError
    """,
}


PACKAGE = Path(labcalc.__file__).parent
FACES = {".".join(["labcalc", *stub.parent.relative_to(PACKAGE).parts]) for stub in PACKAGE.rglob("__init__.pyi")}


def test_every_package_with_a_face_is_frozen() -> None:
    assert {*FACES, "labcalc.errors"} == set(NAMES)


@pytest.mark.parametrize("module", NAMES)
def test_exported_names(module: str) -> None:
    exported = importlib.import_module(module)
    assert sorted(exported.__all__) == sorted(NAMES[module].split())
    assert all(hasattr(exported, name) for name in exported.__all__)
    assert set(exported.__all__) <= set(dir(exported))


@pytest.mark.parametrize("module", sorted(FACES))
def test_one_way_to_make_a_face(module: str) -> None:
    """A name stands where it is defined and in the stub of its package, nowhere else."""
    folder = PACKAGE.joinpath(*module.split(".")[1:])
    assert "attach_stub(__name__, __file__)" in (folder / "__init__.py").read_text("utf-8")
    inside = [path for path in folder.rglob("*.py") if path.name != "errors.py"]
    assert not [path.name for path in inside if re.search(r"^__all__\b", path.read_text("utf-8"), re.MULTILINE)]


def test_no_module_bears_the_name_of_what_it_hands_out() -> None:
    """Loading such a module would put it in the place of the function. (Commands are handed to click alone.)"""
    for path in set(PACKAGE.rglob("*.py")) - set((PACKAGE / "cli").iterdir()):
        defined = ast.parse(path.read_text("utf-8")).body
        assert path.stem not in {getattr(node, "name", "") for node in defined}, path


def test_an_unknown_name_is_refused() -> None:
    labcalc = importlib.import_module("labcalc")
    with pytest.raises(AttributeError, match="No labcalc attribute viscosity_indx"):
        _ = labcalc.viscosity_indx


def test_formulae_load_numpy_only() -> None:
    code = (
        "import sys, labcalc; before = 'numpy' in sys.modules; labcalc.viscosity_index;"
        "print(before, [n for n in ('scipy', 'pandas', 'plotly') if n in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False []"
