"""How much of the sample before stays in an instrument's cell, what that does to a result, and which runs it touches.

The share k of the sample before is found from routine results of materials whose level is known (reference oils, and
products with typical values), one share for what runs after a thicker sample and one after a thinner: thick oil leaves
more on the walls. Viscosity in its logarithm, since small residues mix roughly so; density linear in volume.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.judgement.carry_over.run_order import LONGEST_PAUSE_H, SEQUENCE_QUANTITIES, CellSequence, coldest
from labcalc.statistics import CarriedShare, SharesOverTime, shares_over_time, within_materials

DIRECTIONS = ("thicker", "thinner")  # what the sample before was, beside the one that is measured
_HISTORY = pd.Timedelta(days=180)  # how far back results tell of a share: cleaning and cells change. Our own choice.

_KNOWN_WITHIN = 3.0  # standard deviations from the typical value beyond which a sample is no such product: practice
_SET_ASIDE = 5.0  # standard deviations of its kind beyond which it was moved by something else than a share: our own
_FEWEST_OF_A_KIND = 10  # results of a kind below which its scatter, and so its weight, is not known: our own choice
WITHIN_ONE = 0.6827
"""Share of normal results within one standard deviation; far ones don't move that quantile, nor does rounding, which
makes many distances 0 and would take the median with it."""
_TWICE = math.log(2.0)  # a change is one to a sample at least twice as thick, or as thin
_Array = NDArray[np.float64]


@dataclass(frozen=True)
class Contrast:
    """One quantity of a run at one temperature beside what the run before left in the cell."""

    quantity: str
    temperature_C: float
    value: float  # what the run's first fill gave, [mm²/s] or [kg/m³]
    before: float  # what the last fill of the run before gave

    @property
    def unit(self) -> str:
        """Unit of the effects: percent of viscosity, or kg/m³."""
        return "kg/m³" if self.quantity == "density" else "%"

    def effect(self, share: float) -> float:
        """Return what a share of the sample before does to the result, [%] of viscosity or [kg/m³]: ln ν is mixed."""
        if self.quantity == "density":
            return share * (self.before - self.value)
        return 100.0 * math.expm1(share * math.log(self.before / self.value))

    def effect_at_most(self, share: float) -> float:
        """Return the same where viscosities mix in proportion to volume: the most that a thick residue can do."""
        return self.effect(share) if self.quantity == "density" else 100.0 * share * (self.before / self.value - 1.0)


@dataclass(frozen=True)
class RunBefore:
    """A run's place in the sequence of its instrument, and what is known of the share by then: nothing of later."""

    run: str
    sample: str
    sample_before: str
    pause_h: float  # from the end of the run before, [h]; NaN where there is none
    direction: str  # one of ``DIRECTIONS``; empty where nothing tells
    contrasts: tuple[Contrast, ...]
    share: CarriedShare | None  # for this direction, from viscosity; None where there is no direction
    precision_class: str

    @property
    def followed(self) -> bool:
        """The run before ended soon enough to tell of the cell."""
        return self.pause_h <= LONGEST_PAUSE_H


@dataclass(frozen=True, eq=False)
class InstrumentCarryOver:
    """What the sequence of an instrument's runs tells about its carry-over, up to any moment."""

    sequence: CellSequence
    direction: NDArray[np.object_]  # one of ``DIRECTIONS`` for each run; empty where nothing tells
    contrast: _Array  # sample before less own level, in ln ν; NaN where one is not known
    residual: _Array  # result less own level
    aside: NDArray[np.bool_]  # whether a result was moved by something else, so that it tells nothing of a share
    sums: SharesOverTime

    def shares_at(self, moment: pd.Timestamp) -> tuple[CarriedShare, ...]:
        """Return the share for each of ``DIRECTIONS`` from the runs of half a year before a moment; NaN, with the
        reason, where their order doesn't tell it."""
        return self.sums.of_stretches(*self.rows_at(pd.DatetimeIndex([moment])))[0]

    def rows_at(self, moments: pd.DatetimeIndex) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Return the first row that counts at each moment, and the row after the last."""
        started = self.sequence.started
        return started.searchsorted(moments - _HISTORY), started.searchsorted(moments)

    def run_before(self, run: str) -> RunBefore | None:
        """Return the run's place in the sequence; None for one that is not in it."""
        return next(iter(self.runs_before([run])), None)

    def runs_before(self, runs: Iterable[str]) -> tuple[RunBefore, ...]:
        """Return the places of runs in the sequence; nothing for one that is not in it."""
        return self._at([self._places[run] for run in runs if run in self._places])

    def beside(self, run: str) -> tuple[str, str]:
        """Return the runs before and after one; empty where there is none."""
        runs, at = self.sequence.runs, self._places.get(run, -2)
        return (str(runs[at - 1]) if at > 0 else ""), (str(runs[at + 1]) if -1 < at < len(runs) - 1 else "")

    @cached_property
    def _places(self) -> dict[str, int]:
        return {str(run): at for at, run in enumerate(self.sequence.runs.tolist())}

    def runs_between(self, first: pd.Timestamp, last: pd.Timestamp) -> tuple[RunBefore, ...]:
        """Return the places of the runs that started from a first moment to before a last one."""
        started = self.sequence.started
        return self._at(range(int(started.searchsorted(first)), int(started.searchsorted(last))))

    def _at(self, places: Sequence[int]) -> tuple[RunBefore, ...]:
        sequence, directions = self.sequence, [str(self.direction[at]) for at in places]
        shares = self.sums.of_stretches(*self.rows_at(sequence.started[list(places)]))
        found = []
        for at, direction, known in zip(places, directions, shares, strict=True):
            names = str(sequence.runs[at]), str(sequence.samples[at]), str(sequence.samples[at - 1]) if at else ""
            share = known[DIRECTIONS.index(direction)] if direction else None
            contrasts, pause_h = tuple(self._contrasts(at)) if direction else (), float(sequence.pause_h[at])
            precision_class = str(sequence.precision_class[at])
            found.append(RunBefore(*names, pause_h, direction, contrasts, share, precision_class))
        return tuple(found)

    def _contrasts(self, at: int) -> Iterator[Contrast]:
        for quantity in SEQUENCE_QUANTITIES:
            own, left = self.sequence.first[quantity][at], self.sequence.last[quantity][at - 1]
            for temperature, value, before in zip(self.sequence.temperatures_C, own, left, strict=True):
                if math.isfinite(value + before):
                    yield Contrast(quantity, float(temperature), float(value), float(before))


def carry_over_of(sequence: CellSequence, excluded: frozenset[str] = frozenset()) -> InstrumentCarryOver:
    """Find the shares of an instrument as its record grew: a row counts with the scatter of its kind so far, and is set
    aside where it is far from what the rows before it lead to expect."""
    step = sequence.step_before
    used = ~pd.Index(sequence.runs).isin(excluded) & ~np.isnan(step)
    contrast, residual = (np.where(used, values, np.nan) for values in _against_level(sequence))
    after = np.column_stack([step > 0.0, step <= 0.0])
    columns = np.where(after, contrast[:, np.newaxis], 0.0)
    sums, aside = _fitted(sequence, columns, residual, after & (np.abs(step) >= _TWICE)[:, np.newaxis])
    direction = np.where(np.isnan(step), "", np.where(step > 0.0, *DIRECTIONS)).astype(object)
    return InstrumentCarryOver(sequence, direction, contrast, residual, aside, sums)


def _against_level(sequence: CellSequence) -> tuple[_Array, _Array]:
    """Return ln ν of the sample before and of the result less the known level, at the coldest temperature with all. The
    sample before counts with its known level: what is measured of it scatters with the day as the result does."""
    own, last = sequence.first[SEQUENCE_QUANTITIES[0]], sequence.last[SEQUENCE_QUANTITIES[0]]
    left = _of_its_material(sequence, last)
    before = sequence.followed_by(np.where(np.isnan(left), last, left))
    own, before, level = (np.log(values) for values in (own, before, _of_its_material(sequence, own)))
    whole = np.where(np.isnan(own + before + level), np.nan, 0.0)
    return coldest(before - level + whole), coldest(own - level + whole)


def _of_its_material(sequence: CellSequence, values: _Array) -> _Array:
    """Return the known levels; NaN where a result is too far from the typical one to be of that product."""
    far = np.abs(values - sequence.level) > _KNOWN_WITHIN * sequence.spread
    return np.where(far & (sequence.spread > 0.0), np.nan, sequence.level)


def _fitted(
    sequence: CellSequence, columns: _Array, away: _Array, changed: NDArray[np.bool_]
) -> tuple[SharesOverTime, NDArray[np.bool_]]:
    known = np.isfinite(away) & np.isfinite(columns).all(axis=1)
    table = np.where(known[:, np.newaxis], np.column_stack([columns, away]), 0.0)
    keep, materials = known.copy(), pd.factorize(sequence.material)[0]
    slopes = np.zeros_like(columns)
    rows = within_materials(table, materials, weights=keep)
    for _ in range(2):
        rest = rows[:, 2] - np.sum(slopes * rows[:, :2], axis=1)
        scale = _scale_of_kind(rest, sequence.kind)
        keep &= ~(np.abs(rest) > _SET_ASIDE * scale)
        rows = within_materials(table, materials, weights=keep)
        weighed = rows / scale[:, np.newaxis]
        sums = shares_over_time(weighed[:, :2], weighed[:, 2], changed)
        slopes = sums.slopes()
    return sums, known & ~keep


def _scale_of_kind(rest: _Array, kind: NDArray[np.object_]) -> _Array:
    """Return the deviation of each row's kind by the rows before it, the first ``_FEWEST_OF_A_KIND`` as one, or NaN."""
    scale = np.full(rest.size, np.nan)
    for name in set(kind.tolist()):
        here = np.flatnonzero((kind == name) & np.isfinite(rest))
        grown = pd.Series(np.abs(rest[here])).expanding(_FEWEST_OF_A_KIND).quantile(WITHIN_ONE).shift().bfill()
        scale[here] = grown.to_numpy()
    return np.where(scale > 0.0, scale, np.nan)
