"""What the spread of a repeatedly measured sample is made of: instruments, operators, days, runs."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from labcalc.errors import UnknownRunError
from labcalc.exports import QUANTITY_COLUMNS
from labcalc.judgement.control.charts import concerns
from labcalc.judgement.record.measurements import Material
from labcalc.judgement.variance.nested_layout import FEWEST_DEGREES, Layout, Level, layout_of
from labcalc.lab import Decision
from labcalc.statistics import (
    IntervalGain,
    LikelihoodComponents,
    MeasurementPlan,
    VarianceComponents,
    VarianceSum,
    best_plan,
    interval_gains,
    likelihood_components,
    nested_analysis,
    variance_components,
)

_LETTERS = {"day": "T", "operator": "O", "instrument": "E"}
"""ISO 5725-3: time, operator, equipment."""


@dataclass(frozen=True, eq=False)
class ComponentsOfVariance:
    """Components of one quantity of one sample at one temperature; viscosity in percent of the mean, density in kg/m³.

    ``components`` is None where there are fewer than two results.
    """

    samples: tuple[str, ...]
    """One sample with its lot, or several that were measured side by side."""
    quantity: str
    temperature_C: float
    unit: str
    number: int
    levels: tuple[Level, ...]
    components: VarianceComponents | None
    likelihood: LikelihoodComponents | None
    """By restricted maximum likelihood beside the analysis of variance, where the layout is unbalanced."""
    not_enough: tuple[str, ...]
    """What can't be told from so few, with how many there are and how many are needed."""
    remarks: tuple[str, ...]
    """What has to be known beside the numbers."""
    excluded: int
    """Results left out by decisions."""

    @property
    def name(self) -> str:
        """Samples with their lots, quantity and temperature."""
        return f"{' and '.join(self.samples)}, {self.quantity} at {self.temperature_C:g} °C"

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
    def typical_counts(self) -> dict[str, int]:
        """How many of each level stand within one of the level above, on average, 2 at the least."""
        above = [1, *(level.groups for level in self.levels[:-1])]
        return {
            level.name: max(2, round(level.groups / outer)) for level, outer in zip(self.levels, above, strict=True)
        }

    @property
    def gains(self) -> tuple[IntervalGain, ...]:
        """What one more of each level would narrow, in a balanced layout of the typical counts; none where unknown."""
        variances = self.variances
        if not variances or list(variances.values())[-1] == 0.0:
            return ()
        return interval_gains(variances, self.typical_counts)

    @property
    def advice(self) -> tuple[str, ...]:
        """For each component, what would narrow its interval most, and what would by the single result."""
        gains = self.gains
        return tuple(_narrowest(name, gains) for name in (self.variances if gains else ()))

    def best_plan(
        self, budget: float, *, costs: Mapping[str, float] | None = None, available: Mapping[str, int] | None = None
    ) -> MeasurementPlan:
        """Return the plan that gives the best mean for a budget; see ``labcalc.statistics.best_plan``.

        Raises
        ------
        ValueError
            There are no components, or the budget, a cost or a level doesn't fit.
        """
        if self.components is None:
            raise ValueError(f"{self.name}: {'; '.join(self.not_enough)}")
        return best_plan(self.variances, budget, costs=costs, available=available)

    @property
    def sentence(self) -> str:
        """The whole in one sentence."""
        if self.components is None:
            return f"{self.name}: {'; '.join(self.not_enough)}."
        if self.components.total.variance == 0.0:
            return f"{self.name}: {self.number} results, all alike: no spread to split."
        shares = ", ".join(f"{one.name} {100.0 * one.share:.0f} %" for one in self.components.components)
        symbol, total = self.intermediate_precisions[0]
        low, high = total.deviation_interval
        return (
            f"{self.name}: {self.number} results spread by {symbol} = {total.deviation:.2g} {self.unit} "
            f"(95 %: {low:.2g} to {high:.2g}); shares of the variance: {shares}."
        )


def _symbol(levels: Sequence[Level]) -> str:
    names = [name for level in levels for name in level.names]
    letters = "".join(letter for name, letter in _LETTERS.items() if name in names)
    if letters:
        return f"s_I({letters})"
    return "s_r" if "run" in names else "s_d"


def _narrowest(name: str, gains: Sequence[IntervalGain]) -> str:
    """Say what narrows the interval of a component most, and what does so for the least measuring."""
    ratios = [dict(gain.ratios)[name] for gain in gains]
    most = min(range(len(gains)), key=ratios.__getitem__)
    thrifty = max(range(len(gains)), key=lambda place: (1.0 - ratios[place]) / gains[place].results_added)
    sentence = f"{name}: {_one_more(gains[most], ratios[most])} of the width that its interval has on average"
    return (
        sentence
        if thrifty == most
        else f"{sentence}; by the result, best: {_one_more(gains[thrifty], ratios[thrifty])}"
    )


def _one_more(gain: IntervalGain, ratio: float) -> str:
    results = f"{gain.results_added} result{'' if gain.results_added == 1 else 's'}"
    return f"one more {gain.added} ({results}) would leave {100.0 * ratio:.0f} %"


def components_of_variance(material: Material, sample: str = "") -> tuple[ComponentsOfVariance, ...]:
    """Split the spread of every reference oil of the record, or of one sample, into its components.

    Parameters
    ----------
    material : Material
        The exports at hand with the laboratory's record; runs that a decision excludes are left out and counted.
    sample : str, optional
        A sample's name; none: every reference oil.

    Returns
    -------
    tuple of ComponentsOfVariance
        By sample, lot, quantity and temperature. Dynamic viscosity is passed over where the kinematic one is there.

    Raises
    ------
    UnknownRunError
        The record holds no run of such a sample.
    """
    record = material.record
    rows = record[record["sample"] == sample] if sample else record[record["role"] == "reference"]
    if sample and rows.empty:
        raise UnknownRunError(f"the record holds no run of a sample '{sample}'")
    keys = [sample_names(rows), rows["temperature_C"].round(1)]
    excluding = exclusions(material)
    found = [one for _, group in rows.groupby(keys, sort=True) for one in _of_one_temperature(group, excluding)]
    return tuple(sorted(found, key=lambda one: (one.samples, one.quantity == "density", one.temperature_C)))


def exclusions(material: Material) -> list[Decision]:
    """Return the decisions to exclude a run."""
    return [one for one in material.decisions if one.what == "exclude" and one.run]


def _of_one_temperature(rows: pd.DataFrame, excluding: Sequence[Decision]) -> Iterator[ComponentsOfVariance]:
    has = {quantity for quantity, column in QUANTITY_COLUMNS.items() if rows[column].notna().any()}
    if "kinematic viscosity" in has:
        has.discard("dynamic viscosity")
    for quantity in QUANTITY_COLUMNS:
        if quantity in has:
            yield components_of_results(rows, quantity, excluding)


def components_of_results(
    rows: pd.DataFrame, quantity: str, decisions: Sequence[Decision] = ()
) -> ComponentsOfVariance:
    """Split the spread of the results of one sample and lot at one temperature, or of several measured side by side.

    Parameters
    ----------
    rows : pandas.DataFrame
        Rows of the tidy table, one or more; of several samples each is taken against its own mean, and every day
        holds each equally often.
    quantity : str
        Which quantity, by its name in ``QUANTITY_COLUMNS``.
    decisions : sequence of Decision
        Decisions to exclude.

    Returns
    -------
    ComponentsOfVariance
        Components in percent of the mean for a viscosity, in kg/m³ for density.
    """
    column, temperature = QUANTITY_COLUMNS[quantity], round(float(rows["temperature_C"].iloc[0]), 1)
    known = rows[rows[column].notna()]
    excluded = {one.run for one in decisions if concerns(one, quantity, temperature)}
    used = known[~known["run"].isin(excluded)]
    values, samples = used[column].to_numpy(float), sample_names(used)
    layout = layout_of(used)
    components, likelihood = None, None
    if values.size > 1:
        several = samples.nunique() > 1
        means = used[column].groupby(samples).transform("mean").to_numpy(float)
        scaled = values - means if quantity == "density" else 100.0 * (values / means - 1.0)
        series = samples.to_numpy(str) if several else None
        analysis = nested_analysis(scaled, layout.codes, lowest=layout.lowest, series=series)
        components = variance_components(analysis)
        if not analysis.balanced and not several and analysis.mean_squares[-1] > 0.0:
            likelihood = likelihood_components(scaled, layout.codes, lowest=layout.lowest)
    return ComponentsOfVariance(
        samples=tuple(sorted(sample_names(rows).unique())),
        quantity=quantity,
        temperature_C=temperature,
        unit="kg/m³" if quantity == "density" else "%",
        number=values.size,
        levels=layout.levels,
        components=components,
        likelihood=likelihood,
        not_enough=_too_few(layout, values.size),
        remarks=(*layout.remarks, *_remarks(components)),
        excluded=len(known) - len(used),
    )


def sample_names(rows: pd.DataFrame) -> pd.Series:
    """Return the name of each row's sample with its lot."""
    lots = rows["lot"].astype(object).where(rows["lot"].notna() & (rows["lot"] != ""))
    return rows["sample"].astype(str) + (" lot " + lots.astype(str)).where(lots.notna(), "")


def _remarks(components: VarianceComponents | None) -> tuple[str, ...]:
    zero = () if components is None else components.set_to_zero
    return tuple(
        f"{name}: the estimate was negative, as chance allows for a small one, and stands as 0" for name in zero
    )


def _too_few(layout: Layout, number: int) -> tuple[str, ...]:
    if number < 2:
        return (f"{number} result{'' if number == 1 else 's'}: a spread needs 2, a useful one {FEWEST_DEGREES + 1}",)
    return (*(_few(level) for level in layout.levels if not level.enough), *layout.lacking)


def _few(level: Level) -> str:
    degrees = f"{level.degrees_of_freedom} degree{'' if level.degrees_of_freedom == 1 else 's'} of freedom"
    return (
        f"{level.name}: {level.groups} give {degrees}; {level.needed} would give the {FEWEST_DEGREES} from which on "
        "the interval's upper end is less than twice the standard deviation"
    )
