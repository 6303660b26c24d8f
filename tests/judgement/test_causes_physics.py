"""What each cause does, path by path: sizes, weights, places and effects by hand; what was expected between two nodes.

ASTM D341-20 for lines, D7152 for mixtures; densities add by volume; G. I. Taylor (1932) for drops.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from labcalc import formulae
from labcalc.errors import EvidenceError
from labcalc.judgement.causes.catalogue import (
    CAUSES,
    DEVIATIONS,
    PRIOR_ODDS,
    TAIL,
    log_viscosity_of,
    sizes_of,
    tail_log,
)
from labcalc.judgement.causes.evidence import HouseProduct
from labcalc.judgement.causes.expectation import (
    Course,
    Expectation,
    Liquid,
    Node,
    Observation,
    of_specification,
    of_typical_values,
    open_course,
    through_points,
)
from labcalc.judgement.causes.mixtures import FUEL, FUELS, SOLVENTS, WATER_DENSITY, fading, left_when_hot
from labcalc.judgement.causes.shifts import Shift, shifts_of, slips_of
from labcalc.judgement.causes.surroundings import InstrumentBias, Noise
from labcalc.judgement.causes.temperature_and_air import bubble_places, paths_of, warmed
from labcalc.lab import Limit, Product, TypicalValue
from tests.judgement.causes_by_hand import (
    BEFORE,
    DENSITY,
    FOUR,
    KV,
    OIL,
    RHO,
    TYPICAL,
    VISCOSITY,
    Array,
    measured,
    ordinate,
    paths,
    row,
    run_of,
    usual,
    viscosity,
)

# --- What there is ---


def test_the_catalogue() -> None:
    """Odds and sizes are labcalc's own choice (regression): a change of one is a change of every probability."""
    sizes = {key: (one.median, one.factor, one.unit, one.shown) for key, one in CAUSES.items() if one.median > 0.0}
    assert sizes == {
        "cell temperature": (0.3, 2.6, "K", 1.0),
        "air bubble": (0.004, 2.6, "%", 100.0),
        "residue": (0.015, 2.6, "%", 100.0),
        "solvent": (0.01, 2.6, "%", 100.0),
        "dilution": (0.03, 2.4, "%", 100.0),
        "water": (0.006, 2.6, "%", 100.0),
        "changed": (0.06, 2.2, "%", 100.0),
        "blend": (0.15, 2.4, "%", 100.0),
        "light ends": (0.02, 2.2, "%", 100.0),
        "wax": (0.08, 2.4, "%", 100.0),
    }
    assert dict(PRIOR_ODDS) == {
        "noise": 0.876,
        "cell temperature": 0.014,
        "air bubble": 0.020,
        "residue": 0.016,
        "solvent": 0.014,
        "dilution": 0.006,
        "water": 0.006,
        "instrument bias": 0.008,
        "another product": 0.006,
        "slip": 0.006,
        "changed": 0.006,
        "blend": 0.004,
        "light ends": 0.002,
        "wax": 0.002,
        "two at once": 0.006,
        "something else": 0.008,
    }


def test_sizes_reach_three_standard_deviations() -> None:
    found = sizes_of("air bubble")
    assert found.shape == DEVIATIONS.shape == (13,)
    assert found[[0, 6, 12]] == pytest.approx([0.004 / 2.6**3, 0.004, 0.004 * 2.6**3])
    assert DEVIATIONS[[0, 1, 12]] == pytest.approx([-3.0, -2.5, 3.0])


# --- Where causes sit ---

ADDED = (
    row(KV, 40.0, kind="refill and repeat", fill=2),
    row(KV, 40.0, kind="same fill again"),
    row(KV, 40.0, 50.0, kind="reference oil", oil="RO-1 lot A", fill=3),
    row(KV, 40.0, kind="another instrument", fill=4),
    row(KV, 40.0, kind="retained sample", fill=5),
)


def test_which_rows_a_cause_shows_in() -> None:
    evidence = run_of(
        row(KV, 40.0), row(RHO, 100.0), *ADDED, row(KV, 40.0, kind="original record"), reference_oils=(OIL,)
    )
    assert evidence.in_cell.tolist() == [True, True, False, True, False, False, False, True]
    assert evidence.in_bottle.tolist() == [True, True, True, True, False, True, False, True]
    assert evidence.same_instrument.tolist() == [True, True, True, True, True, False, True, True]
    assert (evidence.temperatures, evidence.fills) == ([40.0, 100.0], [1])
    assert usual((KV, 40.0)).near(40.09).tolist() == [True]
    assert usual((KV, 40.0)).near(40.11).tolist() == [False]


def test_places_of_one_fill_and_of_two() -> None:
    one = usual(*FOUR)
    assert [(where, share.tolist()) for where, share in fading(one, (1.0, 0.4, 0.0))] == [("", [1.0] * 4)]
    assert [(where, mask.tolist()) for where, mask, _ in bubble_places(one)] == [
        ("at 40 °C", [True, True, False, False]),
        ("at 100 °C", [False, False, True, True]),
        ("at every temperature", [True] * 4),
    ]
    assert [where for where, *_ in bubble_places(usual((KV, 40.0)))] == ["at 40 °C"]
    two = run_of(row(KV, 40.0), row(KV, 40.0, fill=2), row(KV, 100.0))
    assert [(where, share.tolist()) for where, share in fading(two, (1.0, 0.4, 0.0))] == [
        ("in every fill", [1.0, 1.0, 1.0]),
        ("falling from fill to fill", [1.0, 0.4, 1.0]),
        ("in the first fill", [1.0, 0.0, 1.0]),
    ]
    third = run_of(row(KV, 40.0), row(KV, 40.0, fill=3))
    assert fading(third, (0.4,))[0][1] == pytest.approx([1.0, 0.16])
    assert [(where, mask.tolist()) for where, mask, _ in bubble_places(two)] == [
        ("in fill 1, at 40 °C", [True, False, False]),
        ("in fill 1, at 100 °C", [False, False, True]),
        ("in fill 1, at every temperature", [True, False, True]),
        ("in fill 2, at 40 °C", [False, True, False]),
        ("in fill 2, at 100 °C", [False, False, False]),
        ("in fill 2, at every temperature", [False, True, False]),
        ("in every fill", [True, True, True]),
        ("in every fill at 100 °C", [False, False, True]),
    ]
    assert [unequal for *_, unequal in bubble_places(two)] == [0.0, 0.0, 0.5, 0.0, 0.0, 0.5, 0.5, 0.5]
    fills_only = run_of(row(KV, 40.0), row(KV, 40.0, fill=2))
    assert [where for where, *_ in bubble_places(fills_only)] == [
        "in fill 1, at 40 °C",
        "in fill 2, at 40 °C",
        "in every fill",
    ]


def test_light_liquids_leave_from_80_degrees_on() -> None:
    def left(*temperatures: float) -> list[list[float]]:
        rows = [row(KV, T, 20.0) for T in temperatures]
        return [[round(float(one), 9) for one in shares] for shares in left_when_hot(run_of(*rows), (0.2, 0.6))]

    assert left(40.0, 100.0) == [[1.0, 0.2], [1.0, 0.6]]
    assert left(40.0, 60.0, 80.0) == [[1.0, 0.6, 0.2], [1.0, 0.8, 0.6]], "in the middle, half of what leaves has left"
    assert left(40.0, 79.9) == [[1.0, 1.0]]
    assert left(100.0) == [[1.0]]


# --- The cell's temperature ---


def test_paths_of_a_temperature() -> None:
    """70 % at one temperature, 30 % at all, each too warm as often as too cold; two thermostats err one at a time."""
    found = paths("cell temperature", usual(*FOUR, thermostats=1))
    assert found.where == ("at 40 °C",) * 2 + ("at 100 °C",) * 2 + ("at every temperature",) * 2
    assert found.weights == pytest.approx([0.175, 0.175, 0.175, 0.175, 0.15, 0.15])
    assert found.sizes[:, 6] == pytest.approx([0.3, -0.3] * 3)
    assert found.effects[4] == pytest.approx(found.effects[0] + found.effects[2])
    assert not found.effects[0][:, 2:].any()
    assert not found.effects[3][:, :2].any()
    two = paths("cell temperature", usual(*FOUR, thermostats=2))
    assert two.where[:4:2] == ("at 40 °C in the viscosity cell", "at 40 °C in the density cell")
    assert two.effects[0][:, 1].any() == two.effects[2][:, 0].any() == np.False_
    assert two.effects[0][:, 0] == pytest.approx(found.effects[0][:, 0])
    untold = paths("cell temperature", usual((KV, 40.0), (RHO, 40.0)))
    assert untold.weights == pytest.approx([0.3, 0.3, 0.125, 0.125, 0.075, 0.075])
    alone = paths("cell temperature", usual((KV, 40.0), thermostats=2))
    assert (alone.where, alone.weights.tolist()) == (("at 40 °C in the viscosity cell",) * 2, [0.5, 0.5])


def test_a_cell_may_settle_from_fill_to_fill() -> None:
    """60 % of the offsets stay, 20 % fall to 0.3 in the next fill, 20 % are gone."""
    found = paths("cell temperature", run_of(row(RHO, 40.0), row(RHO, 40.0, fill=2), thermostats=1))
    assert found.where[::2] == ("at 40 °C", "at 40 °C, falling from fill to fill", "at 40 °C, in the first fill")
    assert found.weights == pytest.approx([0.3, 0.3, 0.1, 0.1, 0.1, 0.1])
    assert found.effects[2][:, 1] == pytest.approx(0.3 * found.effects[2][:, 0])
    assert not found.effects[4][:, 1].any()


def test_the_days_reference_oils_tell_of_the_cell() -> None:
    """Half of what is wrong was so in the morning; 0.5 K ± 0.05 K then speak for an offset of that size."""
    told = paths("cell temperature", usual((KV, 40.0), thermostats=1, cell_offsets=((40.0, 0.5, 0.05),))).told
    assert told is not None
    sizes = sizes_of("cell temperature")
    z = (0.5 - sizes) / np.hypot(0.05, 0.3 * sizes)
    found = tail_log(10.0) - tail_log(z) + np.log(0.05 / np.hypot(0.05, 0.3 * sizes))
    assert told[0] == pytest.approx(np.log(0.5 * np.exp(found) + 0.5))
    assert told[1].max() < told[0].max() - 4.0
    right = paths("cell temperature", usual((KV, 40.0), thermostats=1, cell_offsets=((40.0, 0.0, 0.02),))).told
    assert right is not None
    assert right[0, -3:] == pytest.approx([-math.log(2.0)] * 3, abs=0.06), "it came up after these"


def test_another_instrument_is_not_warm() -> None:
    found = paths("cell temperature", run_of(row(KV, 40.0), row(KV, 40.0, kind="another instrument", fill=2)))
    assert found.effects[0][:, 0].all()
    assert not found.effects[0][:, 1].any()


def test_warmth_follows_the_line_of_the_run_itself() -> None:
    """0.3 K: B by both points, W less B lg(1 + 0.3 / 313.15); density by (820 - 858) / 60 kg/m³/K."""
    effect = warmed(usual(*FOUR), np.full(4, 0.3))
    cold, hot = ordinate(46.0), ordinate(6.9)
    B = (cold - hot) / math.log10(373.15 / 313.15)
    assert effect[0] == pytest.approx(math.log(viscosity(cold - B * math.log10(1.0 + 0.3 / 313.15)) / 46.0), rel=1e-6)
    assert effect[2] == pytest.approx(math.log(viscosity(hot - B * math.log10(1.0 + 0.3 / 373.15)) / 6.9), rel=1e-4)
    assert effect[[1, 3]] == pytest.approx([0.3 * -38.0 / 60.0] * 2)


def test_one_temperature_takes_the_slope_of_an_oil() -> None:
    """B = 3.6 and -0.65 kg/m³/K; a reference oil of two temperatures has a line of its own."""
    effect = warmed(usual((KV, 40.0), (RHO, 40.0)), np.full(2, 0.3))
    assert effect[0] == pytest.approx(
        math.log(viscosity(ordinate(46.0) - 3.6 * math.log10(1.0 + 0.3 / 313.15)) / 46.0), rel=1e-6
    )
    assert effect[1] == pytest.approx(-0.3 * 0.65)
    oils = [
        row(KV, T, value, kind="reference oil", oil="RO-1 lot A", fill=2) for T, value in ((40.0, 50.0), (100.0, 7.5))
    ]
    both = warmed(run_of(row(KV, 40.0), *oils, reference_oils=(OIL,)), np.full(3, 0.3))
    B = (ordinate(50.0) - ordinate(7.5)) / math.log10(373.15 / 313.15)
    assert both[0] == pytest.approx(effect[0])
    assert both[1] == pytest.approx(
        math.log(viscosity(ordinate(50.0) - B * math.log10(1.0 + 0.3 / 313.15)) / 50.0), rel=1e-6
    )


# --- Air ---


@pytest.mark.parametrize(("coupled", "weights"), [(None, [0.7, 0.3]), (True, [1.0]), (False, [1.0])])
def test_air_by_its_share(coupled: bool | None, weights: list[float]) -> None:
    """A share f takes f of the density; where ν = η/ρ is computed ν rises by 1 / (1 - f)."""
    found = paths("air bubble", usual((KV, 40.0), (RHO, 40.0), coupled=coupled))
    assert found.weights == pytest.approx(weights)
    assert found.where == ("at 40 °C",) * len(weights)
    f = found.sizes[0, 9]
    assert f == pytest.approx(0.004 * 2.6**1.5)
    assert [effect[9].tolist() for effect in found.effects] == [
        pytest.approx([-math.log(1.0 - f) if moved else 0.0, -f * 858.0])
        for moved in ((True, False) if coupled is None else (coupled,))
    ]


def test_air_sits_in_every_place_alike() -> None:
    found = paths("air bubble", usual(*FOUR))
    assert found.weights == pytest.approx([0.7 / 3.0] * 3 + [0.3 / 3.0] * 3)
    assert found.where == ("at 40 °C", "at 100 °C", "at every temperature") * 2


# --- Mixtures ---


def test_a_residue_by_both_rules() -> None:
    """A share f: W + f (W' - W), and ln ν + f (ln ν' - ln ν); density ρ + f (ρ' - ρ)."""
    found = paths("residue", usual(*FOUR, before=BEFORE))
    assert (found.where, found.weights.tolist()) == (("", ""), [0.5, 0.5])
    assert found.axes == ((2, True), (1, True)), "the rules are two ends of what mixtures do"
    f = found.sizes[0, 6]
    assert f == pytest.approx(0.015)
    for place, (own, other) in ((0, (46.0, 460.0)), (2, (6.9, 31.0))):
        blended = viscosity(ordinate(own) + f * (ordinate(other) - ordinate(own)))
        assert found.effects[0][6, place] == pytest.approx(math.log(blended / own), rel=1e-4)
        assert found.effects[1][6, place] == pytest.approx(f * math.log(other / own), rel=1e-6)
    assert found.effects[:, 6, 1] == pytest.approx([f * (890.0 - 858.0)] * 2)
    assert found.effects[:, 6, 3] == pytest.approx([f * (855.0 - 820.0)] * 2)


def test_a_residue_falls_from_fill_to_fill() -> None:
    evidence = run_of(row(KV, 40.0), row(KV, 40.0, fill=2), before=BEFORE)
    found = paths("residue", evidence)
    assert found.where == ("in every fill", "falling from fill to fill", "in the first fill") * 2
    assert found.axes == ((2, True), (3, True))
    assert found.weights == pytest.approx([1.0 / 6.0] * 6)
    assert found.effects[2][:, 1].any() == np.False_
    assert found.effects[0][:, 1] == pytest.approx(found.effects[0][:, 0])
    assert found.effects[4][:, 1] == pytest.approx(0.4 * found.effects[4][:, 0]), "by the logarithmic rule"
    assert paths_of(usual(*FOUR), {"residue"}) == ()


def test_no_mixture_is_nearly_all_of_what_got_in() -> None:
    """15 · 2.4³ = 207 % of another product is taken for 95 %."""
    other = HouseProduct("Oil 68", replace(TYPICAL, viscosity=Course((Node(40.0, math.log(68.0), 0.02),), 0.95)))
    found = paths("blend", usual((KV, 40.0), house=(other,)))
    assert found.where == ("Oil 68", "Oil 68")
    assert found.sizes[0, -1] == pytest.approx(0.15 * 2.4**3)
    assert found.effects[1][[6, 12], 0] == pytest.approx([0.15 * math.log(68.0 / 46.0), 0.95 * math.log(68.0 / 46.0)])
    assert paths_of(usual((KV, 40.0)), {"blend"}) == ()


def test_solvent_leaves_when_hot_and_each_is_as_likely() -> None:
    found = paths("solvent", usual(*FOUR))
    names = [one.name for one in SOLVENTS]
    assert found.where == tuple(name for name in names for _ in range(2)) * 2
    assert found.weights == pytest.approx([1.0 / 12.0] * 12)
    assert found.axes == ((2, True), (3, False), (1, True), (2, True))
    f = found.sizes[0, 6]
    heptane = found.effects[6:8, 6]
    assert heptane[:, 0] == pytest.approx([f * math.log(0.50 / 46.0)] * 2, rel=1e-5)
    thin = float(SOLVENTS[0].viscosity_at(100.0))
    assert heptane[:, 2] == pytest.approx([f * left * math.log(thin / 6.9) for left in (0.05, 0.5)], rel=1e-5)
    assert heptane[:, 1] == pytest.approx([f * (667.0 - 858.0)] * 2)
    assert heptane[:, 3] == pytest.approx([f * left * (612.0 - 820.0) for left in (0.05, 0.5)])
    two = paths("solvent", run_of(row(KV, 40.0), row(KV, 40.0, fill=2)))
    assert two.where[:2] == (f"{names[0]}, in every fill", f"{names[0]}, falling from fill to fill")


def test_fuel_is_in_the_bottle() -> None:
    """Petrol, kerosine or gas oil; of petrol, part may leave when it is hot."""
    found = paths("dilution", run_of(row(KV, 40.0), row(RHO, 40.0), row(KV, 40.0, kind="retained sample", fill=2)))
    assert found.where == tuple(one.name for one in FUELS) * 2
    assert found.effects[5][6] == pytest.approx(
        [0.03 * math.log(2.9 / 46.0), 0.03 * (float(FUEL.density_at(40.0)) - 858.0), 0.0], rel=1e-4
    )
    assert float(FUEL.density_at(40.0)) == pytest.approx(835.0 - 25.0 * 60.0 / 85.0)
    hot = paths("dilution", usual(*FOUR))
    assert hot.where[:4] == ("a petrol", "a petrol", "a kerosine", "a gas oil")
    assert hot.effects[0][6, 3] == pytest.approx(0.6 * hot.effects[1][6, 3])


def test_water_by_taylors_law_and_beyond() -> None:
    """ln R is 1.0, 1.9 or 3.3 φ, Taylor's at least; ρ up by φ (ρ_w - ρ); nothing, half or all is left at 100 °C."""
    found = paths("water", usual(*FOUR))
    f = found.sizes[0, 6]
    assert f == pytest.approx(0.006)
    assert found.weights == pytest.approx([0.7 / 9.0] * 9 + [0.3 / 6.0] * 6)
    cases = [(left, slope) for left in (0.0, 0.5, 1.0) for slope in (1.0, 1.9, 3.3)]
    for (left, slope), effect in zip(cases, found.effects[:9, 6], strict=True):
        for place, T, own, heavy, of_water in ((0, 40.0, 46.0, 858.0, 992.2), (2, 100.0, 6.9, 820.0, 958.4)):
            phi = f * (left if T == 100.0 else 1.0)
            ratio = float(formulae.water_viscosity(T)) / (own * heavy * 1e-3)
            taylor = 2.5 * (ratio + 0.4) / (ratio + 1.0)
            denser = phi * (of_water - heavy)
            assert effect[place] == pytest.approx(
                max(slope, taylor) * phi - math.log1p(denser / heavy), rel=1e-6, abs=1e-12
            )
            assert effect[place + 1] == pytest.approx(denser, abs=1e-12)
    steam = found.effects[9:, 6, 3]
    assert steam == pytest.approx([-f * 820.0] * 3 + [-5.0 * f * 820.0] * 3), "the cell holds steam"
    assert len(paths("water", usual((KV, 40.0))).where) == 3


def test_what_was_not_measured_is_any_oils() -> None:
    """50 mm²/s beside a density, 870 kg/m³ beside a viscosity."""
    heavy, thick = (paths("water", usual((what, 40.0))).effects[0, 6, 0] for what in (RHO, KV))
    assert heavy == pytest.approx(0.006 * (992.2 - 858.0))
    ratio = float(formulae.water_viscosity(40.0)) / (46.0 * 870.0 * 1e-3)
    taylor, denser = 2.5 * (ratio + 0.4) / (ratio + 1.0), 0.006 * (992.2 - 870.0) / 870.0
    assert thick == pytest.approx(0.006 * taylor - math.log1p(denser), rel=1e-6)


# --- What happens to a sample by itself ---


def test_ageing_by_its_pattern() -> None:
    """Thicker: heavier, and less at 100 °C; thinner by shear: alike at both ends, the density as it was."""
    found = paths("changed", run_of(*(row(*place) for place in FOUR), row(KV, 40.0, kind="retained sample", fill=2)))
    thicker, thinner = found.effects[found.sizes[:, 0] > 0.0], found.effects[found.sizes[:, 0] < 0.0]
    assert thicker[:, 6, 0] == pytest.approx([0.06] * 6)
    assert sorted(set(np.round(thicker[:, 6, 2] / 0.06, 6).tolist())) == [0.6, 0.85]
    assert sorted(set(np.round(thicker[:, 6, 1], 6).tolist())) == [0.3, 0.84, 1.56]
    assert thinner[:, 6, 0] == pytest.approx([-0.06] * 2)
    assert not thinner[:, :, [1, 3]].any()
    assert not found.effects[:, :, 4].any()
    assert found.weights == pytest.approx([1.0 / 9.0] * 6 + [1.5 / 9.0] * 2)
    assert paths_of(usual((RHO, 40.0), (RHO, 100.0)), {"changed"}) == (), "a density alone is no change of the sample"


def test_light_ends_leave_between_fills() -> None:
    assert paths_of(usual(*FOUR), {"light ends"}) == ()
    found = paths("light ends", run_of(row(KV, 40.0), row(RHO, 40.0, fill=2), row(KV, 40.0, fill=3)))
    assert found.effects[0][6] == pytest.approx([0.0, 0.02 * 18.0, 2.0 * 0.02])


def test_wax_is_looked_for_in_the_cold() -> None:
    assert paths_of(usual(*FOUR), {"wax"}) == ()
    found = paths(
        "wax", run_of(row(KV, 20.0, 120.0), row(RHO, 20.0, 870.0), row(KV, 40.0), row(KV, 20.0, 120.0, fill=2))
    )
    assert found.effects[:, 6].tolist() == [
        pytest.approx([0.08, heavy * 0.08, 0.0, 0.08 * share]) for share in (1.0, 0.75) for heavy in (0.0, 4.0)
    ]


# --- Liquids ---


def test_straight_pieces_and_what_lies_beyond_them() -> None:
    at, values = np.array([0.0, 1.0, 3.0]), np.array([0.0, 2.0, 3.0])
    x = np.array([-1.0, 0.0, 0.5, 1.0, 2.0, 3.0, 5.0])
    assert through_points(x, at, values, slope=9.0).tolist() == [-2.0, 0.0, 1.0, 2.0, 2.5, 3.0, 4.0]
    assert through_points(x, at[:1], values[1:2], slope=0.5).tolist() == [1.5, 2.0, 2.25, 2.5, 3.0, 3.5, 4.5]


def test_a_liquid_between_and_beyond_its_values() -> None:
    one = Liquid("x", ((40.0, 46.0),), ((40.0, 858.0),))
    W = ordinate(46.0) - 3.6 * (math.log10(373.15) - math.log10(313.15))
    assert float(one.viscosity_at(100.0)) == pytest.approx(viscosity(W), rel=1e-4)
    assert one.density_at([15.0, 40.0, 100.0]).tolist() == pytest.approx([874.25, 858.0, 819.0]), "-0.65 kg/m³/K"
    two = BEFORE.liquid
    share = (math.log10(343.15) - math.log10(313.15)) / (math.log10(373.15) - math.log10(313.15))
    W = (1.0 - share) * ordinate(460.0) + share * ordinate(31.0)
    assert float(two.viscosity_at(70.0)) == pytest.approx(viscosity(W), rel=1e-6)
    assert float(two.density_at(70.0)) == pytest.approx(872.5)
    bare = Liquid("y", (), ())
    assert math.isnan(float(bare.ordinate_at(40.0)))
    assert math.isnan(float(bare.density_at(40.0)))
    thin = Liquid("z", ((40.0, 0.1),), ())
    assert float(thin.ordinate_at(40.0)) == pytest.approx(float(formulae.walther_ordinate(0.22)))
    thick = Liquid("z", ((40.0, 3e7),), ())
    assert float(thick.ordinate_at(40.0)) == pytest.approx(ordinate(1e7)), "0.22 and 1e7 mm²/s: the chart's ends"


def test_beyond_the_chart_its_end_holds() -> None:
    """-1.57 and 0.86: 0.21 mm²/s and 2e7 mm²/s."""
    low, high = np.exp(log_viscosity_of(np.array([-5.0, 5.0])))
    assert (float(low), float(high)) == pytest.approx((0.213, 1.75e7), rel=0.03)


def test_the_usual_liquids() -> None:
    """Round values of what cells are cleaned with (memory) and of a gas oil (EN 590)."""
    assert FUEL.viscosities == ((40.0, 2.9), (100.0, 1.2))
    assert FUEL.densities == ((15.0, 835.0), (100.0, 775.0))
    assert [(one.viscosities, one.densities) for one in SOLVENTS] == [
        (((40.0, 0.50), (90.0, 0.35)), ((40.0, 667.0), (100.0, 612.0))),
        (((40.0, 0.60), (90.0, 0.40)), ((40.0, 768.0), (100.0, 705.0))),
        (((40.0, 0.56), (100.0, 0.35)), ((40.0, 848.0), (100.0, 790.0))),
    ]
    assert WATER_DENSITY[0] == (0.0, 10.0, 20.0, 40.0, 60.0, 80.0, 100.0, 120.0)


# --- What was expected ---


def moments(course: Expectation, *places: tuple[str, float]) -> tuple[Array, Array]:
    return course.moments(np.array([what == KV for what, _ in places]), np.array([T for _, T in places]))


def test_at_its_nodes_an_expectation_is_what_is_known() -> None:
    mean, covariance = moments(TYPICAL, *FOUR)
    assert mean == pytest.approx([math.log(46.0), 858.0, math.log(6.9), 820.0], rel=1e-6)
    expected = np.diag([0.01, 0.5, 0.006, 0.6]) ** 2
    expected[0, 2] = expected[2, 0] = 0.95 * 0.01 * 0.006
    expected[1, 3] = expected[3, 1] = 0.98 * 0.5 * 0.6
    assert covariance == pytest.approx(expected)


def test_between_its_nodes_a_viscosity_lies_on_the_line() -> None:
    share = (math.log10(343.15) - math.log10(313.15)) / (math.log10(373.15) - math.log10(313.15))
    mean, covariance = moments(TYPICAL, (KV, 70.0), (KV, 40.0))
    assert mean[0] == pytest.approx(math.log(viscosity((1 - share) * ordinate(46.0) + share * ordinate(6.9))), rel=1e-5)
    s, t = 0.01, 0.006
    assert covariance[0, 0] == pytest.approx(
        ((1 - share) * s) ** 2 + (share * t) ** 2 + 2 * 0.95 * share * (1 - share) * s * t
    )
    assert covariance[0, 1] == pytest.approx((1 - share) * s**2 + share * 0.95 * s * t)


def test_beyond_its_nodes_a_line_may_bend() -> None:
    """±0.06 a unit of lg T in the slope beyond the nodes; nothing between them."""
    x = math.log10(313.15 / 293.15)
    mean, covariance = moments(TYPICAL, (KV, 20.0))
    nodes = replace(TYPICAL, viscosity=Course(tuple(one._replace(sd=1e-9) for one in VISCOSITY.nodes), 0.95))
    _, bare = moments(nodes, (KV, 20.0), (KV, 70.0))
    cold = math.exp(mean[0])
    away = 0.06 * x * math.log(10.0) * (cold + 0.7) * math.log(cold + 0.7) / cold
    assert bare[0, 0] == pytest.approx(away**2, rel=1e-3)
    assert bare[1, 1] < 1e-12
    assert covariance[0, 0] > bare[0, 0]


def test_one_node_has_a_mineral_oils_slope_and_its_spread() -> None:
    """W falls by 3.6 ± 0.2 a unit of lg T; d ln ν / dW = ln 10 Z ln Z / ν."""
    one = replace(TYPICAL, viscosity=Course(VISCOSITY.nodes[:1], 0.95))
    x = math.log10(373.15 / 313.15)
    mean, covariance = moments(one, (KV, 100.0), (KV, 40.0))
    hot = viscosity(ordinate(46.0) - 3.6 * x)
    Z = hot + 0.7
    away = 0.31 * x * math.log(10.0) * Z * math.log(Z) / hot
    assert mean[0] == pytest.approx(math.log(hot), rel=1e-4)
    assert covariance == pytest.approx(np.array([[1e-4 + away**2, 1e-4], [1e-4, 1e-4]]), rel=1e-3)


def test_a_density_goes_with_its_nearest_node() -> None:
    """By the table, and 0.01 kg/m³ a kelvin away from it; 70 °C counts with 40 °C, 71 °C with 100 °C."""
    mean, covariance = moments(TYPICAL, (RHO, 60.0), (RHO, 71.0), (RHO, 70.0), (RHO, 40.04))
    table = [
        float(formulae.density_at(rho, T, to, commodity="lubricating oil"))
        for rho, T, to in ((858.0, 40.0, 60.0), (820.0, 100.0, 71.0), (858.0, 40.0, 70.0))
    ]
    assert mean == pytest.approx([*table, 858.0])
    assert covariance[0, 0] == pytest.approx(0.25 + (20.0 * 0.01) ** 2)
    assert covariance[1, 1] == pytest.approx(0.36 + (29.0 * 0.01) ** 2)
    assert covariance[0, 2] == pytest.approx(0.25 + 20.0 * 30.0 * 0.01**2)
    assert covariance[0, 1] == pytest.approx(0.98 * 0.5 * 0.6)


def test_what_was_seen_narrows_what_is_expected() -> None:
    """Two normal variables: μ' = μ + c / (s² + r²) (h - μ_h), by hand for one observation."""
    seen = Observation(True, 40.0, math.log(46.5), 0.003)
    mean, covariance = moments(replace(TYPICAL, observed=(seen,)), (KV, 100.0), (RHO, 40.0), (KV, 40.0))
    gain = 1.0 / (0.01**2 + 0.003**2)
    away = math.log(46.5 / 46.0)
    assert mean == pytest.approx(
        [math.log(6.9) + 0.95 * 0.01 * 0.006 * gain * away, 858.0, math.log(46.0) + 1e-4 * gain * away], rel=1e-6
    )
    assert covariance[0, 0] == pytest.approx(0.006**2 - (0.95 * 0.01 * 0.006) ** 2 * gain)
    assert covariance[2, 2] == pytest.approx(1e-4 - 1e-8 * gain)
    assert covariance[1, 1] == pytest.approx(0.25)


def test_what_a_product_is_known_to_show() -> None:
    typical = (
        TypicalValue(KV, 100.0, 6.9, 0.069),
        TypicalValue(KV, 40.0, 46.0, 0.46),
        TypicalValue("dynamic viscosity", 40.0, 39.0, 1.0),
    )
    found = of_typical_values(Product("Oil", typical=typical), VISCOSITY, DENSITY)
    assert found is not None
    assert found.viscosity.nodes == (
        Node(40.0, math.log(46.0), pytest.approx(0.01)),
        Node(100.0, math.log(6.9), pytest.approx(0.01)),
    )
    assert (found.viscosity.correlation, found.density) == (0.95, DENSITY)
    heavy = of_typical_values(Product("Oil", typical=(TypicalValue(RHO, 40.0, 858.0, 0.5),)), VISCOSITY, DENSITY)
    assert heavy is not None
    assert (heavy.viscosity, heavy.density) == (VISCOSITY, Course((Node(40.0, 858.0, 0.5),), 0.98, 0.01))
    assert of_typical_values(Product("Oil", typical=typical[2:]), VISCOSITY, DENSITY) is None


def test_limits_are_four_standard_deviations_apart() -> None:
    nan = math.nan
    limits = (
        Limit(KV, 40.0, 41.4, 50.6, 1),
        Limit(KV, 100.0, 6.0, nan, 1),
        Limit(KV, 60.0, 0.0, 9.0, 1),
        Limit(RHO, 15.0, 860.0, 880.0, 0),
        Limit("viscosity index", nan, 90.0, 110.0, 0),
    )
    found = of_specification(Product("Oil", limits=limits), VISCOSITY, DENSITY)
    assert found is not None
    low, high = math.log(41.4), math.log(50.6)
    assert found.viscosity == Course((Node(40.0, (low + high) / 2.0, (high - low) / 4.0),), 0.95)
    assert found.density == Course((Node(15.0, 870.0, 5.0),), 0.98, 0.03)
    assert of_specification(Product("Oil", limits=limits[1:3]), VISCOSITY, DENSITY) is None
    only = of_specification(Product("Oil", limits=limits[3:]), VISCOSITY, DENSITY)
    assert only is not None
    assert only.viscosity is VISCOSITY


def test_of_an_unknown_oil_only_its_course_is_known() -> None:
    at, values = np.array([40.0, 100.0]), np.array([3.8, 1.9])
    assert open_course(True, at, values) == Course((Node(40.0, 3.8, 1.0),), 0.995, line_sd=0.4)
    three = open_course(True, np.array([40.0, 70.0, 100.0, 100.0]), np.array([3.8, 2.6, 1.9, 2.1]))
    assert [(one.temperature_C, one.mean) for one in three.nodes] == [(40.0, 3.8), (70.0, 2.6), (100.0, 2.0)]
    heavy = np.array([858.0, 819.8])
    assert open_course(False, at, heavy) == Course((Node(40.0, 858.0, 30.0),), 0.995, 0.03)
    assert open_course(False, at, heavy - [500.0, 0.0]).nodes == (Node(100.0, 819.8, 30.0),), "no liquid weighs 358"
    assert open_course(False, at, heavy - 500.0).nodes == (Node(40.0, 650.0, 30.0),)


# --- The evidence ---


def test_evidence_by_hand() -> None:
    evidence = measured(kv40=46.46, rho100=819.4)
    assert evidence.deviation == pytest.approx([math.log(1.01), 0.0, 0.0, -0.6], abs=1e-7)
    assert evidence.expected == pytest.approx([46.0, 858.0, 6.9, 820.0], rel=1e-6)
    assert evidence.expected_sd == pytest.approx([0.46, 0.5, 0.0414, 0.6], rel=1e-6)
    assert evidence.noise_sd == pytest.approx([0.092, 0.05, 0.0138, 0.05], rel=1e-6)
    assert evidence.residual_sd == pytest.approx(
        [math.log(1.01) / math.hypot(0.01, 0.002), 0.0, 0.0, -0.6 / math.hypot(0.6, 0.05)], abs=1e-5
    )
    assert evidence.error[0].tolist() == pytest.approx([4e-6, 0.0, 0.2 * 4e-6, 0.0])
    assert evidence.error[1].tolist() == pytest.approx([0.0, 0.0025, 0.0, 0.2 * 0.0025])
    assert evidence.in_units(np.array([math.log(46.0), 858.0, 0.0, 1.0])).tolist() == pytest.approx(
        [46.0, 858.0, 1.0, 1.0]
    )


def test_another_instrument_has_noise_of_its_own() -> None:
    evidence = run_of(row(KV, 40.0), row(KV, 40.0, kind="another instrument", fill=2), row(KV, 40.0, fill=3))
    assert evidence.error / 4e-6 == pytest.approx(np.array([[1.0, 0.0, 0.2], [0.0, 1.0, 0.0], [0.2, 0.0, 1.0]]))


def test_a_reference_oil_is_expected_as_certified() -> None:
    oil = [
        row(what, T, value, kind="reference oil", oil="RO-1 lot A", fill=2)
        for what, T, value in ((KV, 40.04, 50.0), (RHO, 40.0, 850.0))
    ]
    evidence = run_of(row(KV, 40.0), *oil, reference_oils=(OIL,))
    assert evidence.mean == pytest.approx([math.log(46.0), math.log(50.0), 850.0], rel=1e-6)
    assert evidence.spread == pytest.approx(np.diag([1e-4, 1e-6, 0.0025]))
    with pytest.raises(
        EvidenceError, match=r"RO-1 lot A: no certified density at 100 °C; certified temperatures \[°C\]: 40"
    ):
        run_of(row(RHO, 100.0, 820.0, kind="reference oil", oil="RO-1 lot A"), reference_oils=(OIL,))
    bare = replace(OIL, liquid=replace(OIL.liquid, densities=()), density_sd=())
    with pytest.raises(EvidenceError, match=r"certified temperatures \[°C\]: none"):
        run_of(row(RHO, 40.0, 850.0, kind="reference oil", oil="RO-1 lot A"), reference_oils=(bare,))


# --- Shifts ---


def shift(cause: str, evidence: object) -> Shift:
    (found,) = (one for one in shifts_of(evidence) if one.cause == cause)  # type: ignore[arg-type]
    return found


def test_an_instrument_that_no_oil_speaks_for() -> None:
    """0.5 % of viscosity and 0.3 kg/m³, the same in all rows of a quantity; not on another instrument."""
    evidence = run_of(row(KV, 40.0), row(KV, 100.0), row(RHO, 40.0), row(KV, 40.0, kind="another instrument", fill=2))
    found = shift("instrument bias", evidence)
    assert found.spread is not None
    added = found.spread - evidence.spread
    assert found.weight == 1.0
    assert added[:3, :3] == pytest.approx(np.array([[25e-6, 25e-6, 0.0], [25e-6, 25e-6, 0.0], [0.0, 0.0, 0.09]]))
    assert not added[3].any()
    assert not found.effect.any()
    assert found.spread is not None


def test_an_instrument_by_its_reference_oils() -> None:
    """Found 0.4 % ± 0.2 % beside a usual 0.5 %: mean 0.4 · 0.25 / 0.29, sd 0.2 · 0.5 / √0.29, and a Bayes factor."""
    bias = InstrumentBias(0.4, 0.2, -0.3, 0.1, "3 results")
    found = shift("instrument bias", usual((KV, 40.0), (RHO, 40.0), instrument_bias=bias))

    def told(away: float, sd: float, wide: float) -> tuple[float, float, float]:
        both = math.hypot(sd, wide)
        ratio = sd / both * stats.t.pdf(away / both, TAIL) / stats.t.pdf(away / sd, TAIL)
        return away * wide**2 / both**2, sd * wide / both, ratio

    (thick, thick_sd, one), (heavy, heavy_sd, other) = told(0.004, 0.002, 0.005), told(-0.3, 0.1, 0.3)
    assert found.effect == pytest.approx([thick, heavy], rel=1e-6)
    assert found.spread is not None
    assert np.diag(found.spread) == pytest.approx([1e-4 + thick_sd**2, 0.25 + heavy_sd**2])
    assert found.weight == pytest.approx(one * other)


def test_something_else_reaches_every_row_and_fill() -> None:
    """Wide shifts of the bottle, of each fill, of a quantity, of the instrument, of each row alone; at four widths."""
    evidence = run_of(*(row(*place) for place in FOUR), row(KV, 40.0, kind="retained sample", fill=2))
    found = [one for one in shifts_of(evidence) if one.cause == "something else"]
    assert sum(one.weight for one in found) == pytest.approx(1.0)
    assert len(found) == 4 * (6 + 4)
    added = [one.spread - evidence.spread for one in found if one.spread is not None]
    assert np.sqrt(np.diag(added[0])) == pytest.approx([0.02, 1.0, 0.02, 1.0, 0.0])
    assert np.sqrt(np.diag(added[3])) == pytest.approx([1.5, 60.0, 1.5, 60.0, 0.0])
    assert [np.count_nonzero(one) for one in added[-16::4]] == [1] * 4
    assert [one[4].any() for one in added] == [False] * 20 + [True] * 4 + [False] * 16, "the instrument's"


# --- Slips ---


def slips(evidence: object) -> dict[str, tuple[float, list[float]]]:
    return {one.where: (one.weight, one.effect.tolist()) for one in slips_of(evidence)}  # type: ignore[arg-type]


def test_slips_of_a_run() -> None:
    """Units 20 %, factors 15 %, temperatures 25 %, digits 40 %, shared among those of a kind; a change by hand."""
    found = slips(usual((KV, 40.0), (RHO, 40.0), (KV, 100.0)))
    weight, effect = found["mPa·s written under mm²/s: kinematic viscosity at 40 °C"]
    assert (weight, effect) == (pytest.approx(0.2 / 3.0), pytest.approx([math.log(0.858), 0.0, 0.0]))
    assert not any(where.startswith("viscosity and density exchanged") for where in found), "46 is no density"
    thick = slips(run_of(row(KV, 40.0, 858.0), row(RHO, 40.0, 460.0)))
    both = thick["viscosity and density exchanged at 40 °C"][1]
    assert both == pytest.approx([math.log(858.0 / 460.0), 460.0 - 858.0])
    assert found["mPa·s written under mm²/s: kinematic viscosity at 100 °C"][1][2] == pytest.approx(math.log(0.870))
    assert found["mPa·s written under mm²/s: every viscosity"][1] == pytest.approx(
        [math.log(0.858), 0.0, math.log(0.87)]
    )
    assert found["ten times too much: kinematic viscosity at 40 °C"] == (
        pytest.approx(0.15 / 12.0),
        pytest.approx([math.log(10.0), 0.0, 0.0]),
    )
    assert found["a thousandth of it: kinematic viscosity at 100 °C"][1][2] == pytest.approx(math.log(1e-3))
    weight, effect = found["kinematic viscosity at 40 °C and 100 °C exchanged"]
    assert effect == pytest.approx([math.log(46.0 / 6.9), 0.0, math.log(6.9 / 46.0)])
    assert weight == pytest.approx(0.25 / 10.0), "one of ten: exchanged, rows exchanged three ways, °F six ways"
    digits = {where: effect for where, (_, effect) in found.items() if where.startswith("digits")}
    assert digits["digits exchanged: kinematic viscosity at 40 °C, 46 for 64"][0] == pytest.approx(
        math.log(46.0 / 64.0)
    )
    assert digits["digits exchanged: density at 40 °C, 858 for 885"][1] == pytest.approx(-27.0)
    assert digits["digits exchanged: kinematic viscosity at 100 °C, 6.9 for 9.6"][2] == pytest.approx(
        math.log(6.9 / 9.6)
    )
    assert len(digits) == 4
    wrong = [where for where in found if where.startswith("a wrong digit")]
    assert found["a wrong digit: density at 40 °C, 858 for 848"][1][1] == pytest.approx(10.0)
    assert len(wrong) == 7 * 9, "46, 858 and 6.9: each digit nine others"
    assert [found[where][0] for where in (*digits, *wrong)] == pytest.approx(
        [0.4 / (4 + len(wrong))] * (4 + len(wrong))
    )


def test_what_an_instrument_wrote_has_settings_wrong_not_digits() -> None:
    def kinds(typed: bool | None) -> list[float]:
        shares = dict.fromkeys(("mPa·s", "ten times", "°F written", "a wrong digit"), 0.0)
        for where, (weight, _) in slips(usual((KV, 40.0), (KV, 100.0), typed=typed)).items():
            for kind in shares:
                shares[kind] += weight * where.startswith(kind)
        return list(shares.values())

    assert kinds(False)[3] < 0.02 < 0.3 < kinds(True)[3]


def test_fahrenheit_for_celsius() -> None:
    """(40 - 32) / 1.8 = 4.4 °C; 100 °F is 37.78 °C, 210 °F 98.89 °C: what the product shows there."""
    evidence = usual((KV, 40.0), (RHO, 40.0), (KV, 100.0))
    found = slips(evidence)
    for words, cold, hot in (("°F written as °C", 40.0 / 9.0, 340.0 / 9.0),
                             ("100 °F taken for 40 °C, 210 °F for 100 °C", 37.7778, 98.8889)):  # fmt: skip
        mean, _ = evidence.course.moments(evidence.viscous, np.array([cold, cold, hot]))
        expected = mean - evidence.mean
        assert found[f"{words}: every row"][1] == pytest.approx(expected, rel=1e-4)
        assert found[f"{words}: at 100 °C"][1] == pytest.approx([0.0, 0.0, expected[2]], rel=1e-4)
    assert found["measured at 100 °C, written under 40 °C, fill 1"][1][1] == pytest.approx(820.0 - 858.0)


def test_temperatures_that_no_cell_has_speak_for_kelvin() -> None:
    """313.15 K is 40 °C; a temperature that becomes a customary one speaks for °F, 20 to 1: 104 °F is 40 °C."""
    kelvin = slips(run_of(row(KV, 313.15, 46.0), row(RHO, 313.15, 858.0)))
    weight, effect = kelvin["kelvin written as °C: every row"]
    assert weight == pytest.approx(1e6 * 0.25 / 3.0)
    expected, _ = TYPICAL.moments(np.array([True, False]), np.array([313.15, 313.15]))
    assert effect == pytest.approx([math.log(46.0) - expected[0], 858.0 - expected[1]])
    assert not any("kelvin" in where for where in slips(run_of(row(KV, 150.0, 3.0))))
    assert slips(run_of(row(KV, 104.0, 46.0)))["°F written as °C: every row"][0] == pytest.approx(20.0 * 0.25 / 2.0)
    assert slips(usual((KV, 100.0)))["°F written as °C: every row"][0] == pytest.approx(0.25 / 2.0)


def test_which_slips_there_are() -> None:
    one = slips(usual((KV, 40.0)))
    assert "mPa·s written under mm²/s: every viscosity" not in one
    assert not any("exchanged" in where and "digits" not in where for where in one)
    assert not any("at 40 °C" in where for where in one if "°F" in where)
    fills = slips(run_of(row(KV, 40.0), row(KV, 100.0, fill=2), row(KV, 40.0, 47.0, fill=3)))
    assert not any(where.endswith("°C exchanged") and "rows" not in where for where in fills), "of one fill only"
    added = slips(run_of(row(KV, 40.0), row(KV, 40.0, kind="refill and repeat", fill=2)))
    assert all(effect[1] == 0.0 for _, effect in added.values())


def test_a_slip_of_less_than_four_standard_deviations_is_not_looked_for() -> None:
    """Noise 0.05 kg/m³: 858.31 for 858.13 is 0.18 away; 858.35 for 858.53 as well, 858.41 for 858.14 0.27."""

    def told(value: float, other: str) -> bool:
        return any(
            where.startswith("digits") and f"for {other}" in where for where in slips(run_of(row(RHO, 40.0, value)))
        )

    assert not told(858.31, "858.13")
    assert not told(858.35, "858.53")
    assert told(858.41, "858.14")
    wide = slips(run_of(row(RHO, 40.0, 858.41), noise=Noise(0.002, 0.068, "")))
    assert not any("digits" in where and "858.14" in where for where in wide), "4 · 0.068 = 0.272"


def test_digits_that_are_alike_or_make_nothing_are_no_slip() -> None:
    found = {where.split(", ")[1] for where in slips(run_of(row(KV, 40.0, 10.5))) if where.startswith("digits")}
    assert found == {"10.5 for 1.5", "10.5 for 15"}, "01.5 reads 1.5, and the point stays"
    assert not [
        where for where in slips(run_of(row(KV, 40.0, 0.044))) if "for 0.0" in where and "0.044 for 0.044" in where
    ]
    assert not [where for where in slips(run_of(row(KV, 40.0, 1234567.0))) if "digit" in where]


def test_the_other_products_of_the_house() -> None:
    other = replace(
        TYPICAL,
        viscosity=Course((Node(40.0, math.log(68.0), 0.02),), 0.95),
        density=Course((Node(40.0, 865.0, 0.7),), 0.98),
    )
    thin = replace(other, density=Course((), 0.98))
    house = (HouseProduct("Oil 68", other), HouseProduct("Thin", thin))
    found = [one for one in shifts_of(usual((KV, 40.0), (RHO, 40.0), house=house)) if one.cause == "another product"]
    assert [(one.where, one.weight) for one in found] == [("Oil 68", 1.0)], "of the other no density is known"
    assert found[0].effect == pytest.approx([math.log(68.0 / 46.0), 7.0], rel=1e-6)
    assert found[0].spread is not None
    assert np.diag(found[0].spread) == pytest.approx([4e-4, 0.49])
    both = [one for one in shifts_of(usual((KV, 40.0), house=house)) if one.cause == "another product"]
    assert [(one.where, one.weight) for one in both] == [("Oil 68", 0.5), ("Thin", 0.5)]
    neighbour = usual((KV, 40.0), house=house, before=replace(BEFORE, product="Thin"))
    shares = [one.weight for one in shifts_of(neighbour) if one.cause == "another product"]
    assert shares == pytest.approx([1.0 / 6.0, 5.0 / 6.0]), "bottles side by side are exchanged more often"
    kept = run_of(row(KV, 40.0), row(KV, 40.0, kind="retained sample", fill=2), house=house)
    (first, _) = (one for one in shifts_of(kept) if one.cause == "another product")
    assert first.effect == pytest.approx([math.log(68.0 / 46.0), 0.0], rel=1e-6)
    assert first.spread is not None
    assert first.spread[0, 1] == first.spread[1, 0] == 0.0
