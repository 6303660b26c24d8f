"""How well one class of products repeats in one quantity at one temperature, and how that compares with its limit."""

import math
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.special import bdtrc

from labcalc import statistics
from labcalc.judgement.duplicates.comparison import SIGNIFICANCE
from labcalc.judgement.duplicates.pairing import CONDITIONS
from labcalc.judgement.duplicates.sets import SHOWN_UNITS, STATED_FOR, limit_function, shown_values, statement_of_sets
from labcalc.judgement.precision import precision_of_class
from labcalc.lab import Laboratory, PrecisionStatement
from labcalc.statistics import DuplicatePrecision, RepeatabilityComparison
from labcalc.wording import at_celsius, numeral

_FEWEST = 4  # sets below which nothing is said of the method, [-]: our own choice
NOT_ENOUGH = "not enough pairs to tell"
_LETTERS = {CONDITIONS[0]: "d", CONDITIONS[1]: "r", CONDITIONS[2]: "R"}
_BEYOND_BY_CHANCE = 0.05  # share of sets beyond their limit where it is just met, [-]

_WIDEST = 2.0  # times its limit that the interval may reach of a precision as stated, [-]; 8 such pairs reach 1.92
_HEAVY = 1.3, 12  # times the robust deviation, and pairs, from which tails are heavy: met by 2 % of normal series of 12


@dataclass(frozen=True)
class DuplicateSummary:
    """The precision of one class, quantity and temperature under one kind of conditions, in the shown unit."""

    condition: str  # one of ``CONDITIONS``
    changed: tuple[str, ...]  # the factors that an intermediate precision is about
    precision_class: str
    quantity: str
    temperature_C: float
    unit: str  # ``%`` (viscosity, by logarithms) or ``kg/m³``
    precision: DuplicatePrecision  # from every set that carry-over leaves as it is, those beyond the limit included
    carried_over: tuple[str, ...]  # samples that carry-over holds apart
    statement: PrecisionStatement | None
    why_not: str  # why there is no limit
    limit_in_force: float  # d, r or R at these levels; NaN where none is stated
    comparison: RepeatabilityComparison | None
    beyond: tuple[str, ...]  # samples beyond the limit, one a set
    robust_limit: float  # 2.77 s by the middle of the pairs, where tails are heavy; else NaN
    instruments: str = ""  # whose sets they are, where those of others are held to another statement, or to none
    worse_p: float = math.nan  # ``p_worse`` adjusted for all summaries, [-]

    @property
    def name(self) -> str:
        """Class, quantity and temperature, as a person writes them."""
        what = at_celsius(self.quantity, self.temperature_C)
        return ", ".join(filter(None, (self.precision_class, what, self.instruments)))

    @property
    def letter(self) -> str:
        """d, r or R: which limit holds."""
        return _LETTERS[self.condition]

    @property
    def expected_beyond(self) -> float:
        """How many sets chance sends beyond a limit that is just met, [-]."""
        return _BEYOND_BY_CHANCE * self.precision.number

    @property
    def p_worse(self) -> float:
        """p-value of the scatter, or of the number of sets beyond where that is larger, [-]; NaN without a limit: a
        swapped bottle makes any scatter too large."""
        if self.comparison is None:
            return math.nan
        number, beyond = self.precision.number, len(self.beyond)
        many = float(bdtrc(beyond - 1, number, _BEYOND_BY_CHANCE)) if beyond else 1.0
        return max(self.comparison.p_worse, many)

    @property
    def verdict(self) -> str:
        """How the interval of the scatter lies to its limit, in a few words; where sets are beyond, how many."""
        if self.comparison is None:
            return NOT_ENOUGH if self.carried_over else "no limit"
        own = self.statement is not None and self.statement.mark == "laboratory"
        between, stated = self.condition == CONDITIONS[2], "stated" if own else "published"
        few = self.precision.number < _FEWEST
        if not few and self.p_worse < 0.025:
            return f"beyond {self.letter}" if between else f"worse than {stated}"
        better = not few and self.comparison.ratio_interval[1] < 1.0
        if self.beyond:
            beyond = f"{len(self.beyond)} of {self.precision.number} beyond {self.letter}"
            return f"better than {stated}, {beyond}" if better and not between else beyond
        if few or self.comparison.ratio_interval[1] > _WIDEST:
            return NOT_ENOUGH
        return "within R" if between else f"better than {stated}" if better else f"as {stated}"

    @property
    def is_worse(self) -> bool:
        """The scatter is larger than its limit allows; chance alone does that in at most one report of twenty."""
        return self.worse_p < SIGNIFICANCE and self.verdict.startswith(("worse", f"beyond {self.letter}"))

    @property
    def compared(self) -> str:
        """What was found beside its limit, as short as can be."""
        found = f"2.77 s {numeral(self.precision.limit)} {self.unit}"
        limit = f"{self.letter} {numeral(self.limit_in_force)} {self.unit}"
        return f"{found} against {limit}" if self.limit_in_force > 0.0 else found


def summarise_sets(results: pd.DataFrame, sets: pd.DataFrame, laboratory: Laboratory) -> tuple[DuplicateSummary, ...]:
    """Summarise sets of repeats by conditions, class, quantity, temperature, and the statement they are held to."""
    results = results.assign(shown=shown_values(results))
    keys = ["condition", "changed", "quantity", "precision_class", "temperature_C"]
    sets = sets.assign(several=sets.groupby(keys)["method"].transform("nunique") > 1)
    of_set = results.groupby("set", sort=False).indices
    found = [
        _summary(group, results.iloc[np.concatenate([of_set[one] for one in group.index])], laboratory)
        for _, group in sets.groupby([*keys, "method"], sort=False)
    ]
    found.sort(key=lambda one: (one.precision_class, one.temperature_C, one.instruments))
    found.sort(key=lambda one: (CONDITIONS.index(one.condition), one.changed, one.quantity == "density"))
    p = np.array([one.p_worse for one in found], dtype=float)
    known = np.isfinite(p)
    p[known] = statistics.holm_adjusted(p[known])  # read together, each is one of several
    return tuple(replace(one, worse_p=float(adjusted)) for one, adjusted in zip(found, p, strict=True))


def _summary(sets: pd.DataFrame, results: pd.DataFrame, laboratory: Laboratory) -> DuplicateSummary:
    first = sets.iloc[0]
    name, quantity, temperature = str(first["precision_class"]), str(first["quantity"]), float(first["temperature_C"])
    condition, changed = str(first["condition"]), tuple(filter(None, str(first["changed"]).split(", ")))
    statement = statement_of_sets(laboratory, tuple(first[STATED_FOR]))
    instruments = sorted({name for names in sets["instruments"] for name in names.split(", ")})
    limit = float(np.sqrt(np.nanmean(sets["pair_limit"] ** 2))) if sets["pair_limit"].notna().any() else math.nan
    apart = sets["carried_over"]
    kept = sets if apart.all() else sets[~apart]
    own = results[results["set"].isin(kept.index)]
    precision = statistics.pooled_precision(own["shown"], own["set"])
    why_not, step = "", _step(own)
    if not limit > 0.0:
        asked = laboratory, name, quantity, temperature, float(sets["mean"].median())
        reasons = (precision_of_class(*asked, instrument).why_not for instrument in instruments)
        why_not = next(filter(None, reasons), "")
        if statement is not None and math.isnan(limit_function(statement, condition, laboratory).factor):
            why_not = f"{statement.method} states no {_LETTERS[condition]}"
        why_not = why_not or "no limit at these levels"
    if step > limit and (kept["spread"] == 0.0).mean() > 0.5:
        why_not, limit = "the results are coarser than their limit", math.nan
    comparison = None if apart.all() else _comparison(precision, limit, step, statement)
    why_not = "carry-over holds all of them apart" if apart.all() else why_not
    about = condition, changed, name, quantity, temperature, SHOWN_UNITS[quantity]
    carried, beyond = (tuple(one["sample"].astype(str)) for one in (sets[apart], kept[kept["beyond"]]))
    held = statement, why_not, limit, comparison, beyond
    named = ", ".join(instruments) if first["several"] else ""
    return DuplicateSummary(*about, precision, carried, *held, _robust_limit(kept, precision), instruments=named)


def _robust_limit(sets: pd.DataFrame, precision: DuplicatePrecision) -> float:
    """Return 2.77 s by Algorithm A about 0, where the pooled s is much larger; NaN where tails aren't heavy."""
    times, fewest = _HEAVY
    differences = sets.loc[sets["number"] == 2, "difference"].to_numpy(float)
    if differences.size < fewest:
        return math.nan
    robust = float(statistics.algorithm_a([*differences, *-differences]).deviation) / math.sqrt(2.0)
    limit = robust * statistics.DIFFERENCE_LIMIT_FACTOR
    return limit if 0.0 < times * robust < precision.deviation else math.nan


def _step(results: pd.DataFrame) -> float:
    """Return the resolution of results, [shown unit]; 0 where they are all alike."""
    values, shown = results["value"].to_numpy(float), results["shown"].to_numpy(float)
    step = statistics.rounding_step(values)
    return step * float(np.ptp(shown) / np.ptp(values)) if step > 0.0 else 0.0


def _comparison(
    precision: DuplicatePrecision, limit: float, step: float, statement: PrecisionStatement | None
) -> RepeatabilityComparison | None:
    """Compare with the limit, wider by what rounding adds to a variance: step² / 12."""
    if statement is None or not limit > 0.0:
        return None
    # a published limit is what is to be met; a laboratory's own is an estimate as this one is
    known = statement.degrees_of_freedom if statement.mark == "laboratory" else math.inf
    rounding = statistics.DIFFERENCE_LIMIT_FACTOR * step / math.sqrt(12.0)
    own, of_limit = (precision.deviation, precision.degrees_of_freedom), math.hypot(limit, rounding)
    return statistics.compare_repeatability(*own, of_limit, published_degrees_of_freedom=known)
