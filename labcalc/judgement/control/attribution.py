"""Whose fault is it? Reference oils on all instruments against what an instrument, a cell, an oil or a paper does."""

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
class _Candidate:
    """What may have moved charts, whatever its size."""

    cause: Cause
    instrument: str  # empty where it is no instrument's
    oil: str  # with its lot; empty where it is no oil's
    quantity: str
    temperature_C: float  # [°C]; NaN for every one
    unit: str
    pattern: NDArray[np.float64]  # what one unit of it does to each deviation

    @property
    def key(self) -> tuple[str, ...]:
        """What tells it from others."""
        return self.cause, self.instrument, self.oil, self.quantity, f"{self.temperature_C:g}"

    @property
    def words(self) -> str:
        """Its name, where it can't be told from another."""
        at = at_celsius("", self.temperature_C)
        return {
            "instrument": f"{self.instrument} as a whole{at}",
            "temperature": f"the temperature of the cell of {self.instrument}{at}",
            "certificate": f"the certificate of {self.oil}{at}",
        }.get(self.cause, f"{self.oil} or its bottle")


@dataclass(frozen=True, eq=False)
class Attribution(_Candidate):
    """What explains deviations best."""

    size: float
    expanded_uncertainty: float
    charts: tuple[Chart, ...]  # those that it moves
    compared: int  # deviations that were compared, of all instruments
    others: tuple[str, ...]  # what can't be told from it

    @property
    def finding(self) -> str:
        """What has happened, in a sentence without its end."""
        size = f"{signed(self.size)} ± {numeral(self.expanded_uncertainty)} {self.unit}"
        where = f"on {self.instrument}" if self.instrument else "on every instrument"
        at = at_celsius("", self.temperature_C)
        if self.cause == "temperature":
            by = "" if self.quantity else " in viscosity and density"
            return f"the cell{at} is {size} from its temperature, as the slopes of its oils{by} say"
        if self.cause == "instrument":
            return f"all its oils read {size}{at}: the instrument has moved, not an oil"
        if self.cause == "certificate":
            return f"it reads {size} from its certificate{at} {where} since its first day, and other oils don't"
        alone = "alone " if self.compared > len(self.charts) else ""
        return f"it {alone}reads {size} {where}: the oil or its bottle"


def attributed(
    deviations: Sequence[Deviation],
    about: Collection[int],
    beside: Sequence[Attribution] = (),
    *,
    from_certificate: bool = False,
) -> Attribution | None:
    """Return the one cause that explains most beside those already known; None where nothing more is certain.

    about : Identities of the charts whose deviation is to be explained: a cause that moves none of them is set beside.
    beside : Causes that are known already, of any size: they are fitted together with each that is tried.
    from_certificate : They are from certified values since the first day: a lot's own is its certificate's then.
    """
    seen = np.array([id(one.chart) in about for one in deviations])
    y = np.array([one.size for one in deviations])
    u = np.array([one.uncertainty for one in deviations])
    known = {one.key for one in beside}
    candidates = list(_candidates([one.chart for one in deviations], from_certificate))
    beside_it = np.array([one.pattern / u for one in candidates if one.key in known]).reshape(-1, y.size)
    rest = np.eye(y.size) - np.linalg.pinv(beside_it) @ beside_it  # leaves nothing of what is known
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
    if not found.instrument and touched.sum() > 1:  # how far instruments lie apart beyond what each is known to
        left = (rest @ (y / u) - size * (rest @ (found.pattern / u)))[touched]
        of *= max(1.0, float(np.linalg.norm(left)) / math.sqrt(touched.sum() - 1))
    others = [one.words for one in near if (one.pattern != 0.0)[touched].any() and one.words != found.words]
    whose = Attribution(
        **vars(found),
        size=size,
        expanded_uncertainty=2.0 * of,
        charts=tuple(one.chart for one, moves in zip(deviations, touched, strict=True) if moves),
        compared=len(deviations),
        others=tuple(dict.fromkeys(others)),
    )
    if touched[seen].any():
        return whose
    return attributed(deviations, about, [*beside, whose], from_certificate=from_certificate)


def pattern_of(known: Attribution, charts: Sequence[Chart]) -> NDArray[np.float64]:
    """Return what one unit of a known cause does to each of some charts, [unit of a deviation]; 0 where nothing."""
    return next((one.pattern for one in _candidates(charts, False) if one.key == known.key), np.zeros(len(charts)))


def _amplitude(pattern: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[float, float]:
    """Return the size of a cause and its standard uncertainty, by weighted least squares; infinite where untold."""
    weight = float(pattern @ pattern)
    return (float(pattern @ y) / weight, 1.0 / math.sqrt(weight)) if weight > 1e-9 else (0.0, math.inf)


def _candidates(charts: Sequence[Chart], from_certificate: bool) -> Iterator[_Candidate]:
    instruments = list(dict.fromkeys(one.instrument for one in charts))
    oils = dict.fromkeys((one.oil, one.lot) for one in charts)
    bottle: Cause = "certificate" if from_certificate else "oil"
    for quantity in dict.fromkeys(one.quantity for one in charts):
        own = np.array([one.quantity == quantity for one in charts])
        on = {name: own & np.array([one.instrument == name for one in charts]) for name in instruments}
        holding = {
            f"{oil} lot {lot}" if lot else oil: own & np.array([(one.oil, one.lot) == (oil, lot) for one in charts])
            for oil, lot in oils
        }
        # where causes move the same charts, as with one oil alone, the first is named, and the others beside it
        found: list[tuple[Cause, str, str, float, NDArray[np.bool_]]] = [
            ("oil on one instrument", name, oil, math.nan, here & held)
            for (name, here), (oil, held) in product(on.items(), holding.items())
        ]
        for name, here in on.items():
            found += [("instrument", name, "", at, which) for at, which in _by_temperature(charts, here)]
        for oil, held in holding.items():
            places = _by_temperature(charts, held)[: None if from_certificate else 1]
            found += [(bottle, "", oil, at, which) for at, which in places]
        unit = "kg/m³" if quantity == "density" else "%"
        for cause, name, oil, at, moves in found:
            yield _Candidate(cause, name, oil, quantity, at, unit, moves.astype(float))
    yield from _temperatures(charts, instruments)


def _by_temperature(charts: Sequence[Chart], some: NDArray[np.bool_]) -> list[tuple[float, NDArray[np.bool_]]]:
    """Return some charts, and those of them at each temperature where they are at several."""
    of = np.array([one.temperature_C for one in charts])
    several = np.unique(of[some]).tolist()
    return [(math.nan, some), *((at, some & (of == at)) for at in several if len(several) > 1)]


def _temperatures(charts: Sequence[Chart], instruments: Sequence[str]) -> Iterator[_Candidate]:
    """Yield a cell at one of its temperatures, and one that is off at all of them: by viscosity, and by both."""
    slopes, of = _slopes(charts), np.array([one.temperature_C for one in charts])
    of_viscosity = np.where([one.quantity == "density" for one in charts], 0.0, slopes)
    for instrument in instruments:
        mine = np.array([one.instrument == instrument for one in charts]) & (of_viscosity != 0.0)
        temperatures = np.unique(of[mine]).tolist()
        for at in (*temperatures, *([math.nan] if len(temperatures) > 1 else [])):
            here = np.array([one.instrument == instrument for one in charts]) & (math.isnan(at) | (of == at))
            for quantity, by in (("kinematic viscosity", of_viscosity), ("", slopes)):
                pattern = np.where(here, by, 0.0)
                if quantity or pattern[of_viscosity == 0.0].any():
                    yield _Candidate("temperature", instrument, "", quantity, at, "K", pattern)


def _slopes(charts: Sequence[Chart]) -> NDArray[np.float64]:
    """Return what a kelvin does to each chart, [% of a viscosity, kg/m³]; 0 where only one temperature is known."""
    levels: dict[tuple[str, ...], dict[float, float]] = {}
    for one in charts:
        levels.setdefault((one.quantity, one.oil, one.lot), {})[one.temperature_C] = float(np.median(one.values))
    slopes = np.zeros(len(charts))
    for place, one in enumerate(charts):
        known = sorted(levels[one.quantity, one.oil, one.lot].items())
        if len(known) > 1 and (np.diff(known, axis=0)[:, 1] < 0.0).all():
            if one.quantity == "density":
                slopes[place] = (known[-1][1] - known[0][1]) / (known[-1][0] - known[0][0])
            else:
                line = fit_viscosity_temperature(*zip(*known, strict=True))
                slopes[place] = 100.0 * float(line.relative_slope_at(one.temperature_C))
    return slopes
