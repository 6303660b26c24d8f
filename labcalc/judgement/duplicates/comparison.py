"""Who repeats less well than the rest, by the scatter of repeats; and pairs that differ on the whole."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import fdtrc, fdtri, gammaincc, ndtri

from labcalc.judgement.checks import Action
from labcalc.judgement.control.status import ADVICE
from labcalc.judgement.duplicates.pairing import CONDITIONS
from labcalc.judgement.duplicates.sets import SHOWN_UNITS, shown_values
from labcalc.statistics import OrderEffect, holm_adjusted, order_effect
from labcalc.wording import counted, numeral, signed

SIGNIFICANCE = 0.05  # how often chance alone may name somebody in a report, [-]
_FEWEST = 5  # fillings repeated, of one and of the rest, below which nobody is compared, [-]: our own choice
_Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class NamedSpread:
    """The scatter of what one operator, instrument, lot or day repeated, beside the rest in the same classes."""

    factor: str  # operator, instrument, lot, reference lot or day
    name: str
    quantity: str
    unit: str  # ``%`` (viscosity, by logarithms) or ``kg/m³``
    deviation: float  # in the unit, as if all had measured the same classes
    others: float
    ratio_interval: tuple[float, float]  # of the two deviations, 95 % where results are normal, [-]
    variance_ratio: float
    degrees: tuple[float, float]  # the temperatures of a fill count once
    p_value: float  # the larger of two, one-sided, by F and by ranks, [-]; ranks need no normal results, F no many
    holm_p: float = 1.0  # adjusted for all that are compared

    @property
    def stands_out(self) -> bool:
        """Its repeats scatter more than the rest; chance alone names somebody in at most one report of twenty."""
        return self.holm_p < SIGNIFICANCE

    @property
    def title(self) -> str:
        """Who or what it is."""
        return f"{self.factor.capitalize()} {self.name}"

    @property
    def what_to_do(self) -> str:
        """What to do where it stands out."""
        return str(ADVICE["repeats"][self.factor])

    @property
    def finding(self) -> str:
        """How it scatters beside the rest, for a person who acts."""
        times = numeral(self.variance_ratio**0.5)
        return f"{self.quantity}, s {numeral(self.deviation)} {self.unit}, {times} times the others"


def compare_spreads(results: pd.DataFrame, sets: pd.DataFrame) -> tuple[NamedSpread, ...]:
    """Hold each operator, instrument, lot and day against the rest, under repeatability conditions.

    The one that stands out most is named, its repeats are left aside, and the others are compared anew: nobody is named
    for having worked with it. Each class and temperature is taken in its own scatter, less what carry-over does.

    Returns : Those that stand out first, then by p-value; where five fillings and as many others were repeated.
    Source : NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.9 (F-test). J. Klotz, Ann. Math. Stat. 33 (1962) 498
        (normal scores, memory); here of |d| within classes, the tail by a gamma of the same moments. S. Holm (1979).
    """
    candidates = list(_candidates(fills := _fills(results, sets)))
    left, named = np.ones(len(fills), dtype=bool), list[NamedSpread]()
    while compared := [one for each in candidates if (one := _compared(fills, each, left)) is not None]:
        adjusted = holm_adjusted([one.p_value for one, _ in compared])
        first = int(np.argmin(adjusted))
        found = [replace(one, holm_p=float(p)) for (one, _), p in zip(compared, adjusted, strict=True)]
        if not found[first].stands_out:
            return (*named, *sorted(found, key=lambda one: one.p_value))
        named.append(found[first])
        left &= ~compared[first][1]
    return tuple(named)


def _fills(results: pd.DataFrame, sets: pd.DataFrame) -> pd.DataFrame:
    """Return a row for each filling repeated and quantity: its variance over that of its class, over temperatures."""
    results = results[results["set"].isin(sets.index[(sets["condition"] == CONDITIONS[1]) & ~sets["carried_over"]])]
    groups = results.assign(own=shown_values(results) - results["carried"]).groupby("set", sort=True)
    first = groups[["instrument", "operator", "lot", "lots"]].first().astype(object).fillna("").astype(str)
    table = first.join(sets[["quantity", "temperature_C", "precision_class", "sample", "product", "runs", "ended"]])
    table = table.assign(variance=groups["own"].var(), degrees=groups.size() - 1.0)
    squares = table["variance"] * table["degrees"]
    classes = [table[name] for name in ("quantity", "precision_class", "temperature_C")]
    usual = squares.groupby(classes).transform("sum") / table["degrees"].groupby(classes).transform("sum")
    table = table.assign(scaled=table["variance"] / usual, squares=squares)[usual > 0.0]
    of_fill = table.groupby(["quantity", "precision_class", "runs", "sample"], sort=False)
    return of_fill.first().assign(scaled=of_fill["scaled"].mean(), squares=of_fill["squares"].mean()).reset_index()


def _candidates(fills: pd.DataFrame) -> Iterator[tuple[str, str, str, _Mask]]:
    """Yield factor, name, quantity and rows; those that worked together only, as one."""
    quantities = {str(one): (fills["quantity"] == one).to_numpy() for one in fills["quantity"].unique()}
    found: dict[tuple[str, bytes], tuple[str, str, _Mask]] = {}
    for factor, name, rows in _named_rows(fills):
        for quantity, of_quantity in quantities.items():
            here = rows & of_quantity
            if here.sum() >= _FEWEST:
                key = quantity, here.tobytes()
                before = found.get(key)
                found[key] = (before[0], f"{before[1]} and {factor} {name}", here) if before else (factor, name, here)
    for (quantity, _), (factor, name, rows) in found.items():
        yield factor, name, quantity, rows


def _named_rows(fills: pd.DataFrame) -> Iterator[tuple[str, str, _Mask]]:
    oil = fills["product"].where(fills["product"] != "", fills["sample"])
    texts = {
        "operator": fills["operator"],
        "instrument": fills["instrument"],
        "lot": (oil + " " + fills["lot"]).where(fills["lot"] != "", ""),
        "day": pd.to_datetime(fills["ended"]).dt.strftime("%Y-%m-%d"),
    }
    for factor, column in texts.items():
        for name in sorted(set(column) - {""}):
            yield factor, name, (column == name).to_numpy()
    in_use = [frozenset(filter(None, one.split("; "))) for one in fills["lots"]]
    for name in sorted(frozenset[str]().union(*in_use)):
        yield "reference lot", name, np.array([name in one for one in in_use], dtype=bool)


def _compared(
    fills: pd.DataFrame, candidate: tuple[str, str, str, _Mask], left: _Mask
) -> tuple[NamedSpread, _Mask] | None:
    factor, name, quantity, rows = candidate
    usable, classes = left & (fills["quantity"] == quantity).to_numpy(), fills["precision_class"].to_numpy(str)
    usable &= np.isin(classes, classes[usable & rows]) & np.isin(classes, classes[usable & ~rows])
    inside, rest = usable & rows, usable & ~rows
    if min(inside.sum(), rest.sum()) < _FEWEST:
        return None
    scaled, degrees = fills["scaled"].to_numpy(float), fills["degrees"].to_numpy(float)
    one, other = (float(np.average(scaled[at], weights=degrees[at])) for at in (inside, rest))
    nu = float(degrees[inside].sum()), float(degrees[rest].sum())
    ratio = one / other if other > 0.0 else np.inf if one > 0.0 else 1.0
    whole = np.sqrt(fills["squares"].to_numpy(float)[usable].sum() / degrees[usable].sum())
    low, high = (float(np.sqrt(ratio / fdtri(*nu, p))) for p in (0.975, 0.025))
    p = max(float(fdtrc(*nu, ratio)), _p_by_ranks(scaled, classes, inside, usable))
    deviations = float(whole * np.sqrt(one)), float(whole * np.sqrt(other))
    return NamedSpread(factor, name, quantity, SHOWN_UNITS[quantity], *deviations, (low, high), ratio, nu, p), rows


def _p_by_ranks(scaled: NDArray[np.float64], classes: NDArray[np.str_], inside: _Mask, both: _Mask) -> float:
    """Return how often so large a sum of normal scores comes by chance, whatever the distribution."""
    from scipy.stats import rankdata

    total = mean = variance = 0.0
    for one in np.unique(classes[both]):
        here = both & (classes == one)
        number, chosen = int(here.sum()), int(inside[here].sum())
        scores = ndtri(0.5 + 0.5 * rankdata(scaled[here].round(9)) / (number + 1.0)) ** 2
        total += float(scores[inside[here]].sum())
        mean += chosen * float(scores.mean())
        variance += chosen * (number - chosen) / number * float(scores.var(ddof=1))
    return float(gammaincc(mean**2 / variance, total * mean / variance)) if variance > 0.0 else 1.0


FIRST_MINUS_SECOND = "first minus second"
_FEWEST_PAIRS = 5  # pairs below which nothing is said of an order, [-]: our own choice


def biases_of(results: pd.DataFrame, sets: pd.DataFrame) -> tuple[Action, ...]:
    """Return what differs on the whole, less what carry-over does, more than chance among so many tests explains: by
    quantity, over all classes. The temperatures of a run share its fills, and are one difference."""
    orders = dict(_orders(results, sets))
    adjusted = holm_adjusted([one.p_value for one in orders.values()])
    shown = [name for name, p in zip(orders, adjusted, strict=True) if p < SIGNIFICANCE]
    return tuple(_finding(quantity, contrast, orders[quantity, contrast]) for quantity, contrast in shown)


def _orders(results: pd.DataFrame, sets: pd.DataFrame) -> Iterator[tuple[tuple[str, str], OrderEffect]]:
    """Yield a test for each quantity: of first against second results, and of each two instruments."""
    own = results.assign(own=shown_values(results) - results["carried"]).groupby("set", sort=True)
    first, second = (own.nth(place) for place in (0, 1))
    table = sets.sort_index().assign(apart=first["own"].to_numpy() - second["own"].to_numpy())
    one, other = (rows["instrument"].astype(str).to_numpy() for rows in (first, second))
    alike, turned = (table["condition"] == CONDITIONS[1]).to_numpy(), one > other
    named = np.where(turned, other, one) + " minus " + np.where(turned, one, other)
    contrast = np.where(alike, FIRST_MINUS_SECOND, named)
    table = table.assign(contrast=contrast, apart=table["apart"].mask(turned, -table["apart"]))
    between = (one != other) & (table["number"] == 2)
    pairs = table[(alike | between) & ~table["carried_over"]]
    means = pairs.groupby(["quantity", "contrast", "runs", "sample"])["apart"].mean()
    for (quantity, contrast), group in means.groupby(level=[0, 1]):
        if len(group) >= _FEWEST_PAIRS:
            yield (str(quantity), str(contrast)), order_effect(group)


def _finding(quantity: str, contrast: str, order: OrderEffect) -> Action:
    mean, low, high = (signed(value) for value in (order.mean, *order.interval))
    found = f"{contrast} {mean} {SHOWN_UNITS[quantity]} ({low} to {high}) from {counted(order.number, 'pair')}"
    cause = ADVICE["first of two"][quantity]["higher" if order.mean > 0.0 else "lower"]
    to_do = f"That speaks for {cause}: rinse once more, or wait longer, before the first result."
    if contrast != FIRST_MINUS_SECOND:
        to_do = "Compare both instruments' reference oils; adjust, or let the uncertainty cover the difference."
    return Action(quantity.capitalize(), found, to_do)
