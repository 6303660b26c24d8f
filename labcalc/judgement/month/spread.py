"""What the reference oils of a month spread by: instruments, people, days and runs as far as told apart."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from labcalc.judgement.period import Month
from labcalc.judgement.record.measurements import Material
from labcalc.judgement.variance.components import ComponentsOfVariance, components_of_variance, sample_names
from labcalc.judgement.variance.paired_oils import components_side_by_side


def month_spreads(material: Material, rows: pd.DataFrame, month: Month) -> tuple[ComponentsOfVariance, ...]:
    """Split the spread of the oils and lots that were measured in a month, by all their results up to its end.

    material : Material The laboratory's whole record.
    rows : pandas.DataFrame Its rows of the month.
    month : Month The month.
    Returns : Oils measured side by side, else each alone; kinematic viscosity first.
    """
    in_use = set(sample_names(rows[rows["role"] == "reference"]))
    record = material.record
    known = record[(record["role"] == "reference") & (record["measured_at"] < month.last)]
    past = replace(material, record=known[sample_names(known).isin(in_use)])
    studies = components_side_by_side(past) or components_of_variance(past)
    return tuple(sorted(studies, key=lambda one: (one.quantity == "density", one.samples, one.temperature_C)))
