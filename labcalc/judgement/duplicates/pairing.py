"""Which results of the record are repeats of each other, by the rule of [duplicates], and under which conditions."""

import re
from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.exports import QUANTITY_COLUMNS
from labcalc.judgement.certificates import SAME_TEMPERATURE_K
from labcalc.lab import Decision, Laboratory, reference_of

CONDITIONS = ("determinability", "repeatability", "intermediate precision")
"""One fill determined again; all the same but the fill; time, operator, equipment or calibration changed."""
_QUANTITIES = ("kinematic viscosity", "density")  # dynamic viscosity follows from the two

RESULT_COLUMNS = (
    *("set", "condition", "changed", "quantity", "temperature_C", "value", "run", "sample", "product", "role"),
    *("measured_at", "instrument", "operator", "replicate", "lot", "lots"),
)
"""A row a result of a set, in the order of sets and, in each, of measurement: ``changed`` are the factors of an
intermediate precision, ``lot`` is the sample's, ``lots`` are the reference oils' in use."""

_SAME = ["same", "quantity", "temperature_C"]
_ALIKE = [*_SAME, "instrument", "operator", "lots", "actions"]


def repeated_results(
    rows: pd.DataFrame, record: pd.DataFrame, laboratory: Laboratory, decisions: Sequence[Decision]
) -> pd.DataFrame:
    """Find the results that repeat others: ``RESULT_COLUMNS``.

    Results without a time are left out, as are those that a decision excludes. An unknown operator or instrument is one
    more name. In intermediate precision the first of each set of repeats stands for it: a precision of single results.

    record : The whole record: its reference-oil runs tell which lots were in use.
    """
    results = _with_calibration(_results(rows, laboratory, decisions), record, laboratory, decisions)
    choices, found = laboratory.duplicates, []
    if laboratory.report.replicates == "determinations":
        found.append(results.assign(set=_numbers(results, [*_SAME, "run"]), condition=CONDITIONS[0], changed=""))
        means = results.groupby([*_SAME, "run"])["value"].transform("mean")
        results = results.assign(value=means).drop_duplicates([*_SAME, "run"])  # at the time of a run's first
    short = pd.Timedelta(hours=choices.repeatability_window_h)
    results = results.assign(set=_numbers(results, _ALIKE, short), condition=CONDITIONS[1], changed="")
    found.append(results)
    firsts, long = results.drop_duplicates("set"), pd.Timedelta(days=choices.intermediate_window_d)
    changing = firsts.assign(set=_numbers(firsts, _SAME, long), condition=CONDITIONS[2])
    found.append(changing.assign(changed=_changed(changing, short)))
    # the sets of all conditions under one another, each with a number of its own, single results left out
    table = pd.concat(found, ignore_index=True)
    table = table[table.groupby(["condition", "set"])["value"].transform("size") > 1]
    table = table.assign(set=table.groupby(["condition", "set"], sort=False).ngroup())
    return table.sort_values("set", kind="stable", ignore_index=True)[list(RESULT_COLUMNS)]


def _results(rows: pd.DataFrame, laboratory: Laboratory, decisions: Sequence[Decision]) -> pd.DataFrame:
    rows = rows[rows["measured_at"].notna() & rows["sample"].notna()]
    rows = rows.assign(temperature_C=rows["temperature_C"].round(1), same=_identity(rows, laboratory))
    rows = rows[rows["same"] != ""]
    if "within a run" not in laboratory.duplicates.count:
        rows = rows.sort_values(["measured_at", "replicate"], kind="stable").drop_duplicates(["run", "temperature_C"])
    rows = rows[rows.groupby(["same", "temperature_C"])["run"].transform("size") > 1]
    texts = {name: rows[name].astype(object).where(rows[name].notna(), "") for name in ("instrument", "operator")}
    began = rows.groupby("run")["measured_at"].transform("min")
    rows = rows.assign(**texts, began=began).sort_values(["began", "measured_at", "replicate"], kind="stable")
    return pd.concat([_of_quantity(rows, quantity, decisions) for quantity in _QUANTITIES], ignore_index=True)


def _of_quantity(rows: pd.DataFrame, quantity: str, decisions: Sequence[Decision]) -> pd.DataFrame:
    column = QUANTITY_COLUMNS[quantity]
    rows = rows[rows[column] > 0.0]
    for one in decisions:
        if one.what == "exclude" and one.quantity in ("", quantity):
            near = (rows["temperature_C"] - one.temperature_C).abs() < SAME_TEMPERATURE_K
            rows = rows[~((rows["run"] == one.run) & (near | np.isnan(one.temperature_C)))]
    kept = ["same", "temperature_C", "run", "sample", "product", "lot", "role", "measured_at", "began", "replicate"]
    return rows[[*kept, "instrument", "operator"]].assign(quantity=quantity, value=rows[column])


def _identity(rows: pd.DataFrame, laboratory: Laboratory) -> pd.Series:
    """Return what is the same where rows are of one sample: its name, with lot or run where the name alone won't do."""
    names = rows["sample"].astype(str)
    known = {name: _plain(name, laboratory.duplicates.second_fill_endings) for name in names.unique()}
    plain = names.map(known)
    lots = rows["lot"].astype(object).where(rows["lot"].notna(), "").astype(str)
    several = lots.where(lots != "").groupby(plain).transform("nunique") > 1
    between = pd.Series("between runs" in laboratory.duplicates.count, index=rows.index)
    between = between.mask(rows["role"] == "reference", "reference oils between runs" in laboratory.duplicates.count)
    parts = plain + (" lot " + lots).where(several, "") + (" run " + rows["run"].astype(str)).where(~between, "")
    return parts.where(plain != "", "")


def _plain(name: str, endings: Sequence[str]) -> str:
    """Return a sample's name without one of the endings that mark a second fill."""
    folded = name.strip().casefold()
    alternatives = "|".join(re.escape(one.casefold()) for one in endings)  # the longest that fits begins first
    return re.sub(f"(?:{alternatives})$", "", folded).strip() if endings else folded


def _with_calibration(
    results: pd.DataFrame, record: pd.DataFrame, laboratory: Laboratory, decisions: Sequence[Decision]
) -> pd.DataFrame:
    """Add the lots of reference oils that were in use, and how often the instrument had been adjusted."""
    actions = np.zeros(len(results), dtype=int)
    for one in decisions:
        if one.what == "corrective action" and one.instrument:
            after = (results["instrument"] == one.instrument) & (results["measured_at"] >= one.when)
            actions += (after & (results["quantity"].eq(one.quantity) | (one.quantity == ""))).to_numpy()
    return results.assign(lots=_lots_in_use(results, record, laboratory), actions=actions)


def _lots_in_use(results: pd.DataFrame, record: pd.DataFrame, laboratory: Laboratory) -> NDArray[np.object_]:
    """Return, for each result, the lot of each reference oil that its instrument had last been checked with."""
    runs = record[(record["role"] == "reference") & record["measured_at"].notna() & record["lot"].notna()]
    runs = runs.drop_duplicates("run").sort_values("measured_at", kind="stable")
    names, instrument = (runs[one].astype(object).where(runs[one].notna(), "") for one in ("sample", "instrument"))
    oils = {name: reference_of(laboratory, str(name)) for name in names.unique()}
    titles = names.map({name: str(name) if oil is None else oil.name for name, oil in oils.items()}).astype(object)
    lots = np.full(len(results), "", dtype=object)
    if runs.empty:
        return lots
    checks = runs[["measured_at", "lot"]].assign(instrument=instrument, oil=titles)
    last = checks.pivot_table(index=["measured_at", "instrument"], columns="oil", values="lot", aggfunc="last")
    known = last.groupby(level="instrument").ffill().reset_index().astype({"instrument": object})
    asked = results[["measured_at", "instrument"]].assign(place=np.arange(len(results))).sort_values("measured_at")
    found = pd.merge_asof(asked, known, on="measured_at", by="instrument").sort_values("place")
    for oil in last.columns:
        lots = lots + f"{oil} " + found[oil].astype(object).where(found[oil].notna(), "").to_numpy(object) + "; "
    return lots


def _changed(changing: pd.DataFrame, short: pd.Timedelta) -> pd.Series:
    """Return the factors (ISO 5725-3: T, C, O, E) that differ within a set of an intermediate precision, in words."""
    sets = changing.groupby("set")
    instruments = sets["instrument"].transform("nunique")
    found = {
        "time": sets["began"].transform("max") - sets["began"].transform("min") > short,
        "calibration": (sets["lots"].transform("nunique") > 1)
        | ((instruments == 1) & (sets["actions"].transform("nunique") > 1)),
        "operator": sets["operator"].transform("nunique") > 1,
        "equipment": instruments > 1,
    }
    words = pd.Series("", index=changing.index, dtype=object)
    for factor, differs in found.items():
        words = words.mask(differs, words + ", " + factor)
    return words.str.removeprefix(", ")


def _numbers(results: pd.DataFrame, keys: list[str], window: pd.Timedelta | None = None) -> NDArray[np.int64]:
    """Number the sets: results in the order of time and alike in the keys, whose runs begin in one window of time."""
    codes = results.groupby(keys, sort=False).ngroup().to_numpy()
    if window is None:
        return np.asarray(codes, dtype=np.int64)
    width, at = window // pd.Timedelta(microseconds=1), results["began"].dt.as_unit("us").astype("int64").tolist()
    numbers, open_sets, last = np.empty(codes.size, dtype=np.int64), dict[int, tuple[int, int]](), -1
    for place, (code, moment) in enumerate(zip(codes.tolist(), at, strict=True)):
        begun, number = open_sets.get(code, (moment, -1))
        if number < 0 or moment - begun > width:
            last += 1
            begun, number = moment, last
            open_sets[code] = (begun, number)
        numbers[place] = number
    return numbers
