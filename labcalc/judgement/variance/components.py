"""What the spread of samples measured again and again is made of: instruments, operators, days, runs."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc import statistics
from labcalc.exports import QUANTITY_COLUMNS
from labcalc.judgement.control.charts import concerns
from labcalc.judgement.record.measurements import Material
from labcalc.lab import Decision
from labcalc.statistics import VarianceComponents, VarianceSum
from labcalc.wording import at_celsius, counted, listed, numeral, percent

FEWEST_DEGREES = 8
"""Degrees of freedom from which on the upper end of the 95 % interval of a standard deviation is less than twice the
estimate (chi-square: 1.92 with 8, 2.04 with 7): our own choice of what is enough."""


@dataclass(frozen=True)
class Level:
    """One level of the layout; of several names where nothing tells what comes from the one and what from the other."""

    names: tuple[str, ...]
    groups: int
    degrees_of_freedom: int

    @property
    def name(self) -> str:
        """The names as one."""
        return listed(self.names)


@dataclass(frozen=True, eq=False)
class Layout:
    """The levels that the results hold, outermost first, and what had to be left out."""

    levels: tuple[Level, ...]
    codes: Mapping[str, NDArray[np.intp]]  # group of each result on every level but the lowest, within those above
    lacking: tuple[str, ...]  # why a level is missing, or stands for two, with the numbers and what would help

    @property
    def lowest(self) -> str:
        """Name of the lowest level."""
        return self.levels[-1].name


def layout_of(rows: pd.DataFrame) -> Layout:
    """Return the nested layout of the results of one sample. A level of which there is one only, or that some results
    don't name, is left out; one that holds one of the next in each of its groups stands together with that."""
    found: list[tuple[tuple[str, ...], NDArray[np.intp], int]] = []
    unnamed, alone, path = list[str](), list[str](), np.zeros(len(rows), dtype=np.intp)
    for name in ("instrument", "operator", "day", "run"):
        column = rows["measured_at"].dt.date if name == "day" else rows[name].astype(object)
        if missing := int((column.isna() | (column == "")).sum()):
            unnamed.append(f"{name}: {missing} of {len(rows)} results don't name one: the level is left out")
            continue
        path = pd.MultiIndex.from_arrays([path, column]).factorize()[0] if len(path) else path
        groups = int(path.max(initial=-1)) + 1
        if column.nunique() <= 1:
            so_far = f"{name}: there is one only, so what another would add can't be seen"
            alone.append(f"{so_far}; {FEWEST_DEGREES + 1} would show it well")
        elif found and groups == found[-1][2]:
            found[-1] = ((*found[-1][0], name), found[-1][1], groups)
        else:
            found.append(((name,), path, groups))
    if not found or found[-1][2] < len(rows):
        found.append((("determination",), path, len(rows)))
    above = [1, *(groups for _, _, groups in found[:-1])]
    levels = tuple(Level(names, groups, groups - n) for (names, _, groups), n in zip(found, above, strict=True))
    together = (_together(level) for level in levels if len(level.names) > 1)
    codes = {listed(names): codes for names, codes, _ in found[:-1]}
    return Layout(levels, codes, (*unnamed, *alone, *together))


def _together(level: Level) -> str:
    tell = f"a second {level.names[-1]} within {min(FEWEST_DEGREES, level.groups)} of them would tell"
    fewer = f" a little, within {FEWEST_DEGREES} it would tell well" if level.groups < FEWEST_DEGREES else ""
    apart = f"what the one adds can't be told from what the other adds; {tell}{fewer}"
    return f"{level.name}: each of {level.groups} holds one of the next, so {apart}"


_FEWEST_FOR_TAILS, _OF_TAILS = 20, 0.002  # results that show tails, chance of heavy ones: rare, as days are alike
_LETTERS = {"day": "T", "operator": "O", "instrument": "E"}  # ISO 5725-3: time, operator, equipment


@dataclass(frozen=True, eq=False)
class ComponentsOfVariance:
    """Components of one quantity of a sample at a temperature; viscosity in percent of the mean, density in kg/m³."""

    samples: tuple[str, ...]  # one sample with its lot, or several that were measured side by side
    quantity: str
    temperature_C: float
    unit: str
    number: int
    levels: tuple[Level, ...]
    components: VarianceComponents | None  # None of fewer than two results
    not_enough: tuple[str, ...]  # what can't be told from so few, with how many there are and how many are needed
    remarks: tuple[str, ...]  # what has to be known beside the numbers
    excluded: int  # results left out by decisions

    @property
    def name(self) -> str:
        """Samples with their lots, quantity and temperature."""
        return f"{' and '.join(self.samples)}, {at_celsius(self.quantity, self.temperature_C)}"

    @property
    def intermediate_precisions(self) -> tuple[tuple[str, VarianceSum], ...]:
        """Standard deviations by what changes between results, widest first, with their symbols of ISO 5725-3."""
        sums = () if self.components is None else self.components.sums
        return tuple((_symbol(self.levels[place:]), one) for place, one in enumerate(sums))

    @property
    def variances(self) -> dict[str, float]:
        """Component of each level, in the square of the unit."""
        return {} if self.components is None else {one.name: one.variance for one in self.components.components}

    @property
    def sentence(self) -> str:
        """The whole in one sentence."""
        if self.components is None:
            return f"{self.name}: {'; '.join(self.not_enough)}."
        if self.components.total.variance == 0.0:
            return f"{self.name}: {self.number} results, all alike: no spread to split."
        shares = ", ".join(f"{one.name} {percent(one.share, 0)}" for one in self.components.components)
        symbol, total = self.intermediate_precisions[0]
        low, high = (numeral(one) for one in total.deviation_interval)
        spread = f"{symbol} = {numeral(total.deviation)} {self.unit} (95 %: {low} to {high})"
        return f"{self.name}: {self.number} results spread by {spread}; shares of the variance: {shares}."


def _symbol(levels: Sequence[Level]) -> str:
    names = [name for level in levels for name in level.names]
    letters = "".join(letter for name, letter in _LETTERS.items() if name in names)
    return f"s_I({letters})" if letters else "s_r" if "run" in names else "s_d"


def components_of_variance(material: Material) -> tuple[ComponentsOfVariance, ...]:
    """Split the spread of every reference oil of the record, by lot, quantity and temperature, into its components;
    excluded runs are left out and counted, and dynamic viscosity is where the kinematic one is there."""
    rows, excluding, found = material.record[material.record["role"] == "reference"], _exclusions(material), []
    for _, group in rows.groupby([sample_names(rows), rows["temperature_C"].round(1)], sort=True):
        has = {quantity for quantity, column in QUANTITY_COLUMNS.items() if group[column].notna().any()}
        has -= {"dynamic viscosity"} if "kinematic viscosity" in has else set()
        found += [components_of_results(group, quantity, excluding) for quantity in QUANTITY_COLUMNS if quantity in has]
    return tuple(sorted(found, key=lambda one: (one.samples, one.quantity == "density", one.temperature_C)))


def _exclusions(material: Material) -> list[Decision]:
    return [one for one in material.decisions if one.what == "exclude" and one.run]


def components_of_results(
    rows: pd.DataFrame, quantity: str, decisions: Sequence[Decision] = ()
) -> ComponentsOfVariance:
    """Split the spread of the results of one sample and lot at one temperature, or of several measured side by side.

    rows : Rows of the tidy table, one or more; of several samples each is taken against its own mean, and every day
        holds each equally often.
    Returns : Components in percent of the mean for a viscosity, in kg/m³ for density.
    """
    column, temperature = QUANTITY_COLUMNS[quantity], round(float(rows["temperature_C"].iloc[0]), 1)
    known = rows[rows[column].notna()]
    excluded = {one.run for one in decisions if concerns(one, quantity, temperature)}
    used = known[~known["run"].isin(excluded)]
    values, samples = used[column].to_numpy(float), sample_names(used)
    layout = layout_of(used)
    components, scaled, several = None, np.zeros(0), samples.nunique() > 1
    how = "pooled with what is below it" if several else "by restricted maximum likelihood"
    below_0 = f"too small to show; {how}, as the analysis of variance gives it below 0"
    if values.size > 1:
        means = used[column].groupby(samples).transform("mean").to_numpy(float)
        scaled = values - means if quantity == "density" else 100.0 * (values / means - 1.0)
        components = _components(scaled, layout, samples.to_numpy(str) if several else None)
    set_to_zero = () if components is None else components.set_to_zero
    remarks = (*(f"{name}: {below_0}" for name in set_to_zero), *_heavy_tails(values, scaled))
    named, unit = tuple(sorted(sample_names(rows).unique())), "kg/m³" if quantity == "density" else "%"
    told = layout.levels, components, _too_few(layout, values.size), remarks, len(known) - len(used)
    return ComponentsOfVariance(named, quantity, temperature, unit, values.size, *told)


def _components(
    values: NDArray[np.float64], layout: Layout, series: NDArray[np.str_] | None
) -> VarianceComponents | None:
    """Return the components by the analysis of variance; where one is negative, by restricted likelihood, or pooled of
    several samples: the same in a balanced layout. Intervals are the analysis's, wide enough to hold the estimate."""
    analysis = statistics.nested_analysis(values, layout.codes, lowest=layout.lowest, series=series)
    found = pooled = statistics.variance_components(analysis)
    if not found.set_to_zero or not analysis.mean_squares[-1] > 0.0:
        return found
    if series is None:
        likely = statistics.likelihood_components(values, layout.codes, lowest=layout.lowest)
        variances = dict(zip(likely.names, likely.variances, strict=True))
    else:
        codes = dict(layout.codes)
        while pooled.set_to_zero:
            codes = {name: code for name, code in codes.items() if name not in pooled.set_to_zero}
            analysis = statistics.nested_analysis(values, codes, lowest=layout.lowest, series=series)
            pooled = statistics.variance_components(analysis)
        variances = {one.name: one.variance for one in pooled.components}
    return _with_variances(found, variances)


def _with_variances(found: VarianceComponents, variances: Mapping[str, float]) -> VarianceComponents:
    def held(interval: tuple[float, float], *names: str) -> dict[str, Any]:
        own = sum(variances.get(name, 0.0) for name in names)
        return {"variance": own, "interval": (min(interval[0], own), max(interval[1], own))}

    total = sum(variances.values())
    components = [replace(one, **held(one.interval, one.name)) for one in found.components]
    shared = tuple(replace(one, share=one.variance / total) for one in components)
    sums = tuple(replace(one, **held(one.interval, *one.names)) for one in found.sums)
    return replace(found, components=shared, sums=sums)


def sample_names(rows: pd.DataFrame) -> pd.Series:
    """Return the name of each row's sample with its lot."""
    lots = rows["lot"].astype(object).where(rows["lot"].notna() & (rows["lot"] != ""))
    return rows["sample"].astype(str) + (" lot " + lots.astype(str)).where(lots.notna(), "")


def _heavy_tails(values: NDArray[np.float64], scaled: NDArray[np.float64]) -> Iterator[str]:
    """Say where results lie further out than normal ones, for which the intervals are made."""
    if scaled.size < _FEWEST_FOR_TAILS or statistics.resolution(values).coarse or not np.ptp(scaled) > 0.0:
        return
    p, away = statistics.anderson_darling(scaled).p_value, (scaled - scaled.mean()) ** 2
    if p < _OF_TAILS and np.mean(away**2) > 3.0 * np.mean(away) ** 2:
        told = f"results lie further out than normal ones (Anderson-Darling, p {numeral(p)})"
        yield f"{told}: intervals are for normal results, and too narrow here"


def _too_few(layout: Layout, number: int) -> tuple[str, ...]:
    if number < 2:
        return (f"{counted(number, 'result')}: a spread needs 2, a useful one {FEWEST_DEGREES + 1}",)
    few = (
        f"{one.name}: {one.groups} give {counted(one.degrees_of_freedom, 'degree of freedom', 'degrees of freedom')}; "
        f"{one.groups + FEWEST_DEGREES - one.degrees_of_freedom} would give the {FEWEST_DEGREES} from which on the "
        "interval's upper end is less than twice the standard deviation"
        for one in layout.levels
        if one.degrees_of_freedom < FEWEST_DEGREES
    )
    return (*few, *layout.lacking)


def components_side_by_side(material: Material) -> tuple[ComponentsOfVariance, ...]:
    """Split the spread of all reference oils that were measured on the same days into its components.

    Where each oil is measured once a day, one oil alone can't tell a day from a run; two can, since a day shifts both.
    Taken are the days of an operator on an instrument that hold one run of each oil; others are counted as left out.

    material : Runs that a decision excludes are left out, and with them the other oils of that day.
    Returns : One a set of oils and lots that share two days or more, quantity and temperature; none of one oil.
    """
    rows = material.record[material.record["role"] == "reference"]
    rows = rows.dropna(subset=["instrument", "operator", "measured_at"])
    excluded = {one.run for one in _exclusions(material)}
    rows = rows.assign(oil=sample_names(rows), day=rows["measured_at"].dt.date, warm=rows["temperature_C"].round(1))
    found = [
        study
        for quantity in ("kinematic viscosity", "density")
        for _, group in rows[rows[QUANTITY_COLUMNS[quantity]].notna()].groupby("warm", sort=True)
        for study in _of_sets(group, quantity, excluded)
    ]
    return tuple(sorted(found, key=lambda one: one.samples))


def _of_sets(rows: pd.DataFrame, quantity: str, excluded: set[str]) -> Iterator[ComponentsOfVariance]:
    """Yield a study of each set of oils that share two days or more."""
    usable = rows[~rows["run"].isin(excluded)]
    sittings = usable.groupby(["instrument", "operator", "day"], sort=False)
    held = sittings["oil"].transform(lambda oils: "\n".join(sorted(oils)))
    for oils, together in usable.groupby(held, sort=True):
        names = str(oils).split("\n")
        if len(names) < 2 or len(set(names)) < len(names) or len(together) < 2 * len(names):
            continue
        study = components_of_results(together, quantity)
        alike = f"the oils are taken to spread alike in {study.unit}; each is held against its own mean"
        remarks = [*study.remarks, alike]
        if left_out := int(rows["oil"].isin(names).sum()) - len(together):
            remarks.append(f"{left_out} results are left out: on their day an oil was missing or measured twice")
        yield replace(study, remarks=tuple(remarks))
