"""Reference-oil determinations beside their certified values."""

import math
from dataclasses import dataclass
from datetime import date
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.exports import QUANTITY_COLUMNS
from labcalc.lab import CertifiedValue, Laboratory, ReferenceLot, lot_in_use, reference_of
from labcalc.wording import counted, signed

UNITS = {"kinematic viscosity": "mm²/s", "dynamic viscosity": "mPa·s", "density": "kg/m³"}  # as in the tidy table
SAME_TEMPERATURE_K = 0.05  # from measured to nominal, [K]; an oil's viscosity changes by some 0.2 % over it

COMPARISON_COLUMNS = (
    *("run", "sample", "lot", "instrument", "measured_at"),
    *("quantity", "temperature_C", "value", "certified", "limit"),
)
"""One row a run, quantity and temperature, in the unit of the quantity; ``limit`` is the largest difference allowed;
``certified`` is NaN where no certificate was valid on the day, or gives no such value."""

_KEYS = ["run", "sample", "lot", "instrument", "quantity", "temperature_C"]
_ALIKE, _SURELY = 0.5, 3.0  # share of the difference, and standard errors of a mean, [-]: our own choice


@dataclass(frozen=True)
class Certificates:
    """Certified values of the lots in use on an instrument, each with oil and lot; without any, why there are none."""

    values: tuple[tuple[str, CertifiedValue], ...]
    why_none: str = ""


def certificates_in_use(references: pd.DataFrame, laboratory: Laboratory) -> Certificates:
    """Return what certificates say of the reference oils in some rows of an instrument, by the last day of each."""
    if not laboratory.references:
        return Certificates((), "lab.toml names no reference oils")
    if references.empty:
        return Certificates((), "the record holds no reference-oil result of this instrument in 30 days")
    lots, days = references["lot"].astype("string").fillna(""), references["measured_at"].dt.date
    last = {str(s): (str(lot), day) for s, lot, day in zip(references["sample"], lots, days, strict=True)}
    found = {sample: _lot(sample, lot, day, laboratory) for sample, (lot, day) in last.items()}
    values = tuple((f"{sample} lot {lot.lot}", one) for sample, lot in found.items() if lot for one in lot.certified)
    return Certificates(values, f"no certificate was valid on the day for {', '.join(last)}")


def compare_with_certificates(rows: pd.DataFrame, laboratory: Laboratory) -> pd.DataFrame:
    """Return the mean of the repeats of each reference-oil run beside its certified value, in the order of time.
    Rows are those of the tidy table, other roles are passed over; what comes has ``COMPARISON_COLUMNS``."""
    rows = rows[rows["role"] == "reference"]
    if rows.empty:
        return pd.DataFrame(columns=list(COMPARISON_COLUMNS))
    names = {column: quantity for quantity, column in QUANTITY_COLUMNS.items()}
    keep = ["run", "sample", "lot", "instrument", "measured_at", "temperature_C"]
    rows = rows.assign(temperature_C=rows["temperature_C"].round(1))
    long = rows[[*keep, *names]].rename(columns=names).melt(keep, var_name="quantity").dropna(subset=["value"])
    means = long.groupby(_KEYS, sort=False, dropna=False).agg({"measured_at": "max", "value": "mean"})
    table = means.reset_index().sort_values("measured_at", kind="stable", ignore_index=True)
    certified, uncertainty = _certified(table, laboratory)
    percent = certified * laboratory.report.reference_viscosity_percent / 100.0
    own = np.where(table["quantity"] == "density", laboratory.report.reference_density_kg_m3, percent)
    return table.assign(certified=certified, limit=np.hypot(own, uncertainty))[list(COMPARISON_COLUMNS)]


class SuspectLot(NamedTuple):
    """A lot of a reference oil that is off alike on several instruments, and what each of the others reads."""

    lot: str  # in words
    readings: str


def is_beyond(comparisons: pd.DataFrame) -> NDArray[np.bool_]:
    """Tell which results are further from their certified value than allowed."""
    value, certified, limit = (comparisons[name].to_numpy(float) for name in ("value", "certified", "limit"))
    return np.asarray(np.abs(value - certified) > limit)


def suspect_lot(last: pd.DataFrame, everywhere: pd.DataFrame) -> SuspectLot | None:
    """Return the lot that lies beyond its limit on an instrument and is off alike on all others that ran it.

    Alike: to the same side, on the mean by ``_ALIKE`` of it or more, and beyond the limit or surely not 0.

    last : The last results of each oil on the instrument, ``COMPARISON_COLUMNS``; of two oils off neither is suspected.
    everywhere : Those of all instruments from which the others are taken.
    Returns : None where no other ran it, or one of them reads it otherwise: the instrument may be off.
    """
    share = (last["value"] - last["certified"]).abs() / last["limit"]
    if last.loc[share > 1.0, "sample"].nunique() != 1:
        return None
    one = last.iloc[int(share.fillna(0.0).to_numpy().argmax())]
    same = everywhere[everywhere["instrument"] != one["instrument"]]
    for key in ("quantity", "temperature_C", "certified", *(["lot"] if pd.notna(one["lot"]) else [])):
        same = same[same[key] == one[key]]
    off = float(one["value"] - one["certified"])
    means = (same["value"] - same["certified"]).groupby(same["instrument"]).agg(["mean", "sem", "size"])
    towards = means["mean"] * math.copysign(1.0, off)
    surely = (towards > one["limit"]) | ((towards > _SURELY * means["sem"]) & (means["size"] > 2))
    if means.empty or not (surely & (towards >= _ALIKE * abs(off))).all():
        return None
    unit = UNITS[one["quantity"]]
    told = (f"{name} {signed(mean)} {unit}, {counted(size, 'check')}" for name, mean, _, size in means.itertuples())
    return SuspectLot(f"lot {one['lot']}" if pd.notna(one["lot"]) else "it", "; ".join(told))


def _certified(table: pd.DataFrame, laboratory: Laboratory) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return certified value and expanded uncertainty of each row; NaN where there is none."""
    lots, days = table["lot"].astype("string").fillna(""), table["measured_at"].dt.normalize()
    keys = table[["sample", "quantity", "temperature_C"]].assign(lot=lots, day=days)
    which = keys.groupby([*keys], sort=False, dropna=False).ngroup()
    each = keys[~which.duplicated()]
    about = (each["sample"], each["lot"], each["day"].dt.date, each["quantity"], each["temperature_C"])
    found = [
        certified_by(_lot(sample, lot, day, laboratory), quantity, temperature)
        for sample, lot, day, quantity, temperature in zip(*about, strict=True)
    ]
    value, uncertainty = np.array(found, dtype=float).reshape(-1, 2)[which].T
    return value, uncertainty


def certified_by(lot: ReferenceLot | None, quantity: str, temperature_C: float) -> tuple[float, float]:
    """Return what a lot's certificate gives at a temperature, [°C], and its expanded uncertainty (k = 2); NaN where it
    gives none."""
    fitting = (
        (one.value, one.expanded_uncertainty * 2.0 / one.coverage_factor)
        for one in (lot.certified if lot else ())
        if one.quantity == quantity and abs(one.temperature_C - temperature_C) <= SAME_TEMPERATURE_K
    )
    return next(fitting, (math.nan, math.nan))


def _lot(sample: str, lot: str, day: date, laboratory: Laboratory) -> ReferenceLot | None:
    material = reference_of(laboratory, sample)
    return None if material is None else lot_in_use(material, lot, day)
