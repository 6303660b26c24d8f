"""Make the sample laboratory's exports again, byte for byte; or a larger laboratory of the same kind.

Products, reference oils and their values come from lab.toml beside this script; what goes wrong is in
``planted_faults.py``, how files are written in ``export_dialects.py``.
"""

from __future__ import annotations

import argparse
import shutil
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd
from export_dialects import assign_files, print_figures, write_exports
from instruments import carried_over, measure
from laboratory_work import fill_bottles, plan_runs
from planted_faults import CONCLUSIONS, REFUSED, Fault, Search, spoil_cells, spoil_density, spoil_print, where

from labcalc.lab import load_laboratory

HERE = Path(__file__).resolve().parent
SEED = 20260331
RUNS_OF_A_PAIR = 660
"""Sample runs of a pair of instruments in the three months, about."""


def main(arguments: Sequence[str] | None = None) -> None:
    """Read the command line and write exports/, planted_faults.csv and lab.toml."""
    options = _options(arguments)
    rows, faults = make(options.seed, pairs=max(1, round(options.runs / RUNS_OF_A_PAIR)))
    exports = options.out / "exports"
    for earlier in exports.glob("*VD-*_2026-W*"):
        earlier.unlink()
    write_exports(rows, exports)
    write_faults(rows, faults, options.out / "planted_faults.csv")
    if options.out.resolve() != HERE:
        shutil.copyfile(HERE / "lab.toml", options.out / "lab.toml")
    samples = rows.loc[rows["bottle"] >= 0, "run"].nunique()
    print(f"{samples} sample runs, {rows['run'].nunique()} runs in all, {len(rows)} determinations in {exports}")


def make(seed: int, pairs: int) -> tuple[pd.DataFrame, list[Fault]]:
    """Return the determinations as they are printed, and the faults among them."""
    rng = np.random.default_rng(seed)
    laboratory = load_laboratory(HERE / "lab.toml")
    runs = plan_runs(laboratory, pairs, rng)
    bottles = fill_bottles(laboratory, runs, rng)
    first_fill = carried_over(runs, bottles)
    search = Search(runs)
    faults = spoil_cells(search, bottles, first_fill)
    rows = measure(runs, bottles, first_fill, rng)
    faults += spoil_density(search, rows)
    assign_files(rows)
    print_figures(rows)
    faults += spoil_print(search, rows)
    return rows, faults


def write_faults(rows: pd.DataFrame, faults: list[Fault], path: Path) -> None:
    """Write the list of the planted faults, by time; ``reader`` says what a reader must do with the row."""
    found = pd.concat([rows[where(rows, fault)] for fault in faults])
    table = found[["file", "sample", "instrument", "measured_text", "temperature_C", "repeat"]]
    table = table.rename(columns={"measured_text": "measured_at"})
    kinds = [fault.kind for fault in faults]
    table.insert(0, "kind", kinds)
    table["size"] = [fault.size for fault in faults]
    table["reader"] = ["refuses" if kind in REFUSED else "takes" for kind in kinds]
    table["conclusion"] = [CONCLUSIONS[kind] for kind in kinds]
    table = table.sort_values(["measured_at", "temperature_C"], kind="stable")
    table.to_csv(path, index=False, lineterminator="\n")


def _options(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument(
        "--out", type=Path, default=HERE, metavar="DIR", help="where the files go; default: beside this script"
    )
    parser.add_argument(
        "--seed", type=int, default=SEED, metavar="N", help=f"seed of the random numbers; default: {SEED}"
    )
    parser.add_argument(
        "--runs", type=int, default=RUNS_OF_A_PAIR, metavar="N",
        help="sample runs, about: more instruments in the same months; default: those of two instruments",
    )  # fmt: skip
    return parser.parse_args(arguments)


if __name__ == "__main__":
    main()
