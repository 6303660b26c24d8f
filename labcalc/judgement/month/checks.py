"""The reference oils of a month: what moved, gaps between good checks, corrective actions."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import pandas as pd

from labcalc.judgement.control.charts import Chart
from labcalc.judgement.control.watch import Stream
from labcalc.judgement.month.gaps import CheckedInstrument, Gap, checked, longest_gaps
from labcalc.judgement.month.moved import Moved, moved_in
from labcalc.judgement.month.oils import OilSummary, summarise_oils
from labcalc.judgement.month.repairs import Repair, repairs_of
from labcalc.judgement.period import Month
from labcalc.judgement.record.measurements import Material
from labcalc.lab import Laboratory


@dataclass(frozen=True, eq=False)
class Checks:
    """The reference oils of a month."""

    month: Month
    laboratory: Laboratory
    oils: tuple[OilSummary, ...]
    comparisons: pd.DataFrame
    """``COMPARISON_COLUMNS`` of the month."""
    moved: tuple[Moved, ...]
    instruments: dict[str, CheckedInstrument]
    gaps: tuple[Gap, ...]
    repairs: tuple[Repair, ...]
    charts: tuple[Chart, ...]
    """All of the laboratory."""
    streams: dict[str, tuple[Stream, ...]]
    """What is watched for lasting shifts, by instrument."""

    @property
    def explained(self) -> set[int]:
        """Identities of the charts that something moved explains."""
        return {id(chart) for one in self.moved for chart in one.touched}

    def at_risk(self, one: Moved) -> pd.DataFrame:
        """Return the samples that something moved may have touched: ``run``, ``sample``, ``at`` in UTC."""
        of = self.instruments.get(one.instrument)
        return (
            pd.DataFrame({"run": [], "sample": [], "at": []}) if of is None else of.at_risk(one.since, self.month.last)
        )


def checks_of(material: Material, month: Month) -> Checks:
    """Return the reference oils of a month."""
    charts, streams = material.charts, material.streams
    comparisons = material.comparisons
    instruments = checked(material.record, comparisons, charts, streams)
    return Checks(
        month,
        material.laboratory,
        summarise_oils(charts, month, material.laboratory),
        comparisons[month.holds(comparisons["measured_at"])],
        tuple(_moved(charts, streams, month)),
        instruments,
        longest_gaps(instruments, month),
        tuple(one for some in streams.values() if some for one in repairs_of(some, month)),
        charts,
        streams,
    )


def _moved(charts: Sequence[Chart], streams: Mapping[str, Sequence[Stream]], month: Month) -> Iterator[Moved]:
    """Yield what moved; in a year what each of its months told first, and whether it lasts to the year's end."""
    for part in month.parts:
        for one in moved_in(charts, streams, part):
            if month.months == 1:
                yield one
            elif one.signalled >= part.first:
                end = one.stream.last_until(month.last.tz_convert(None).to_datetime64())
                yield replace(one, lasts=bool(one.stream.stops[end]))
