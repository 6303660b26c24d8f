"""Reading large, many and long exports, as ratios to ``pandas.read_csv``: ``python -m tests.benchmarks.reader``.

Time of the process, not of the clock; the quickest of a few. Memory is the most that a process of its own ever held.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pandas as pd

from labcalc.errors import ExportError
from labcalc.exports import read_export, read_exports, write_table

ROWS, FILES, ROWS_OF_A_FILE, FILES_ASKED_FOR = 1_000_000, 2_000, 20, 10_000
NARROW = "Sample;Date;T (°C);KV (mm²/s);Density (kg/m³);Remark\n"
WIDE = (
    "Run,Sample,Product,Lot,Instrument,Operator,Measured at,Repeat,Temperature (°C),Kinematic viscosity (mm²/s),"
    "Dynamic viscosity (mPa·s),Density (kg/m³),Remark\n"
)
PEAK = """
import pathlib, sys
{imports}
{work}
said = pathlib.Path("/proc/self/status").read_text().split()
print(int(said[said.index("VmHWM:") + 1]) / 1024)
"""


def narrow(count: int) -> Iterator[str]:
    """Yield rows without run or time, each of a sample of its own."""
    yield NARROW
    yield from (f"S{number};2026-03-02;40;15.0{number % 9};838.9;\n" for number in range(count))


def wide(count: int) -> Iterator[str]:
    """Yield rows as the instruments of the sample laboratory write them, two a run, a run each five minutes."""
    yield WIDE
    start = pd.Timestamp("2020-01-01 07:00")
    for number in range(count):
        run, second = divmod(number, 2)
        nu, rho = 2.0 + run * 0.7919 % 150.0, 780.0 + run * 0.3571 % 120.0
        nu, rho = float(f"{nu / (5 if second else 1):.5g}"), float(f"{rho - 40 * second:.2f}")
        when = start + pd.Timedelta(seconds=311 * run + 420 * second)
        what = f"VD-1-{run:07},GO-{run // 3:06},Gas oil,GO-L{run // 500:04},VD-1,Inês Okonkwo,{when},1"
        yield f"{what},{100 if second else 40},{nu:.5g},{nu * rho / 1000.0:.5g},{rho:.2f},\n"


def seconds(work: Callable[[], object], times: int = 3) -> float:
    """Return the least time of the process that the work took, [s]."""
    taken = []
    for _ in range(times):
        began = time.process_time()
        work()
        taken.append(time.process_time() - began)
    return min(taken)


def megabytes(imports: str, work: str) -> float:
    """Return the most memory that a new Python held, [MB]; NaN where the system doesn't say it."""
    if sys.platform != "linux":
        return float("nan")
    return float(subprocess.check_output([sys.executable, "-c", PEAK.format(imports=imports, work=work)]))


def large(folder: Path, name: str, rows: Callable[[int], Iterator[str]], delimiter: str) -> None:
    """Print what a large export takes."""
    path = folder / f"{name}.csv"
    with path.open("w", encoding="utf-8") as file:
        file.writelines(rows(ROWS))
    theirs, ours = seconds(lambda: pd.read_csv(path, sep=delimiter)), seconds(lambda: read_export(path), 2)
    least = megabytes("import pandas", f"pandas.read_csv({str(path)!r}, sep={delimiter!r})")
    most = megabytes("from labcalc.exports import read_export", f"read_export({str(path)!r})")
    print(f"{ROWS:,} rows, {name}: {ours / theirs:.1f} times pandas.read_csv ({ours:.1f} s, {theirs:.2f} s), limit 10")
    print(f"  memory {most / least:.2f} times ({most:.0f} MB, {least:.0f} MB), limit 2.5")


def many(folder: Path) -> None:
    """Print what many small exports take."""
    header, *rows = wide(FILES * ROWS_OF_A_FILE)
    paths = [folder / f"{number}.csv" for number in range(FILES)]
    for number, path in enumerate(paths):
        path.write_text(header + "".join(rows[number * ROWS_OF_A_FILE :][:ROWS_OF_A_FILE]), "utf-8")
    ours, theirs = seconds(lambda: read_exports(paths)), seconds(lambda: [pd.read_csv(path) for path in paths])
    whole = ours * FILES_ASKED_FOR / FILES
    print(
        f"{FILES_ASKED_FOR:,} files of {ROWS_OF_A_FILE} rows: {whole:.1f} s, limit 15 (measured on {FILES:,} of them)"
    )
    print(f"  {ours / theirs:.1f} times pandas.read_csv of each")


def long(folder: Path) -> None:
    """Print how the time for long lines and many marks grows when they are four times as long: linear is 4."""
    shapes = {
        "cells of a line with one mark": (250_000, lambda count: "x;" * count + '"\n'),
        "blank cells with one mark": (250_000, lambda count: "  ;" * count + '"\n'),
        "blanks in a footer": (2_500_000, lambda count: f"\nRows{' ' * count}x\n"),
        "lines with a mark that is not closed": (10_000, lambda count: 'A;2026-03-02;40;15;838.9;"x\n' * count),
        "lines without a header": (250_000, lambda count: "S1;GO-26-0515;a;b\n" * count),
    }
    for name, (count, shape) in shapes.items():
        taken = []
        for size in (count, 4 * count):
            path = folder / "long.csv"
            good = "" if name.startswith("lines without") else NARROW + "G;2026-03-02;40;15.01;838.9;\n"
            path.write_text(good + shape(size), "utf-8")
            taken.append(seconds(lambda path=path: _read(path)))
        print(f"{4 * count:,} {name}: {taken[1]:.2f} s, {taken[1] / taken[0]:.1f} times a quarter of them, limit 8")


def _read(path: Path) -> None:
    try:
        read_export(path)
    except ExportError:
        return


def workbook(folder: Path) -> None:
    """Print what a workbook takes beside a .csv of the same table."""
    export = folder / "export.csv"
    export.write_text("".join(wide(20_000)), "utf-8")
    table = read_export(export).table
    for ending in ("csv", "xlsx"):
        write_table(table, folder / f"table.{ending}")
    text, book = (seconds(lambda ending=ending: read_export(folder / f"table.{ending}")) for ending in ("csv", "xlsx"))
    print(f"20,000 rows as .xlsx: {book:.2f} s, {book / text:.1f} times the .csv")


def main() -> None:
    """Print a line or two a task."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        large(folder, "narrow", narrow, ";")
        large(folder, "wide", wide, ",")
        many(folder)
        long(folder)
        workbook(folder)


if __name__ == "__main__":
    main()
