"""Yes or no: a result beside its limit, guard bands, rules by name, and whose risk a rule is."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from itertools import product

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from labcalc import statistics
from labcalc.judgement import Material, judge
from labcalc.lab import precision_for
from labcalc.lessons.plots import Agreement, Array, Plot, Series, histogram, normal_draws, plot_of, share_curve
from labcalc.lessons.repeats import COVER_95
from labcalc.statistics import DECISION_RULES, one_sided_margin

ONE_SIDED_95 = 1.6448536269514722  # below it lie 95 % of a normal distribution, [standard deviations]
_LOTS = 200_000
_UNIFORM = 400_000
_WINDOW = 0.1  # results this near to the one in question count as that result, [standard uncertainties]
_NEAR = 2.0  # how far inside its limit the production of the lesson runs, [standard deviations of the production]


@dataclass(frozen=True)
class Case:
    """An upper limit, and what a result held against it is known with."""

    name: str
    unit: str
    limit: float
    decimals: int
    expanded_uncertainty: float  # of a result, k = 2
    reproducibility: float
    process_deviation: float  # how far the lots of the production differ
    usual_mean: float = math.nan  # mean of the production as it usually runs

    @property
    def standard_uncertainty(self) -> float:
        """Standard uncertainty of a result."""
        return self.expanded_uncertainty / 2.0

    @property
    def usual_distance(self) -> float:
        """How far inside the limit the production usually runs, in its standard deviations."""
        return (self.limit - self.usual_mean) / self.process_deviation

    @property
    def process_mean(self) -> float:
        """Mean of a production that runs near its limit."""
        return self.limit - _NEAR * self.process_deviation

    @property
    def results(self) -> tuple[float, ...]:
        """Results round the limit: inside and outside by more than U and by less, and one that rounds to the limit."""
        step, last = self.expanded_uncertainty / 3.0, 10.0**-self.decimals
        near = (-4.0 * step, -step, 0.4 * last, step, 4.0 * step)
        return tuple(round(self.limit + distance, self.decimals + 1) for distance in near)


def laboratory_case(material: Material, sample: str = "", temperature_C: float = 40.0) -> Case | None:
    """Return the upper limit of a product at a temperature, [°C], with U of its newest result.

    Of samples whose names begin so, the product measured last whose limit, U, R and usual level are known; else None.
    """
    rows = material.record[material.record["role"] == "sample"].sort_values("measured_at", kind="stable")
    rows = rows[rows["sample"].astype(str).str.startswith(sample)].drop_duplicates("product", keep="last")
    place = ("kinematic viscosity", temperature_C)
    for run in rows["run"][::-1]:
        dossier = material.dossier(str(run))
        if (made := dossier.product) is None:
            continue
        limit = next((one for one in made.limits if (one.quantity, one.temperature_C) == place), None)
        typical = next((one for one in made.typical if (one.quantity, one.temperature_C) == place), None)
        statement = precision_for(material.laboratory, made.precision_class, *place)
        result = judge(dossier).results.of(*place)
        if limit is None or typical is None or statement is None or result is None or not math.isfinite(limit.highest):
            continue
        spreads = 2.0 * result.budget.standard_uncertainty, float(statement.reproducibility.at(limit.highest))
        U, R = (round(one, limit.decimals + 1) for one in spreads)
        usual = typical.standard_deviation, typical.mean
        return Case(made.name, result.unit, limit.highest, limit.decimals, U, R, *usual)
    return None


def draw_case(generator: Generator) -> tuple[float, float]:
    """Draw an upper limit and the expanded uncertainty (k = 2) of results, [mm²/s]."""
    limit = round(float(generator.uniform(28.0, 110.0)), 1)
    return limit, round(limit * float(generator.uniform(0.005, 0.012)), 2)


def probability_inside(distance: float) -> float:
    """Return the probability that a true value is inside a limit, [-]; the result is ``distance`` inside, [u]."""
    return float(statistics.conformity_probability(-distance, 1.0, math.nan, 0.0).inside)


def acceptance_share(distance: float, guard: float) -> float:
    """Return how many results of a lot are accepted, [-]; true value ``distance`` inside the limit, guard band, [u]."""
    return math.erfc((guard - distance) / math.sqrt(2.0)) / 2.0


def risks(case: Case, guard: float, distance: float = _NEAR) -> tuple[float, float]:
    """Return the consumer's and the producer's risk, shares of all lots, [-].

    Guard band in expanded uncertainties; ``distance`` is how far inside the production runs, [its standard deviations].
    """
    spread = case.process_deviation
    mean, band = case.limit - distance * spread, guard * case.expanded_uncertainty
    found = statistics.global_risks(mean, spread, case.standard_uncertainty, math.nan, case.limit, band)
    return float(found.consumer), float(found.producer)


def verdict(case: Case, rule: statistics.DecisionRule, value: float) -> statistics.Conformity:
    """Decide by a rule; its band is U, or for one result of the method the 95 % margin of R."""
    width = case.expanded_uncertainty if rule.band == "U" else float(one_sided_margin(case.reproducibility))
    return statistics.decide_conformity(value, math.nan, case.limit, rule, width, case.decimals)


def rule_table(case: Case) -> list[tuple[str, ...]]:
    """Return what each decision rule says to each of the case's results, a row a rule."""
    return [(name, *(verdict(case, rule, value) for value in case.results)) for name, rule in DECISION_RULES.items()]


@lru_cache(maxsize=1)
def _true_values() -> Array:
    """True values of lots whose result came out as 0, of lots of any value, in standard uncertainties."""
    generator = np.random.default_rng(81)
    true = generator.uniform(-6.0, 6.0, _UNIFORM)
    return np.asarray(true[np.abs(true + generator.standard_normal(_UNIFORM)) < _WINDOW])


def _lots() -> tuple[Array, Array]:
    """Lots of a production and errors of their results, both standardised."""
    lots, errors = normal_draws(82, 2, _LOTS)
    return lots, errors


def _wrong(case: Case, guard: float, distance: float = _NEAR) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Tell of each simulated lot whether it is bad and accepted, and whether it is good and refused."""
    lots, errors = _lots()
    true = case.process_deviation * (lots - distance)
    accepted = true + case.standard_uncertainty * errors <= -guard * case.expanded_uncertainty
    return np.asarray((true > 0.0) & accepted), np.asarray((true <= 0.0) & ~accepted)


def plot_result(case: Case, result: float) -> Plot:
    """Show where the true values of lots lie whose result came out as this one."""
    u, offsets = case.standard_uncertainty, _true_values()
    edges = np.linspace(-4.0, 4.0, 41)
    bars = histogram(offsets, edges)
    theory = 50.0 * np.diff([math.erf(edge / math.sqrt(2.0)) for edge in edges.tolist()])
    series = (Series("simulated", result + u * bars.x, bars.y, "bars"), Series("theory", result + u * bars.x, theory))
    conform, inside = np.mean(result + u * offsets <= case.limit), probability_inside((case.limit - result) / u)
    numbers = {"case": case, "result": result, "conform": conform, "inside": inside}
    return plot_of("conformity", "result", numbers, series, marks=[case.limit])


def plot_acceptance(case: Case, guard: float) -> Plot:
    """Show how often a lot is accepted, by its true value, with a guard band of ``guard`` U."""
    inside, errors, band = np.linspace(-4.0, 4.0, 17), _lots()[1][:20_000], 2.0 * guard
    true = case.limit - case.standard_uncertainty * inside

    def inside_by(value: float) -> float:
        return (case.limit - value) / case.standard_uncertainty

    series = (
        share_curve("no guard band", true, lambda one: acceptance_share(inside_by(one), 0.0)),
        share_curve("with guard band", true, lambda one: acceptance_share(inside_by(one), band)),
        share_curve("simulated", true, lambda one: errors <= inside_by(one) - band, "points"),
    )
    at_limit, within = (100.0 * acceptance_share(distance, band) for distance in (0.0, 2.0))
    numbers = {"guard": guard, "at_limit": at_limit, "within": within, "case": case}
    return plot_of("conformity", "acceptance", numbers, series, marks=[case.limit])


_WRONGS = ("bad and accepted", "good and refused")


def _risk_curves(
    case: Case, places: Array, every: int, where: Callable[[float], tuple[float, float]]
) -> tuple[Series, ...]:
    """Return both risks by theory, and simulated at some places; ``where`` gives guard band and distance of a place."""
    theory = np.array([risks(case, *where(one)) for one in places.tolist()])
    at = places[::every]
    simulated = 100.0 * np.array([[np.mean(each) for each in _wrong(case, *where(one))] for one in at.tolist()])
    return (
        *(Series(name, places, 100.0 * theory[:, n]) for n, name in enumerate(_WRONGS)),
        *(Series(f"simulated, {name}", at, simulated[:, n], "points") for n, name in enumerate(_WRONGS)),
    )


def plot_risks(case: Case, guard: float) -> Plot:
    """Show both risks against the guard band, for a production near its limit."""
    series = _risk_curves(case, np.linspace(-1.0, 1.0, 21), 5, lambda band: (band, _NEAR))
    consumer, producer = (100.0 * share for share in risks(case, guard))
    numbers = {"case": case, "guard": guard, "consumer": consumer, "producer": producer}
    return plot_of("conformity", "risks", numbers, series, marks=[guard])


def plot_distance(case: Case) -> Plot:
    """Show both risks without a guard band, by how far inside the limit the production runs."""
    series = _risk_curves(case, np.linspace(1.0, 5.0, 17), 4, lambda one: (0.0, one))
    near, far = ([100.0 * share for share in risks(case, 0.0, distance)] for distance in (_NEAR, 4.0))
    return plot_of("conformity", "distance", {"distance": _NEAR, "near": near, "far": far}, series)


_STANDARD = Case("", "", 0.0, 1, 2.0, 1.0, 3.0)  # uncertainty 1, production with a standard deviation of 3


def conformity_agreements() -> tuple[Agreement, ...]:
    """Lay the claims of this lesson beside simulation."""
    accepted = _lots()[1] / (COVER_95 * math.sqrt(2.0)) < -float(one_sided_margin(1.0))
    claims = [
        Agreement.of_share("Result on the limit: the lot conforms", probability_inside(0.0), _true_values() <= 0.0),
        Agreement.of_share("Result inside by U/2: the lot conforms", probability_inside(1.0), _true_values() <= 1.0),
        Agreement.of_share("Lot at the limit, accepted 0.59 R inside", 0.05, accepted),
    ]
    for guard, (place, whose) in product((0.0, 1.0), enumerate(("Consumer's", "Producer's"))):
        risk, hits = risks(_STANDARD, guard)[place], _wrong(_STANDARD, guard)[place]
        claims.append(Agreement.of_share(f"{whose} risk, guard band {guard:g} U", risk, hits))
    return tuple(claims)
