"""A month's report once its rows are read, over a short and a long history: ``python -m tests.benchmarks.month``."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
import pandas as pd

from labcalc import figures
from labcalc.judgement import Material, gather_record, report_month
from tests.benchmarks.timing import fresh_cpu_seconds

_ROUNDS = 3

SHOWN = (
    *(figures.show_actions, figures.show_notices, figures.show_oils, figures.show_limits),
    *(figures.show_certificates, figures.show_carry_over, figures.show_operators),
    lambda report: figures.show_components(report.spreads),
    lambda report: figures.show_duplicate_summaries(report.duplicates),
)

PICTURES = (figures.instrument_pages,)


def history(determinations: int, columns: pd.Index, instruments: int = 2) -> pd.DataFrame:
    """Return twenty determinations a day on each instrument, the last in March 2026; a new lot each quarter."""
    a_day = 20 * instruments
    last = pd.Timestamp("2026-03-31", tz="Europe/Lisbon")
    days = pd.date_range(end=last, periods=determinations // a_day, freq="D")
    number = np.arange(len(days) * a_day)
    day, place = days[number // a_day], number % 20 // 2
    oil = np.where(place == 0, "REF-THIN", "REF-THICK")
    quarter = day.year.astype(str) + "-" + day.quarter.astype(str)
    generator = np.random.default_rng(1)
    table = pd.DataFrame(index=number, columns=columns)
    table["run"] = "r" + pd.Series(number // 2).astype(str)
    table["role"] = np.where(place < 2, "reference", "sample")
    table["sample"] = np.where(place < 2, oil, "HX46-" + pd.Series(number // 2).astype(str))
    table["product"] = np.where(place < 2, None, "Hydraulic oil HX 46")
    table["lot"] = np.where(place < 2, quarter, None)
    table["measured_at"] = day + pd.to_timedelta(480 + 10 * place, unit="min")
    table["instrument"] = "VD-" + pd.Series(number % a_day // 20 + 1).astype(str)
    table["operator"] = "A. Person"
    table["temperature_C"] = np.where(number % 2 == 0, 40.0, 100.0)
    table["replicate"] = 1
    table["kinematic_viscosity_mm2_s"] = np.where(number % 2 == 0, 15.0, 3.4) * generator.normal(
        1.0, 0.0015, number.size
    )
    table["dynamic_viscosity_mPa_s"] = np.nan
    table["density_kg_m3"] = generator.normal(838.9, 0.03, number.size)
    table["source_file"], table["source_line"] = "history.csv", number + 2
    return table


def material(determinations: int, instruments: int = 2) -> Material:
    """Return such a history as a laboratory's record, with the sample laboratory's settings."""
    sample = gather_record()
    table = history(determinations, sample.record.columns, instruments)
    return Material(sample.laboratory, replace(sample.reading, table=table), table, ())


def show_all(material: Material) -> None:
    """Work out everything that the page shows, from rows."""
    report = report_month(material, "2026-03")
    pieces = [piece for draw in PICTURES for piece in draw(report)]
    assert [piece._repr_mimebundle_() for piece in pieces if isinstance(piece, figures.Picture)]
    assert [show(report) for show in SHOWN]


def main() -> None:
    """Print the time of each and their ratio."""
    times = {size: fresh_cpu_seconds(partial(material, size), show_all, _ROUNDS) for size in (1_000, 100_000)}
    large = fresh_cpu_seconds(partial(material, 5 * 365 * 120, 6), show_all, _ROUNDS)
    print(
        f"CPU time from rows to all that the page shows, the least of {_ROUNDS} rounds, nothing kept of the one before"
    )
    print(f"1 000 determinations: {times[1_000]:.2f} s; 100 000: {times[100_000]:.2f} s")
    print(f"ratio {times[100_000] / times[1_000]:.1f}, at most 3 wanted")
    print(f"48 charts, five years, a new lot each quarter: {large:.2f} s, at most 3 wanted")


if __name__ == "__main__":
    main()
