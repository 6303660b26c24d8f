"""Reference oils measured side by side: two oils on one day tell what the day adds from what a run adds."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pandas as pd

from labcalc.exports import QUANTITY_COLUMNS
from labcalc.judgement.record.measurements import Material
from labcalc.judgement.variance.components import ComponentsOfVariance, components_of_results, exclusions, sample_names

_SITTING = ["instrument", "operator", "day"]  # within which each oil is measured once
_ALIKE = "the oils are taken to spread alike in {unit}; each is held against its own mean"


def components_side_by_side(material: Material) -> tuple[ComponentsOfVariance, ...]:
    """Split the spread of all reference oils that were measured on the same days into its components.

    Where each oil is measured once a day, one oil alone can't tell a day from a run; two can, since a day shifts both.
    Taken are the days of an operator on an instrument that hold one run of each oil; others are counted as left out.

    material : The exports at hand with the laboratory's record; runs that a decision excludes are left out, and with
        them the other oils of that day.
    Returns : One a set of oils and lots that share two days or more, quantity and temperature; none for a laboratory
        with one oil.
    """
    record = material.record
    rows = record[
        (record["role"] == "reference") & record[["instrument", "operator", "measured_at"]].notna().all(axis=1)
    ]
    excluded = {one.run for one in exclusions(material)}
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
    held = usable.groupby(_SITTING, sort=False)["oil"].transform(lambda oils: "\n".join(sorted(oils)))
    for oils, together in usable.groupby(held, sort=True):
        names = str(oils).split("\n")
        if len(names) < 2 or len(set(names)) < len(names) or len(together) < 2 * len(names):
            continue
        study = components_of_results(together, quantity)
        left_out = int(rows["oil"].isin(names).sum()) - len(together)
        alone = (
            (f"{left_out} results are left out: on their day an oil was missing or measured twice",) if left_out else ()
        )
        yield replace(study, remarks=(*study.remarks, _ALIKE.format(unit=study.unit), *alone))
