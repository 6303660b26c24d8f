"""Sets of repeats against their limits, what carry-over holds apart, those beyond, and what to measure next."""

import math
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.judgement.carry_over.effect import certain_effects
from labcalc.judgement.certificates import UNITS
from labcalc.judgement.duplicates.pairing import CONDITIONS
from labcalc.judgement.record.measurements import Material
from labcalc.judgement.record.repeats import LAST, repeat_limit
from labcalc.lab import Laboratory, PrecisionFunction, PrecisionStatement, precision_for, product_of
from labcalc.statistics import CRITICAL_RANGE_FACTORS, acceptable_result, critical_range
from labcalc.wording import at_celsius, numeral, signed

REFERENCE_CLASS = "reference oils"
BINARY_DUST = 1e-14  # what binary arithmetic adds to a difference, relative to the results, as in ``lie_within``

SHOWN_UNITS = {"kinematic viscosity": "%", "density": "kg/m³"}
"""Unit in which a quantity's scatter is told: viscosity relative (by logarithms), as its scatter grows with it."""

SET_COLUMNS = (
    *("set", "condition", "changed", "quantity", "temperature_C", "sample", "product", "precision_class", "number"),
    *("mean", "difference", "spread", "pair_limit", "limit", "share", "beyond", "runs", "instruments", "operators"),
    *("ended", "method"),
)
"""A row a set of repeats: ``difference`` (first minus second), ``spread`` (largest minus smallest) and ``pair_limit``
(for two results) in the shown unit; ``mean`` and ``limit`` (for the number there is) in that of the quantity, NaN where
none is stated; ``share``: spread over limit with the difference's sign; ``method``: the limit's statement, if any."""


def shown_values(results: pd.DataFrame) -> NDArray[np.float64]:
    """Return results so that their differences come out in the shown unit: 100 ln ν, or the density itself."""
    values = results["value"].to_numpy(float)
    relative = results["quantity"].map(SHOWN_UNITS).eq("%").to_numpy()
    return np.where(relative, 100.0 * np.log(values), values)


def sets_of(results: pd.DataFrame, laboratory: Laboratory) -> pd.DataFrame:
    """Return a row for each set of repeats, ``SET_COLUMNS``, indexed by ``set``, of ``RESULT_COLUMNS``."""
    groups = results.assign(shown=shown_values(results)).groupby("set", sort=True)
    first = groups.first()
    table = first[["condition", "changed", "quantity", "temperature_C", "sample"]].assign(
        set=first.index,
        product=first["product"].astype(object).where(first["product"].notna(), ""),
        precision_class=_classes(first, laboratory),
        number=groups.size(),
        mean=groups["value"].mean(),
        difference=groups["shown"].nth(0).to_numpy() - groups["shown"].nth(1).to_numpy(),
        spread=groups["shown"].max() - groups["shown"].min(),
        ended=groups["measured_at"].max(),
        **{f"{name}s": _joined(results[["set", name]]) for name in ("run", "instrument", "operator")},
    )
    largest = groups["value"].max()
    return _with_limits(table, largest, largest - groups["value"].min(), laboratory)[list(SET_COLUMNS)]


def _joined(named: pd.DataFrame) -> pd.Series:
    """Return the names of each set, each once."""
    found: dict[object, dict[str, None]] = {}
    for number, name in named.itertuples(index=False, name=None):
        found.setdefault(number, {})[str(name)] = None
    return pd.Series({number: ", ".join(filter(None, names)) for number, names in found.items()})


def _classes(first: pd.DataFrame, laboratory: Laboratory) -> list[str]:
    """Return the class for precision statements of each set; reference oils apart, without a class the product."""

    @cache
    def of(role: str, sample: str, product: str) -> str:
        if role == "reference":
            return REFERENCE_CLASS
        found = product_of(laboratory, sample=sample, product=product)
        return (found.precision_class or found.name) if found else product or "no product"

    names = first[["role", "sample", "product"]].astype(object).where(first[["role", "sample", "product"]].notna(), "")
    return [of(*key) for key in names.itertuples(index=False, name=None)]


def _with_limits(table: pd.DataFrame, largest: pd.Series, spread: pd.Series, laboratory: Laboratory) -> pd.DataFrame:
    """Add the limit of each set; NaN where none is stated for its class, level or number of results."""
    pair_limit, method = pd.Series(np.nan, index=table.index), pd.Series("", index=table.index, dtype=object)
    for key, rows in table.groupby(STATED_FOR, sort=False):
        statement = statement_of_sets(laboratory, key)
        if statement is not None:
            condition = str(key[3])
            method[rows.index] = statement.title
            limits = limit_function(statement, condition, laboratory).at(rows["mean"])
            outside = (rows["mean"] < statement.lowest) | (rows["mean"] > statement.highest) | ~(limits > 0.0)
            pair_limit[rows.index] = np.where(outside, np.nan, limits)
    factors = {number: factor / CRITICAL_RANGE_FACTORS[2] for number, factor in CRITICAL_RANGE_FACTORS.items()}
    limit = pair_limit * table["number"].map(factors).astype(float)
    relative = table["quantity"].map(SHOWN_UNITS).eq("%")
    sign = np.where(table["difference"] < 0.0, -1.0, 1.0)
    return table.assign(
        method=method,
        pair_limit=pair_limit.mask(relative, 100.0 * pair_limit / table["mean"]),
        limit=limit,
        share=sign * spread / limit,
        beyond=spread > limit + BINARY_DUST * largest,
    )


# columns that say which statement holds for a set
STATED_FOR = ["precision_class", "quantity", "temperature_C", "condition", "instruments"]


def statement_of_sets(laboratory: Laboratory, key: tuple[object, ...]) -> PrecisionStatement | None:
    """Return the statement of sets alike in ``STATED_FOR``, None where one of their instruments has none; of several
    methods together what is stated without regard to the instrument."""
    name, quantity, temperature_C, condition, instruments = map(str, key)
    asked = laboratory, name, quantity, float(temperature_C), condition
    found = [statement_for(*asked, instrument) for instrument in instruments.split(", ")]
    return None if None in found else found[0] if len(set(found)) == 1 else statement_for(*asked)


def statement_for(
    laboratory: Laboratory, name: str, quantity: str, temperature_C: float, condition: str, instrument: str = ""
) -> PrecisionStatement | None:
    """Return the statement of a class (a reference oil: base oils) by an instrument's method; the published one where
    the laboratory's own says nothing for the conditions."""
    name = "base oils" if name == REFERENCE_CLASS else name
    both = laboratory, replace(laboratory, precision=())
    known = [one for of in both if (one := precision_for(of, name, quantity, temperature_C, instrument)) is not None]
    stated = (one for one in known if math.isfinite(limit_function(one, condition, laboratory).factor))
    return next(stated, known[0] if known else None)


def limit_function(statement: PrecisionStatement, condition: str, laboratory: Laboratory) -> PrecisionFunction:
    """Return what holds under the conditions: d within a fill, r for repeatability, and R, the widest, beyond it."""
    if condition == CONDITIONS[0]:
        return repeat_limit(statement, laboratory)[1]
    return statement.repeatability if condition == CONDITIONS[1] else statement.reproducibility


PART = 0.5  # of a set's limit from which an expected effect tells it apart, whatever was found, [-]: our own choice


def with_carry_over(
    sets: pd.DataFrame, results: pd.DataFrame, material: Material, last: pd.Timestamp
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Add what carry-over is expected to do to each set (first minus second) and result: ``carried``, [shown unit], by
    the results before the ``last`` moment. Sets are ``carried_over`` where it is more than ``PART`` of the limit."""
    first = results[(results["condition"] != CONDITIONS[0]) & (results["replicate"] == 1)]
    known = certain_effects(first, material.carry_over, last)[:, 0]
    shown = np.where(first["quantity"] == "density", known, 100.0 * np.log1p(known / 100.0))
    effects = pd.Series(shown, first.index).reindex(results.index, fill_value=0.0)
    groups = effects.groupby(results["set"])
    apart, carried = groups.max() - groups.min(), groups.nth(0).to_numpy() - groups.nth(1).to_numpy()
    is_apart = apart.reindex(sets.index) > PART * sets["pair_limit"]
    sets = sets.assign(carried=pd.Series(carried, apart.index), carried_over=is_apart)
    return sets, results.assign(carried=effects)


_GROSS = 2.0  # times its limit that a set spreads by chance once in 10 000 where it is just met, [-]: our own choice


@dataclass(frozen=True)
class SetBeyond:
    """Repeats that lie further apart than their limit, and what to do next."""

    sample: str
    condition: str
    changed: str
    quantity: str
    temperature_C: float
    unit: str
    measured_at: pd.Timestamp  # of the last of them
    runs: str
    instruments: str
    operators: str
    values: tuple[float, ...]  # in the order of measurement, in the unit
    spread: float
    limit: float  # for so many results, in the unit
    carried: float  # first minus second by carry-over, [shown unit]; 0 where it doesn't bring them within the limit
    what_to_do: str

    @property
    def name(self) -> str:
        """Sample, quantity and temperature, as a person writes them."""
        return f"{self.sample}, {at_celsius(self.quantity, self.temperature_C)}"

    @property
    def is_gross(self) -> bool:
        """So far apart that neither chance nor carry-over does it."""
        return not self.carried and self.spread > _GROSS * self.limit

    @property
    def apart(self) -> str:
        """How far apart they lie, and their limit, in words."""
        return f"{numeral(self.spread, figures=3)} {self.unit} apart (limit {numeral(self.limit, figures=3)})"


def sets_beyond(results: pd.DataFrame, sets: pd.DataFrame) -> tuple[SetBeyond, ...]:
    """Return the sets beyond their limit, in the order of time."""
    beyond = sets[sets["beyond"]].sort_values("ended", kind="stable")
    of_these = results[results["set"].isin(beyond.index)].groupby("set")
    values = {number: tuple(map(float, rows["value"])) for number, rows in of_these}
    return tuple(_set_beyond(row, values[row["set"]]) for _, row in beyond.iterrows())


def _set_beyond(row: pd.Series, values: tuple[float, ...]) -> SetBeyond:
    quantity, condition = str(row["quantity"]), str(row["condition"])
    explained = bool(row["carried_over"]) and abs(row["difference"] - row["carried"]) <= row["pair_limit"]
    carried = float(row["carried"]) if explained else 0.0
    what_to_do = _what_to_do(condition, str(row["changed"]), values, float(row["limit"]), UNITS[quantity])
    if explained:
        part = f"{signed(carried)} expected, {signed(float(row['difference']))} {SHOWN_UNITS[quantity]} found"
        what_to_do = f"Residue of the sample before explains it ({part}): measure again after a sample of its own kind."
    texts = ("sample", "condition", "changed", "quantity", "runs", "instruments", "operators")
    return SetBeyond(
        **{name: str(row[name]) for name in texts},
        temperature_C=float(row["temperature_C"]),
        unit=UNITS[quantity],
        measured_at=row["ended"],
        values=values,
        spread=max(values) - min(values),
        limit=float(row["limit"]),
        carried=carried,
        what_to_do=what_to_do,
    )


def _what_to_do(condition: str, changed: str, values: tuple[float, ...], limit: float, unit: str) -> str:
    if condition == CONDITIONS[0]:
        return "Clean, fill and determine again: determinations of one fill that don't agree are no result."
    if condition == CONDITIONS[2]:
        return (
            "Measure it side by side, in one hand: a difference that stays is the bottle's (swapped, not mixed); one "
            f"that goes came with the change of {changed}."
        )
    if len(values) > LAST:
        return "Find out why before anything is reported: more than four results are no longer a matter of chance."
    pair_limit = limit / critical_range(1.0, len(values))
    decision = acceptable_result(values, pair_limit)
    if decision.more == 0:
        return f"Report the median, {numeral(decision.value, figures=5)} {unit}, and find out why they don't agree."
    four = numeral(critical_range(pair_limit, LAST), figures=3)
    return f"Measure {decision.more} more: report the mean of four within {four} {unit}, else their median."
