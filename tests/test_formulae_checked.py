"""No public formula without a check against something outside the code: a printed value, another package, a derivation.

A row of tests/published/*.csv counts for the formulas that test_published.py calls for it. What has no row stands in
``OTHERWISE`` with the test that checks it and the kind of the check.
"""

from __future__ import annotations

import ast
import inspect
from collections.abc import Iterator
from pathlib import Path

import pytest

from labcalc import formulae
from labcalc.formulae import published
from labcalc.formulae.published import SINGLE_VALUES
from tests.test_published import PUBLISHED, read

TESTS = Path(__file__).parent

KINDS = ("published", "independent", "derivation")
"""Printed values or statements; another equation or package for the same; what must follow from the definition."""

OTHERWISE: dict[str, tuple[str, str]] = {
    "adjust_oscillating_tube": ("derivation", "apparatus::test_derivation_tube_reads_its_own_adjustment"),
    "alpha_60_from_densities": ("derivation", "density::test_derivation_expansion_from_two_densities"),
    "blend_lines": ("derivation", "blending::test_derivation_wright_step_by_step"),
    "calculated_ignition_index": ("published", "density::test_ignition_indices_agree_about_trouble"),
    "compare_viscosity_models": ("published", "curves::test_water_follows_vogel"),
    "density_by_own_expansion": ("derivation", "density::test_derivation_own_expansion"),
    "density_slope": ("derivation", "density::test_derivation_every_lubricating_oil_falls_by_the_same_slope"),
    "departure_from_line": (
        "derivation",
        "line_uncertainty::test_derivation_oils_that_follow_the_line_are_called_departing_one_time_in_twenty",
    ),
    "dry_air_density": ("independent", "apparatus::test_dry_air_against_the_full_equation"),
    "dynamic_from_kinematic": ("published", "density::test_kinematic_and_dynamic_viscosity"),
    "engler_from_kinematic": ("derivation", "conversions::test_derivation_legacy_scales_there_and_back"),
    "estimate_viscosity_temperature": ("derivation", "line_uncertainty::test_derivation_bands_cover_95_percent"),
    "fit_viscosity_temperature": ("independent", "curves::test_line_through_the_ends_of_an_alkane"),
    "fit_andrade": ("derivation", "curves::test_derivation_andrade_comes_back"),
    "fit_ubbelohde_walther": ("derivation", "curves::test_derivation_m_value"),
    "fit_vogel": ("published", "curves::test_water_follows_vogel"),
    "fraction_that_explains": ("derivation", "blending::test_derivation_the_fraction_comes_back"),
    "judge_slope": ("published", "curves::test_slopes_of_the_trade"),
    "kinetic_energy_factor": ("derivation", "apparatus::test_derivation_kinetic_energy"),
    "line_model_uncertainty": ("derivation", "line_curvature::test_derivation_component_of_the_line"),
    "redwood_from_kinematic": ("derivation", "conversions::test_derivation_legacy_scales_there_and_back"),
    "table_expansion_uncertainty": ("published", "density::test_uncertainty_of_the_tables_expansion"),
    "viscosities_at_100F_and_210F": ("derivation", "conversions::test_derivation_viscosities_of_the_fahrenheit_pair"),
    "viscosity_from_ordinate": ("published", "viscosity::test_inverse_stays_near_the_standards_own_expression"),
    "viscosity_gravity_constant_100C": ("published", "viscosity::test_two_gravity_constants_agree"),
    "viscosity_gravity_constant_40C": ("published", "viscosity::test_gravity_constant_of_the_published_example"),
    "walther_ordinate": ("published", "viscosity::test_ordinate_of_thick_liquids_is_the_plain_one"),
}
"""Kind and place: test_formulae_*.py and the test in it."""

FORMULAE = sorted(
    name for name in formulae.__all__ if inspect.isfunction(getattr(formulae, name)) and name != "edition_of"
)


def parsed(file: str) -> ast.Module:
    return ast.parse((TESTS / file).read_text("utf-8"))


def functions(module: ast.Module) -> dict[str, ast.FunctionDef]:
    return {node.name: node for node in module.body if isinstance(node, ast.FunctionDef)}


def called(node: ast.AST) -> set[str]:
    """Return the formulas in a piece of a test, whether written ``formulae.x`` or imported by name."""
    attributes = (one for one in ast.walk(node) if isinstance(one, ast.Attribute) and isinstance(one.value, ast.Name))
    after = {one.attr for one in attributes if isinstance(one.value, ast.Name) and one.value.id == "formulae"}
    return after | (named(node) & set(formulae.__all__))


def named(node: ast.AST) -> set[str]:
    return {one.id for one in ast.walk(node) if isinstance(one, ast.Name)}


def with_helpers(node: ast.AST, helpers: dict[str, ast.FunctionDef]) -> set[str]:
    return called(node).union(*(called(helpers[name]) for name in named(node) & set(helpers)))


def adapters(module: ast.Module) -> Iterator[tuple[str, ast.expr]]:
    for node in module.body:
        if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name) and node.target.id == "SINGLE_VALUES":
            assert isinstance(node.value, ast.Dict)
            for key, value in zip(node.value.keys, node.value.values, strict=True):
                assert isinstance(key, ast.Constant)
                yield str(key.value), value


def with_a_printed_value() -> set[str]:
    module = ast.parse(Path(published.__file__).read_text("utf-8"))
    helpers = functions(module)
    printed = {row.get("formula") for path in PUBLISHED.glob("*.csv") for row in read(path)}
    found: set[str] = set()
    for key, value in adapters(module):
        if key in printed:
            found |= with_helpers(value, helpers)
    return found.union(*(with_helpers(one, helpers) for one in helpers.values()))


PRINTED = with_a_printed_value()


def test_every_adapter_has_its_rows() -> None:
    printed = {row.get("formula") for path in PUBLISHED.glob("*.csv") for row in read(path)}
    assert set(SINGLE_VALUES) <= printed


@pytest.mark.parametrize("name", FORMULAE)
def test_every_formula_is_checked_from_outside(name: str) -> None:
    assert name in PRINTED or name in OTHERWISE, f"{name}: no printed value, and no other check stands in OTHERWISE"


@pytest.mark.parametrize("name", OTHERWISE)
def test_the_other_check_is_there_and_says_what_it_is(name: str) -> None:
    kind, place = OTHERWISE[name]
    room, _, test = place.partition("::")
    file = f"test_formulae_{room}.py"
    helpers = functions(parsed(file))
    assert name in FORMULAE
    assert name not in PRINTED, "it has printed values now: no other check is needed"
    assert kind in KINDS
    assert test in helpers, f"{file} has no {test}"
    assert name in with_helpers(helpers[test], helpers), f"{test} doesn't call {name}"
    if kind == "derivation":
        assert test.startswith("test_derivation_")
    else:
        assert ast.get_docstring(helpers[test]), f"{test} doesn't say its source"
