"""Whose fault is it? Reference oils on all instruments against what an instrument, a cell, an oil or a paper does."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from labcalc.formulae import fit_viscosity_temperature
from labcalc.judgement.control.charts import Chart
from labcalc.wording import at_celsius, numeral, signed

Cause = Literal["instrument", "temperature", "oil", "oil on one instrument", "certificate"]

_CERTAIN = 0.01  # chance below which a deviation is called one, [-], over all that is tried (Holm): our own choice
_AS_GOOD = 6.0  # difference in chi-square below which one cause can't be told from another, [-]: odds of some 20 to 1


@dataclass(frozen=True, eq=False)
class Deviation:
    """How far the results of a chart lay off on average, in % of a viscosity or in kg/m³, with standard uncertainty."""

    chart: Chart
    size: float
    uncertainty: float
    number: int


@dataclass(frozen=True, eq=False)
class Attribution:
    """What explains deviations best."""

    cause: Cause
    instrument: str  # empty where it is no instrument's
    oil: str  # with its lot; empty where it is no oil's
    quantity: str
    temperature_C: float  # [°C]; NaN for every one
    size: float
    expanded_uncertainty: float
    unit: str
    charts: tuple[Chart, ...]  # those that it moves
    compared: int  # deviations that were compared, of all instruments
    others: tuple[str, ...]  # what can't be told from it

    @property
    def key(self) -> tuple[str, ...]:
        """What it is, whatever its size."""
        return _key(self)

    @property
    def finding(self) -> str:
        """What has happened, in a sentence without its end."""
        size = f"{signed(self.size)} ± {numeral(self.expanded_uncertainty)} {self.unit}"
        where = f"on {self.instrument}" if self.instrument else "on every instrument"
        at = at_celsius("", self.temperature_C)
        if self.cause == "temperature":
            return f"the cell{at} is {size} from its temperature, as the slopes of its oils say"
        if self.cause == "instrument":
            return f"all its oils read {size}{at}: the instrument has moved, not an oil"
        if self.cause == "certificate":
            return f"it reads {size} from its certificate{at} {where} since its first day, and other oils don't"
        alone = "alone " if self.compared > len(self.charts) else ""
        return f"it {alone}reads {size} {where}: the oil or its bottle"


@dataclass(frozen=True, eq=False)
class _Candidate:
    cause: Cause
    instrument: str
    oil: str
    quantity: str
    temperature_C: float
    unit: str
    pattern: NDArray[np.float64]  # what one unit of it does to each deviation

    @property
    def key(self) -> tuple[str, ...]:
        """What it is, whatever its size."""
        return _key(self)

    @property
    def words(self) -> str:
        at = at_celsius("", self.temperature_C)
        return {
            "instrument": f"{self.instrument} as a whole{at}",
            "temperature": f"the temperature of the cell of {self.instrument}{at}",
            "certificate": f"the certificate of {self.oil}{at}",
        }.get(self.cause, f"{self.oil} or its bottle")


def _key(one: Attribution | _Candidate) -> tuple[str, ...]:
    return one.cause, one.instrument, one.oil, one.quantity, f"{one.temperature_C:g}"


def attributed(
    deviations: Sequence[Deviation],
    about: Collection[int],
    beside: Sequence[Attribution] = (),
    *,
    from_certificate: bool = False,
) -> Attribution | None:
    """Return the one cause that explains most beside those already known; None where nothing more is certain.

    deviations : sequence of Deviation Of all charts of the laboratory over the same days, on every instrument.
    about : collection of int Identities of the charts whose deviation is to be explained: a cause that moves none of
        them is set beside.
    beside : sequence of Attribution Causes that are known already, of any size: they are fitted together with each that
        is tried.
    from_certificate : bool They are deviations from certified values since the first day: a lot's own is its
        certificate's then.
    """
    seen = np.array([id(one.chart) in about for one in deviations])
    y = np.array([one.size for one in deviations])
    u = np.array([one.uncertainty for one in deviations])
    known = {one.key for one in beside}
    candidates = list(_candidates(deviations, from_certificate))
    rest = _without(np.array([one.pattern / u for one in candidates if one.key in known]).reshape(-1, y.size))
    tried = [(one, *_amplitude(rest @ (one.pattern / u), rest @ (y / u))) for one in candidates if one.key not in known]
    if not tried:
        return None
    explained = np.array([(size / of) ** 2 for _, size, of in tried])
    best = int(explained.argmax())
    if not chdtrc(1, explained[best]) * len(tried) < _CERTAIN:
        return None
    found, size, of = tried[best]
    near = [tried[at][0] for at in np.argsort(-explained) if at != best and explained[best] - explained[at] < _AS_GOOD]
    touched = found.pattern != 0.0
    others = [one.words for one in near if (one.pattern != 0.0)[touched].any() and one.words != found.words]
    whose = Attribution(
        *(found.cause, found.instrument, found.oil, found.quantity, found.temperature_C, size, 2.0 * of, found.unit),
        charts=tuple(one.chart for one, moves in zip(deviations, touched, strict=True) if moves),
        compared=len(deviations),
        others=tuple(dict.fromkeys(others)),
    )
    if touched[seen].any():
        return whose
    return attributed(deviations, about, [*beside, whose], from_certificate=from_certificate)


def _without(known: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the projection that leaves nothing of some patterns, in standard uncertainties."""
    return np.eye(known.shape[1]) - np.linalg.pinv(known) @ known


def _amplitude(pattern: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[float, float]:
    """Return the size of a cause and its standard uncertainty, by weighted least squares; infinite where untold."""
    weight = float(pattern @ pattern)
    return (float(pattern @ y) / weight, 1.0 / math.sqrt(weight)) if weight > 1e-9 else (0.0, math.inf)


def _candidates(deviations: Sequence[Deviation], from_certificate: bool) -> Iterator[_Candidate]:
    charts = [one.chart for one in deviations]
    instruments = list(dict.fromkeys(one.instrument for one in charts))
    oils = list(dict.fromkeys((one.oil, one.lot) for one in charts))
    bottle: Cause = "certificate" if from_certificate else "oil"
    for quantity in dict.fromkeys(one.quantity for one in charts):
        unit, of = ("kg/m³", quantity) if quantity == "density" else ("%", quantity)
        own = np.array([one.quantity == quantity for one in charts])
        on = {name: own & np.array([one.instrument == name for one in charts]) for name in instruments}
        holding = {key: own & np.array([(one.oil, one.lot) == key for one in charts]) for key in oils}
        # where causes move the same charts, as with one oil alone, the first is named, and the others beside it
        for (name, here), ((oil, lot), held) in product(on.items(), holding.items()):
            oil_lot = f"{oil} lot {lot}" if lot else oil
            yield _Candidate("oil on one instrument", name, oil_lot, of, math.nan, unit, (here & held).astype(float))
        for name, here in on.items():
            yield _Candidate("instrument", name, "", of, math.nan, unit, here.astype(float))
            for at, alone in _at_one_temperature(charts, here):
                yield _Candidate("instrument", name, "", of, at, unit, alone.astype(float))
        for (oil, lot), held in holding.items():
            oil_lot = f"{oil} lot {lot}" if lot else oil
            yield _Candidate(bottle, "", oil_lot, of, math.nan, unit, held.astype(float))
            for at, alone in _at_one_temperature(charts, held) if from_certificate else ():
                yield _Candidate(bottle, "", oil_lot, of, at, unit, alone.astype(float))
    yield from _temperatures(charts, instruments)


def _at_one_temperature(charts: Sequence[Chart], some: NDArray[np.bool_]) -> Iterator[tuple[float, NDArray[np.bool_]]]:
    """Yield each temperature of some charts, and which of them are at it, where they are at several."""
    of = np.array([one.temperature_C for one in charts])
    several = np.unique(of[some])
    yield from ((at, some & (of == at)) for at in several.tolist() if several.size > 1)


def _temperatures(charts: Sequence[Chart], instruments: Sequence[str]) -> Iterator[_Candidate]:
    """Yield a cell at one of its temperatures, and one that is off at all of them."""
    slopes = _slopes(charts)
    for instrument in instruments:
        mine = np.array([one.instrument == instrument for one in charts]) & (slopes != 0.0)
        of = np.array([one.temperature_C for one in charts])
        temperatures = np.unique(of[mine]).tolist()
        for at in (*temperatures, *([math.nan] if len(temperatures) > 1 else [])):
            pattern = np.where(mine & (math.isnan(at) | (of == at)), slopes, 0.0)
            yield _Candidate("temperature", instrument, "", "kinematic viscosity", at, "K", pattern)


def _slopes(charts: Sequence[Chart]) -> NDArray[np.float64]:
    """Return what a kelvin does to each viscosity, [%]; 0 for a density, or where only one temperature is known."""
    levels: dict[tuple[str, str], dict[float, float]] = {}
    for one in charts:
        if one.quantity == "kinematic viscosity":
            levels.setdefault((one.oil, one.lot), {})[one.temperature_C] = float(np.median(one.values))
    return np.array([_slope(one, levels.get((one.oil, one.lot), {})) for one in charts])


def _slope(chart: Chart, levels: dict[float, float]) -> float:
    if chart.quantity == "density":
        return 0.0
    temperatures = sorted(levels)
    if len(temperatures) < 2 or not (np.diff([levels[at] for at in temperatures]) < 0.0).all():
        return 0.0
    line = fit_viscosity_temperature(temperatures, [levels[at] for at in temperatures])
    return 100.0 * float(line.relative_slope_at(chart.temperature_C))
