"""Many texts are looked at all at once where they are plain: what comes of it is what each alone comes to."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from random import Random

import pandas as pd
import pytest

from labcalc.errors import ExportError
from labcalc.exports import Profile, read_export
from labcalc.exports.values import dates

ROWS = 500


def iso(number: int, random: Random) -> str:
    return f"2026-{1 + number % 12:02}-{1 + number % 28:02} {random.randrange(24):02}:{random.randrange(60):02}:17"


def figures(low: float, high: float, sign: str = ".") -> Callable[[int, Random], str]:
    return lambda _, random: f"{random.uniform(low, high):.{random.randrange(1, 6)}f}".replace(".", sign)


def sometimes(odd: str, other: Callable[[int, Random], str], one_in: int = 97) -> Callable[[int, Random], str]:
    return lambda number, random: odd if number % one_in == 50 else other(number, random)


COLUMNS = {
    "plain": (iso, figures(2, 140), figures(780, 900)),
    "a comma": (iso, figures(2, 140, ","), figures(780, 900, ",")),
    "thousands": (iso, sometimes("1,046.1", figures(2, 140)), figures(780, 900)),
    "a slip": (iso, sometimes("15,031", figures(2, 140)), figures(780, 900)),
    "both signs": (iso, figures(2, 140), figures(780, 900, ",")),
    "three behind the sign": (iso, lambda _, random: f"{random.uniform(1, 99):.3f}", lambda *_: "838.900"),
    "out of range": (iso, sometimes("0.0001", figures(2, 140)), sometimes("12", figures(780, 900))),
    "no figure": (iso, sometimes("n.d.", figures(2, 140)), sometimes("—", figures(780, 900))),
    "blank": (iso, sometimes("", figures(2, 140)), sometimes(" ", figures(780, 900))),
    "no such day": (sometimes("2026-02-30 08:00:00", iso), figures(2, 140), figures(780, 900)),
    "no such year": (sometimes("0202-02-03 08:00:00", iso), figures(2, 140), figures(780, 900)),
    "an hour that comes twice": (
        sometimes("2026-10-25 02:30:00", iso), figures(2, 140), figures(780, 900)
    ),
    "an offset": (sometimes("2026-03-01T08:00:00+02:00", iso), figures(2, 140), figures(780, 900)),
    "another form": (sometimes("03.02.2026 08:00:00", iso), figures(2, 140), figures(780, 900)),
}  # fmt: skip


@pytest.mark.parametrize("name", COLUMNS)
def test_as_one_by_one(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    random, path = Random(name), tmp_path / "x.csv"
    rows = ((number, *(column(number, random) for column in COLUMNS[name])) for number in range(ROWS))
    lines = [f"S{number // 2};{when};{40 + 60 * (number % 2)};{nu};{rho}" for number, when, nu, rho in rows]
    path.write_text("Sample;Measured at;T (°C);KV (mm²/s);Density (kg/m³)\n" + "\n".join(lines) + "\n", "utf-8")
    profiles = (Profile(name="p", files=("*",), decimal=".", date_order="day-month-year"),)

    def outcome(*how: Profile) -> tuple[pd.DataFrame | None, tuple[str, ...]]:
        try:
            reading = read_export(path, profiles=how, time_zone="Europe/Berlin")
        except ExportError as failure:
            return None, (str(failure),)
        return reading.table, tuple(map(str, reading.refusals))

    at_once = [outcome(), outcome(*profiles)]
    assert name != "plain" or at_once[0][0] is not None
    monkeypatch.setattr(dates, "MANY", 10**9)
    for (table, said), (expected, wanted) in zip(at_once, [outcome(), outcome(*profiles)], strict=True):
        assert said == wanted
        assert (table is None) == (expected is None)
        if table is not None and expected is not None:
            pd.testing.assert_frame_equal(table, expected)
