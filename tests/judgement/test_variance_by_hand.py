"""Components of variance by hand: which levels there are, what each adds, what is not enough, and every word of it.

An invented reference oil. Mean squares by hand (ISO 5725-3, nested layout); chi-square by scipy.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from labcalc.exports import TIDY_COLUMNS, Reading
from labcalc.judgement import ComponentsOfVariance, Material, components_of_variance, components_side_by_side
from labcalc.judgement.variance.components import FEWEST_DEGREES, Layout, components_of_results, layout_of, sample_names
from labcalc.lab import Decision, Laboratory
from tests.judgement.test_chart_states import decision

ZONE = "Europe/Lisbon"
KV = "kinematic viscosity"


def row(run: str, day: int, value: float, **more: Any) -> dict[str, Any]:
    """One density at 40 °C, measured at 08:00 of a day of March by Kim on A."""
    given: dict[str, Any] = {"run": run, "sample": "RO-1", "lot": "A", "role": "reference", "instrument": "A"}
    given |= {"operator": "Kim", "measured_at": pd.Timestamp(f"2026-03-{day:02} 08:00", tz=ZONE)}
    return given | {"temperature_C": 40.0, "density_kg_m3": value} | more


def frame(rows: Sequence[dict[str, Any]]) -> pd.DataFrame:
    return pd.DataFrame(list(rows), columns=list(TIDY_COLUMNS))


def material(rows: Sequence[dict[str, Any]], *decisions: Decision) -> Material:
    table = frame(rows)
    return Material(Laboratory(time_zone=ZONE), Reading(table, (), ()), table, (), decisions)


def studied(rows: Sequence[dict[str, Any]], *decisions: Decision) -> ComponentsOfVariance:
    (found,) = components_of_variance(material(rows, *decisions))
    return found


# --- Levels ---


def layout(*places: tuple[str, str, int, str]) -> Layout:
    """Instrument, operator, day and run of each result."""
    return layout_of(frame([row(run, day, 850.0, instrument=i, operator=o) for i, o, day, run in places]))


def levels(found: Layout) -> list[tuple[str, int, int, bool, int]]:
    degrees = [one.degrees_of_freedom for one in found.levels]
    return [
        (one.name, one.groups, its, its >= FEWEST_DEGREES, one.groups + max(FEWEST_DEGREES - its, 0))
        for one, its in zip(found.levels, degrees, strict=True)
    ]


def test_a_full_layout() -> None:
    """2 instruments, 2 people on each, 2 days, 2 runs, 2 determinations."""
    places = [
        (i, o, day, f"{i}{o}{day}{run}") for i in "AB" for o in "KL" for day in (1, 2) for run in (1, 2) for _ in (1, 2)
    ]
    found = layout(*places)
    assert levels(found) == [
        ("instrument", 2, 1, False, 9),
        ("operator", 4, 2, False, 10),
        ("day", 8, 4, False, 12),
        ("run", 16, 8, True, 16),
        ("determination", 32, 16, True, 32),
    ]
    assert found.lacking == ()
    assert (found.lowest, list(found.codes)) == ("determination", ["instrument", "operator", "day", "run"])
    assert FEWEST_DEGREES == 8


def test_eight_degrees_of_freedom_keep_the_interval_below_twice_the_deviation() -> None:
    """√(ν / χ²(0.025, ν)), by scipy: 1.92 with 8 and 2.04 with 7."""
    ends = [math.sqrt(nu / stats.chi2.ppf(0.025, nu)) for nu in (FEWEST_DEGREES, FEWEST_DEGREES - 1)]
    assert ends[0] < 2.0 < ends[1]


def test_a_level_with_one_of_the_next_stands_with_it() -> None:
    found = layout(*(("A", "K", day, f"{day}") for day in range(1, 10)))
    assert levels(found) == [("day and run", 9, 8, True, 9)]
    assert found.lacking == (
        "instrument: there is one only, so what another would add can't be seen; 9 would show it well",
        "operator: there is one only, so what another would add can't be seen; 9 would show it well",
        "day and run: each of 9 holds one of the next, so what the one adds can't be told from what the other adds; a "
        "second run within 8 of them would tell",
    )
    assert list(found.codes) == []
    fewer = layout(*(("A", "K", day, f"{day}") for day in range(1, 9)))
    assert fewer.lacking[2].endswith("a second run within 8 of them would tell")
    few = layout(*(("A", "K", day, f"{day}") for day in range(1, 8)))
    assert few.lacking[2].endswith("a second run within 7 of them would tell a little, within 8 it would tell well")


def test_what_there_is_one_of_is_left_out_wherever_it_stands() -> None:
    """Two people on one day: the day is the same for both, and nothing of it is in their difference."""
    found = layout(*(("A", o, 1, f"{o}{n}") for o in "KL" for n in (1, 2)))
    assert levels(found) == [("operator", 2, 1, False, 9), ("run", 4, 2, False, 10)]
    assert [line[:23] for line in found.lacking] == ["instrument: there is on", "day: there is one only,"]
    one_person = layout(*((i, "K", day, f"{i}{day}") for i in "AB" for day in (1, 2)))
    assert levels(one_person) == [("instrument", 2, 1, False, 9), ("day and run", 4, 2, False, 10)]


def test_three_levels_that_can_not_be_told_apart() -> None:
    found = layout(*((i, i, day, f"{i}{day}") for i, day in (("A", 1), ("B", 2), ("C", 3))))
    assert [(one.names, one.groups) for one in found.levels] == [(("instrument", "operator", "day", "run"), 3)]
    assert found.levels[0].name == "instrument, operator, day and run"
    two_days = layout(*((i, i, day, f"{i}{day}") for i in "AB" for day in (1, 2)))
    assert levels(two_days) == [("instrument and operator", 2, 1, False, 9), ("day and run", 4, 2, False, 10)]
    assert list(two_days.codes) == ["instrument and operator"]


def test_a_level_that_some_results_do_not_name() -> None:
    rows = [row("1", 1, 850.0, operator=""), row("2", 1, 850.1, operator=None), row("3", 2, 850.2)]
    found = layout_of(frame([*rows, row("4", 2, 850.2)]))
    assert "operator: 2 of 4 results don't name one: the level is left out" in found.lacking
    assert [one.name for one in found.levels] == ["day", "run"]
    undated = layout_of(frame([row("1", 1, 850.0, measured_at=pd.NaT), row("2", 2, 850.0)]))
    assert "day: 1 of 2 results don't name one: the level is left out" in undated.lacking


# --- Components ---

SIX = (0.0, 0.2, 0.4, 0.4, 0.1, 0.3)
"""Two runs on each of three days: means 0.1, 0.4, 0.2; MS of days 2 · 0.0466667 / 2, of runs 0.04 / 3."""


def six(scale: float = 1.0, **more: Any) -> list[dict[str, Any]]:
    return [row(f"R{n}", 1 + n // 2, 850.0 + scale * one, **more) for n, one in enumerate(SIX)]


def test_days_and_runs_by_hand() -> None:
    """Within days Σ = 0.02 + 0 + 0.02, 3 degrees; days 2 Σ(mean - 0.2333)² = 0.0933, 2 degrees."""
    found = studied(six())
    assert found.components is not None
    day, run = found.components.components
    within, between = 0.04 / 3.0, 2.0 * ((0.1 - 0.7 / 3.0) ** 2 + (0.4 - 0.7 / 3.0) ** 2 + (0.2 - 0.7 / 3.0) ** 2) / 2.0
    assert (run.variance, day.variance) == pytest.approx((within, (between - within) / 2.0))
    assert found.variances == pytest.approx({"day": (between - within) / 2.0, "run": within})
    assert [symbol for symbol, _ in found.intermediate_precisions] == ["s_I(T)", "s_r"]
    total = math.sqrt(day.variance + run.variance)
    low, high = found.components.total.deviation_interval
    share = 100.0 * day.variance / total**2
    assert found.sentence == (
        f"RO-1 lot A, density at 40 °C: 6 results spread by s_I(T) = {total:.2g} kg/m³ (95 %: {low:.2g} to "
        f"{high:.2g}); shares of the variance: day {share:.0f} %, run {100.0 - share:.0f} %."
    )
    assert (found.unit, found.number, found.excluded) == ("kg/m³", 6, 0)


def test_viscosity_is_split_in_percent_of_its_mean() -> None:
    rows = [
        one | {"density_kg_m3": None, "kinematic_viscosity_mm2_s": 0.05 * (one["density_kg_m3"] + 150.0)}
        for one in six()
    ]
    found = studied(rows)
    assert found.components is not None
    mean = 0.05 * (1000.0 + sum(SIX) / 6.0)
    assert found.components.components[-1].variance == pytest.approx(0.04 / 3.0 * (0.05 * 100.0 / mean) ** 2)
    assert (found.quantity, found.unit) == (KV, "%")


def test_a_negative_component_is_0_and_the_rest_by_restricted_likelihood() -> None:
    """Days of equal means: in a balanced layout the likelihood pools days and runs, Σ(x - mean)² / 5 = 0.04 / 5.

    The analysis of variance gives 0.04 / 3 for a run and −0.04 / 6 for a day (Searle, Casella, McCulloch 1992, memory).
    """
    found = studied([row(f"R{n}", 1 + n // 2, 850.0 + one) for n, one in enumerate((0.0, 0.2, 0.2, 0.0, 0.1, 0.1))])
    assert found.components is not None
    assert found.variances == {"day": 0.0, "run": pytest.approx(0.008)}
    assert [one.share for one in found.components.components] == [0.0, 1.0]
    assert found.components.total.variance == pytest.approx(0.008)
    for one in (*found.components.components, *found.components.sums):
        assert one.interval[0] <= one.variance <= one.interval[1]
    (remark,) = found.remarks
    assert remark.startswith("day: too small to show; by restricted maximum likelihood")


def test_results_that_are_all_alike_have_no_spread() -> None:
    found = studied(six(0.0))
    assert found.sentence == "RO-1 lot A, density at 40 °C: 6 results, all alike: no spread to split."
    nothing_within = studied([row(f"R{n}", 1 + n // 2, 850.0 + n // 2) for n in range(6)])
    assert nothing_within.components is not None


@pytest.mark.parametrize(("number", "said"), [(0, "0 results"), (1, "1 result")])
def test_fewer_than_two_results_say_how_many_are_needed(number: int, said: str) -> None:
    about = [decision("exclude", run=f"R{n}") for n in range(2 - number)]
    found = studied([row("R0", 1, 850.0), row("R1", 2, 850.1)], *about)
    assert (found.components, found.not_enough) == (None, (f"{said}: a spread needs 2, a useful one 9",))
    assert (found.intermediate_precisions, found.variances, found.excluded) == ((), {}, 2 - number)


def test_two_results_are_split() -> None:
    found = studied([row("R0", 1, 850.0), row("R1", 2, 850.2)])
    assert found.components is not None
    assert found.components.total.variance == pytest.approx(0.02), "0.2² / 2"
    assert found.not_enough[0] == (
        "day and run: 2 give 1 degree of freedom; 9 would give the 8 from which on the interval's upper end is less "
        "than twice the standard deviation"
    )


def test_an_unbalanced_layout_has_the_maximum_of_its_likelihood() -> None:
    """By scipy's optimiser on the restricted likelihood of a common mean, with the day's variance at 0: n - 1 below."""
    values = [(1, 0.0), (1, 0.4), (2, 0.2), (3, 0.1), (3, 0.4), (3, 0.1)]
    found = studied([row(f"R{n}", day, 850.0 + value) for n, (day, value) in enumerate(values)])
    away = np.array([value for _, value in values])
    assert found.variances == {"day": 0.0, "run": pytest.approx(float(away.var(ddof=1)))}
    flat = studied([row(f"R{n}", day, 850.0 + day) for n, day in enumerate((1, 1, 2, 3, 3))])
    assert flat.variances["run"] == 0.0, "nothing within a day: no likelihood to be had"


def test_oils_side_by_side_pool_a_negative_level() -> None:
    """Two oils on four days, opposite to each other: mean squares of days 0, so that all is a run's.

    Each about its own mean: Σ = 8 · 0.01, with 8 - 2 degrees of freedom.
    """
    rows = [
        row(f"{oil}{day}", day, 850.0 + sign * 0.1 * (-1) ** day, sample=f"RO-{oil}")
        for day in range(1, 5)
        for oil, sign in ((1, 1.0), (2, -1.0))
    ]
    (found,) = (one for one in components_side_by_side(material(rows)) if one.quantity == "density")
    assert found.variances == {"day": 0.0, "run": pytest.approx(0.08 / 6.0)}


def test_what_is_about_the_quantity_is_left_out() -> None:
    rows = six()
    about = [
        decision("exclude", run="R1", quantity=KV),
        decision("exclude", run="R2", temperature_C=100.0),
        decision("exclude", run="R3"),
        decision("accept", run="R4"),
        decision("exclude", run="R5", quantity="density", temperature_C=40.04),
    ]
    found = studied(rows, *about)
    assert (found.number, found.excluded) == (4, 2)


def test_dynamic_viscosity_stands_only_where_the_kinematic_one_does_not() -> None:
    rows = [one | {"dynamic_viscosity_mPa_s": 40.0 + n} for n, one in enumerate(six())]
    both = [one | {"kinematic_viscosity_mm2_s": 50.0 + n} for n, one in enumerate(rows)]
    assert [one.quantity for one in components_of_variance(material(rows))] == ["dynamic viscosity", "density"]
    assert [one.quantity for one in components_of_variance(material(both))] == [KV, "density"]


def test_samples_lots_and_temperatures_are_split_apart() -> None:
    rows = [
        *six(),
        *[one | {"lot": "B"} for one in six()],
        *[one | {"temperature_C": 40.04} for one in six()],
        *[one | {"temperature_C": 100.0} for one in six()],
        *[one | {"sample": "S-1", "role": "sample", "lot": None} for one in six()],
    ]
    found = components_of_variance(material(rows))
    assert [(one.name, one.number) for one in found] == [
        ("RO-1 lot A, density at 40 °C", 12),
        ("RO-1 lot A, density at 100 °C", 6),
        ("RO-1 lot B, density at 40 °C", 6),
    ]
    names = sample_names(frame([{"sample": "a", "lot": ""}, {"sample": "b", "lot": None}, {"sample": "c", "lot": "L"}]))
    assert names.tolist() == ["a", "b", "c lot L"]


@pytest.mark.parametrize(
    ("places", "symbols"),
    [
        ([("A", "K", 1, "1"), ("A", "K", 1, "2")], ["s_r"]),
        ([("A", "K", 1, "1"), ("A", "K", 1, "1")], ["s_d"]),
        ([("A", "K", 1, "1"), ("A", "K", 2, "2")], ["s_I(T)"]),
        ([("A", "K", 1, "1"), ("A", "L", 1, "2"), ("A", "K", 1, "3")], ["s_I(O)", "s_r"]),
        ([("A", "K", 1, "1"), ("B", "K", 1, "2"), ("A", "K", 1, "3")], ["s_I(E)", "s_r"]),
        ([("A", "K", 1, "1"), ("A", "L", 2, "2"), ("A", "K", 1, "3")], ["s_I(TO)", "s_r"]),
    ],
)
def test_symbols_say_what_changes(places: list[tuple[str, str, int, str]], symbols: list[str]) -> None:
    """ISO 5725-3: T for time, O for operator, E for equipment."""
    rows = [row(run, day, 850.0 + n, instrument=i, operator=o) for n, (i, o, day, run) in enumerate(places)]
    assert [symbol for symbol, _ in studied(rows).intermediate_precisions] == symbols


# --- Side by side ---


def sittings(*days: dict[str, float], **more: Any) -> list[dict[str, Any]]:
    """Each day one run of each oil named."""
    return [
        row(f"{oil}-{day}", day, value, sample=oil, **more)
        for day, oils in enumerate(days, 1)
        for oil, value in oils.items()
    ]


def test_two_oils_by_hand() -> None:
    """Less their means: oil 1 -0.1, 0.1, 0; oil 2 -0.3, 0, 0.3. Days' means -0.2, 0.05, 0.15: MS 2 · 0.065 / 2;
    rest 0.02 + 0.005 + 0.045 = 0.07 on (3 - 1)(2 - 1) = 2 degrees."""
    rows = sittings({"X": 850.0, "Y": 870.0}, {"X": 850.2, "Y": 870.3}, {"X": 850.1, "Y": 870.6})
    (found,) = components_side_by_side(material(rows))
    assert found.components is not None
    day, run = found.components.components
    assert [(one.name, round(one.degrees_of_freedom, 6)) for one in (day, run)] == [("day", 2.0), ("run", 2.0)]
    assert run.variance == pytest.approx(0.07 / 2.0)
    assert day.variance == pytest.approx((0.065 - 0.035) / 2.0)
    assert found.samples == ("X lot A", "Y lot A")
    assert found.remarks == ("the oils are taken to spread alike in kg/m³; each is held against its own mean",)
    assert found.name == "X lot A and Y lot A, density at 40 °C"


@pytest.mark.parametrize(
    ("rows", "number"),
    [
        (sittings({"X": 850.0, "Y": 870.0}), 0),
        (sittings({"X": 850.0, "Y": 870.0}, {"X": 850.1, "Y": 870.1}), 4),
        (sittings({"X": 850.0}, {"X": 850.1}, {"X": 850.3}), 0),
        (sittings({"X": 850.0, "Y": 870.0}, {"X": 850.1, "Y": 870.1}, role="sample"), 0),
        (sittings({"X": 850.0, "Y": 870.0}, {"X": 850.1, "Y": 870.1}, operator=None), 0),
        (sittings({"X": 850.0, "Y": 870.0}, {"X": 850.1, "Y": 870.1}, instrument=None), 0),
    ],
)
def test_two_days_together_are_enough(rows: list[dict[str, Any]], number: int) -> None:
    found = components_side_by_side(material(rows))
    assert sum(one.number for one in found) == number


def test_days_that_do_not_hold_each_oil_once_are_left_out_and_counted() -> None:
    days = [{"X": 850.0, "Y": 870.0}, {"X": 850.1, "Y": 870.2}, {"X": 850.4}]
    rows = [*sittings(*days), row("again", 2, 850.2, sample="X"), row("other", 9, 850.2, sample="Z")]
    assert components_side_by_side(material(rows)) == (), "the second day holds X twice"
    rows = [*sittings(*days, {"X": 850.2, "Y": 870.1}), row("again", 2, 850.2, sample="X")]
    (found,) = components_side_by_side(material(rows))
    assert found.number == 4
    assert found.remarks[-1] == "4 results are left out: on their day an oil was missing or measured twice"
    (less,) = components_side_by_side(material(rows, decision("exclude", run="again"), decision("exclude", run="X-1")))
    assert (less.number, less.remarks[-1][:9]) == (4, "4 results")
    narrow = decision("exclude", run="again", quantity="density")
    assert components_side_by_side(material(rows, narrow))[0].number == 6, "a decision about a part excludes the run"


def test_sets_of_oils_quantities_and_temperatures_are_studies_of_their_own() -> None:
    rows = sittings(
        {"X": 850.0, "Y": 870.0}, {"X": 850.1, "Y": 870.2}, {"X": 850.0, "Z": 800.0}, {"X": 850.2, "Z": 800.3}
    )
    rows += [
        one | {"run": one["run"] + "v", "density_kg_m3": None, "kinematic_viscosity_mm2_s": one["density_kg_m3"]}
        for one in rows
    ]
    rows += [one | {"temperature_C": 100.0} for one in rows if one["density_kg_m3"]]
    found = components_side_by_side(material(rows))
    assert [(one.samples, one.quantity, one.temperature_C, one.number) for one in found] == [
        (("X lot A", other), quantity, temperature, 4)
        for other in ("Y lot A", "Z lot A")
        for quantity, temperature in ((KV, 40.0), ("density", 40.0), ("density", 100.0))
    ]
    assert found[0].remarks[-1].startswith("2 results are left out"), "X on the days of Z"


def test_of_several_samples_each_is_held_against_its_own_mean() -> None:
    rows = frame(sittings({"X": 850.0, "Y": 870.0}, {"X": 850.2, "Y": 870.2}))
    found = components_of_results(rows, "density")
    assert found.components is not None
    assert found.components.total.variance == pytest.approx(0.02), "both days -0.1 and +0.1: MS of days 0.04 / 1"
    assert np.isclose(found.variances["run"], 0.0)
