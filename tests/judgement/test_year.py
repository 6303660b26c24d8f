"""The year: its months by hand, its drift against a general library and by simulation, odd years in words."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from labcalc import figures
from labcalc.errors import MonthError
from labcalc.judgement import (
    YearReport,
    gather_record,
    month_of,
    quality_for_programs,
    report_month,
    report_year,
)
from labcalc.judgement.control.status import sight_of
from labcalc.statistics import Drift, drift_of
from tests.judgement.conftest import HEADER, LAB
from tests.judgement.test_month import around, references

MONTHS = ("01", "02", "03", "04", "05", "06", "07", "08")


def record(folder: Path, rows: str) -> YearReport:
    (folder / "lab.toml").write_text(LAB.replace("valid_to = 2026-03-31", "valid_to = 2026-12-31"), encoding="utf-8")
    (folder / "record").mkdir(exist_ok=True)
    (folder / "record" / "all.csv").write_text(HEADER + rows, encoding="utf-8")
    return report_year(gather_record(folder / "lab.toml"), "2026")


@pytest.fixture
def drifting(tmp_path: Path) -> YearReport:
    """Eight months of twenty results, each month 0.02 mm²/s above the one before."""
    values = [[one + 0.02 * n for one in around(20, seed=n)] for n in range(len(MONTHS))]
    return record(tmp_path, "".join(references(f"2026-{m}", v) for m, v in zip(MONTHS, values, strict=True)))


def test_a_month_of_the_year_is_that_month(drifting: YearReport, tmp_path: Path) -> None:
    material = gather_record(tmp_path / "lab.toml")
    for trend in drifting.trends:
        assert [f"{one.since:%m}" for one in trend.months] == list(MONTHS)
        for one in trend.months:
            (own,) = (o for o in report_month(material, f"{one.since:%Y-%m}").oils if o.chart.name == one.chart.name)
            assert (one.number, one.mean, one.deviation) == (own.number, own.mean, own.deviation)


def test_bias_spread_and_index_by_hand(tmp_path: Path) -> None:
    year = record(tmp_path, references("2026-02", [49.95, 50.00, 50.05, 50.10]))
    (viscosity,) = (one for one in year.trends if one.panel.first.unit == "%")
    (one,) = viscosity.months
    certified = one.chart.certified
    percent = [100.0 * (value / certified - 1.0) for value in (49.95, 50.00, 50.05, 50.10)]
    mean = sum(percent) / 4
    s = (sum((value - mean) ** 2 for value in percent) / 3) ** 0.5
    assert (one.offset, one.deviation) == (pytest.approx(mean), pytest.approx(s))
    assert one.site is not None
    assert one.site.limit == pytest.approx(2.77 * s)
    assert one.published_over_site == pytest.approx(1.2 / (2.77 * s), rel=0.5), "R of base oils is about 1.2 %"
    assert viscosity.drift is None
    assert viscosity.words == "too few months"


def test_the_drift_of_the_year_is_the_one_put_in(drifting: YearReport) -> None:
    (viscosity,) = (one for one in drifting.trends if one.panel.first.unit == "%")
    assert viscosity.drift is not None
    put_in = 100.0 * 0.02 / viscosity.panel.first.certified * 12
    low, high = viscosity.drift.interval
    assert low < put_in < high
    assert viscosity.drift.degrees_of_freedom == 8 - 1 - 1
    assert viscosity.drifts
    assert any(
        one.startswith("VD, Reference oil, kinematic viscosity at 40 °C drifts by +") for one in drifting.notices
    )
    assert not any(one.drifts for one in drifting.trends if one is not viscosity)
    assert any("drifts by +" in one for one in quality_for_programs(drifting)["notices"])


def test_a_drift_is_weighted_least_squares_with_a_level_a_lot() -> None:
    """Against statsmodels' WLS with a column a lot, on means that are weighted by their numbers."""
    generator = np.random.default_rng(5)
    t = np.sort(generator.uniform(0.0, 1.0, 150))
    months, lots = (12 * t).astype(int), (t > 0.4).astype(int)
    y = 0.3 * t + 0.5 * lots + generator.normal(0.0, 0.1, t.size)
    found = drift_of(t, y, months, lots)
    assert found is not None
    table = pd.DataFrame({"t": t, "y": y, "m": months, "l": lots}).groupby(["l", "m"])
    means, number = table.mean().reset_index(), table.size().to_numpy()
    design = np.column_stack([means["t"], means["l"] == 0, means["l"] == 1]).astype(float)
    fit = sm.WLS(means["y"].to_numpy(), design, weights=number).fit()
    assert found.slope == pytest.approx(fit.params[0], rel=1e-10)
    assert found.interval == pytest.approx(tuple(fit.conf_int(0.05)[0]), rel=1e-9)
    assert (found.p_value, found.degrees_of_freedom) == (pytest.approx(fit.pvalues[0], rel=1e-8), int(fit.df_resid))


def covered(correlation: float, years: int = 1500) -> tuple[float, float]:
    """Return how often the interval, and that of a line through all results, holds the slope put in, [-]."""
    generator = np.random.default_rng(11)
    t = (np.arange(250) + 0.5) / 250
    months, hits, plain = (12 * t).astype(int), 0, 0
    for _ in range(years):
        noise, shocks = np.empty(250), generator.standard_normal(250) * (1.0 - correlation**2) ** 0.5
        noise[0] = generator.standard_normal()
        for day in range(1, 250):
            noise[day] = correlation * noise[day - 1] + shocks[day]
        y = 0.7 * t + noise
        found, all_results = drift_of(t, y, months, np.zeros(250)), drift_of(t, y, np.arange(250), np.zeros(250))
        assert found is not None
        assert all_results is not None
        hits += found.interval[0] <= 0.7 <= found.interval[1]
        plain += all_results.interval[0] <= 0.7 <= all_results.interval[1]
    return hits / years, plain / years


@pytest.mark.slow
def test_the_interval_of_a_drift_covers_what_it_says() -> None:
    """Days alike by 0.5 halve what a line through all results knows of itself; means of a month hardly notice."""
    independent, _ = covered(0.0)
    assert abs(independent - 0.95) < 0.017, "three standard deviations of 1500 years"
    alike, through_all = covered(0.5)
    assert alike > 0.92
    assert through_all < 0.85


def test_too_few_months_have_no_drift() -> None:
    assert drift_of([0.1, 0.2, 0.3, 0.4], [1.0, 2.0, 3.0, 4.0], [0, 1, 2, 3], [0, 0, 0, 0]) is None
    found = drift_of([0.1, 0.2, 0.3, 0.4, 0.5], [1.0, 2.0, 3.0, 4.0, 5.0], range(5), [0] * 5)
    assert found == Drift(pytest.approx(10.0), pytest.approx((10.0, 10.0)), 3, pytest.approx(0.0, abs=1e-9), 5)


def test_alarms_add_up_and_are_held_against_chance(drifting: YearReport) -> None:
    assert [one.month for one in drifting.alarms] == [f"2026-{month}" for month in MONTHS]
    charts = {id(one.chart): one.chart for one in drifting.oils}.values()
    begun = 0
    for chart in charts:
        after = {one.position for one in chart.signals}
        begun += sum(at - 1 not in after and not chart.in_baseline[at] for at in after)
    assert sum(one.begun for one in drifting.alarms) == begun > 0
    judged = sum(int((~chart.in_baseline).sum()) for chart in charts if chart.limits)
    expected = sum(one.expected for one in drifting.alarms)
    per_result = {sight_of(drifting.laboratory.control, one.limits).begun for one in charts if one.limits}
    assert min(per_result) * judged <= expected * (1 + 1e-9)
    assert expected <= max(per_result) * judged * (1 + 1e-9)
    drawn = figures.alarm_picture(drifting)
    assert isinstance(drawn, figures.Picture)
    assert drawn.caption.startswith(f"{begun} alarms began in 2026; ")
    assert sum(int(row[2]) for row in drawn.rows) == begun
    told = [row[-1] for picture in figures.trend_pictures(drifting) for row in picture.rows]
    assert sum(int(one) for one in told if one != "–") == begun
    assert "–" in told, "densities that are all the same have no limits, and so no alarm to count"


@pytest.mark.parametrize("rows", ["", references("2026-05", [50.0]), references("2026-05", around(6))])
def test_a_year_of_little_is_told_in_words(tmp_path: Path, rows: str) -> None:
    year = record(tmp_path, rows or references("2025-12", around(4)))
    shown = [
        *(figures.show_month_header(year), figures.show_month_verdict(year), figures.show_actions(year)),
        *(figures.show_notices(year), figures.show_trends(year), figures.show_year_checks(year)),
        figures.show_month_provenance(year),
    ]
    assert all(one.text for one in shown[:-1])
    drawn = [*figures.trend_pictures(year), figures.alarm_picture(year)]
    assert len(drawn) == (3 if rows else 1)
    ranges = [one.figure.layout["xaxis"]["range"] for one in drawn if isinstance(one, figures.Picture)]
    assert all(one == ["2026-05-01", "2026-06-01"] for one in ranges), "an axis covers the months with results"


def test_a_year_has_twelve_months_in_its_zone() -> None:
    year = month_of("2024", "Europe/Lisbon", 12)
    assert [one.name for one in year.parts] == [f"2024-{month:02d}" for month in range(1, 13)]
    assert (year.parts[0].first, year.parts[-1].last) == (year.first, year.last)
    with pytest.raises(MonthError, match="'24' is no year; four digits are expected, such as 2026"):
        month_of("24", "UTC", 12)


def test_the_year_of_the_sample_laboratory_shows_what_moved() -> None:
    year = report_year(gather_record(), "2026")
    (moved,) = year.ended
    assert moved.about == "VD-2, kinematic viscosity"
    assert moved.finding.startswith("since about 17 March (10 to 19): all its oils read +0.20 ")
    assert moved.about not in [one.about for one in year.actions], "it was back before the record's end"
    html = figures.show_trends(year).html
    assert html.count("too few months") == 16
    assert "<summary>16 lots before</summary>" in html
