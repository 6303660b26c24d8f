"""Mandel's h and k in pictures: every number in the table, what is beyond its limit told by shape and by name."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from labcalc.figures import Picture
from labcalc.figures.studies.page import draw_consistency
from labcalc.statistics import interlaboratory_cells, mandel_statistics
from labcalc.statistics.precision.interlaboratory import InterlaboratoryCells
from tests.figures.drawn import checked
from tests.figures.test_run_pictures import HOSTILE, PLOTLY, bundle
from tests.statistics.test_interlaboratory import glucose, sulfur


def traces(picture: Picture) -> dict[str, dict[str, Any]]:
    data, _ = bundle(picture)
    drawn: list[dict[str, Any]] = data[PLOTLY]["data"]  # type: ignore[index]
    return {one["name"]: one for one in reversed(drawn)}


def texts(picture: Picture) -> list[str]:
    return [one.text for one in checked(picture).layout.annotations]


def test_spreads_beyond_the_limit_are_hatched_and_named() -> None:
    """ASTM E691, glucose: k of laboratory 4 at C and of 2 at E are beyond 2.06 (limit from memory)."""
    picture = draw_consistency(mandel_statistics(glucose()), "k")
    drawn = traces(picture)
    assert drawn["beyond the limit"]["marker"]["pattern"]["shape"] == "/"
    assert "pattern" not in drawn["within the limit"]["marker"]
    assert texts(picture) == ["level A", "level B", "level C", "level D", "level E", "2", "4"]
    assert picture.caption == (
        "Mandel's k of 8 laboratories at 5 levels: 2 of 40 standard deviations beyond the 0.5 % limit, where chance "
        "gives 0.2: laboratory 4 at level C (2.41), laboratory 2 at level E (2.33)."
    )
    assert len(picture.rows) == 40
    assert picture.columns == ("Level", "Laboratory", "k", "Limit")
    assert ("C", "4", "2.41", "2.06") in picture.rows


def test_means_within_the_limit_say_which_is_largest() -> None:
    picture = draw_consistency(mandel_statistics(glucose()), "h")
    assert "beyond the limit" not in traces(picture)
    assert picture.caption == (
        "Mandel's h of 8 laboratories at 5 levels: none of 40 means is beyond the 0.5 % limit; the largest is that of "
        "laboratory 4 at level C (2.14)."
    )
    limits = [one for one in checked(picture).data if one.name == "limit"]
    assert [max(filter(None, one.y)) > 0 for one in limits] == [True, False]
    assert [one.showlegend for one in limits] == [True, False]


def test_limits_go_by_the_number_of_results() -> None:
    """Of laboratory 5, with five results at levels 1 and 3, less is forgiven."""
    picture = draw_consistency(mandel_statistics(sulfur(), 0.05), "k")
    limits = {row[1]: row[3] for row in picture.rows if row[0] == "1"}
    assert float(limits["5"]) < float(limits["1"]) < float(limits["2"])
    assert "laboratory 5 at level 3" in picture.caption


def test_levels_stand_apart_and_every_bar_has_its_place() -> None:
    picture = draw_consistency(mandel_statistics(glucose()), "h")
    bars = traces(picture)["within the limit"]
    places = np.sort(np.array(next(one.x for one in checked(picture).data if one.type == "bar")))
    assert len(places) == 40
    assert np.diff(places).tolist().count(2.0) == 4
    assert bars["width"] == 0.8
    assert len(checked(picture).layout.shapes) == 4


def many() -> InterlaboratoryCells:
    random = np.random.default_rng(2)
    laboratory, level = np.divmod(np.arange(240) // 2, 4)
    return interlaboratory_cells(
        laboratory.astype(str), level.astype(str), random.standard_normal(240) + 9 * (laboratory == 3)
    )


def test_many_laboratories_are_named_where_it_matters() -> None:
    picture = draw_consistency(mandel_statistics(many(), 0.01), "h")
    assert not checked(picture).layout.xaxis.ticktext
    assert texts(picture)[4:] == ["3"] * 4
    assert "4 of 120 means" in picture.caption


def test_missing_cells_leave_a_gap() -> None:
    study = glucose()
    kept = study.counts > 0
    kept[2, 1] = False
    for which in ("h", "k"):
        picture = draw_consistency(mandel_statistics(study.only(kept)), which)  # type: ignore[arg-type]
        assert picture.rows[8 + 2][2] == "–"
        assert "of 39 " in picture.caption


@pytest.mark.parametrize(("which", "needed"), [("h", "means that differ"), ("k", "repeats that differ")])
def test_nothing_to_compare(which: str, needed: str) -> None:
    flat = interlaboratory_cells([*"AABBCC"], ["1"] * 6, [46.0] * 6)
    picture = draw_consistency(mandel_statistics(flat), which)  # type: ignore[arg-type]
    assert (
        picture.caption == f"Mandel's {which} of 3 laboratories at 1 level: nothing to compare, no level has {needed}."
    )


def test_names_of_people_stay_text() -> None:
    names = np.repeat([HOSTILE, *"BCDEFGH"], 2)
    study = interlaboratory_cells(names, [HOSTILE] * 16, [99.0, 99.1, *np.random.default_rng(1).normal(46.0, 0.1, 14)])
    picture = draw_consistency(mandel_statistics(study), "h")
    shown = [*texts(picture), *checked(picture).layout.xaxis.ticktext]
    shown += [text for one in checked(picture).data if one.type == "bar" for text in one.hovertext]
    assert all("<" not in text for text in shown)
    assert HOSTILE in picture.rows[0]
