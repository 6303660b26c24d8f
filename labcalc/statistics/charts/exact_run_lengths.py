"""Exact run lengths of the laboratory's charts: run rules, EWMA with or without limits of individuals.

Run rules give a finite chain (sparse). The averages of an EWMA give an integral equation, which Gauss-Legendre nodes
turn into a chain as well.
"""

import math

import numpy as np

from labcalc.statistics.charts.rules_as_chain import rule_chain
from labcalc.statistics.charts.run_length import RunLength, chain_run_length
from labcalc.statistics.charts.run_rules import RunRule
from labcalc.statistics.series import Array

_NODES = 81  # odd, so that the middle node is the centre line itself
_REACH = 10.0  # standard deviations beyond which a normal step doesn't go: 1.5e-23 of all


def rules_run_length(rules: tuple[RunRule, ...], shift: float = 0.0) -> RunLength:
    """Return the run length, [results], of a chart of individual results under run rules.

    rules : Rules that look at zones, [-]; trends and alternation have no finite chain: ``simulated_run_length``.
    shift : True mean off the centre line, [sigma].
    Raises ValueError : A rule looks at trends, or the rules have more than 4000 states.
    Source : Champ, C. W., Woodall, W. H.: Technometrics 29 (1987) 393.

    >>> from labcalc.statistics import WESTERN_ELECTRIC
    >>> round(rules_run_length(WESTERN_ELECTRIC).average, 2)
    91.75
    """
    from scipy.sparse import csr_array

    chain = rule_chain(rules)
    probabilities = chain.zone_probabilities(shift)
    states = len(chain.following)
    source, zone = np.nonzero(chain.following >= 0)
    matrix = csr_array((probabilities[zone], (source, chain.following[source, zone])), shape=(states, states))
    return chain_run_length(matrix, 0)


def ewma_run_length(
    weight: float, multiple: float = 3.0, shift: float = 0.0, *, individuals_limit: float = math.inf
) -> RunLength:
    r"""Return the run length of an EWMA chart with constant limits, alone or together with limits of individuals.

    .. math:: L(u) = 1 + \int L(y) \, f(y \mid u) \, dy

    over averages y within the limits that a result within its own limits can reach.

    weight : Weight λ of the newest result, [-], above 0 up to 1.
    multiple : Half width L of the limits in standard deviations of the average, [-], above 0.
    shift : True mean off the centre line, [sigma].
    individuals_limit : Half width of the limits of individual results on the same chart, [sigma]; infinite: EWMA alone.
    Returns : Distribution of the run length, [results]; its average within 1e-6 for EWMA alone, within 3e-4 together
        with limits of individuals, where it has kinks.
    Raises ValueError : A parameter is outside its range.
    Source : Crowder, S. V.: Technometrics 29 (1987) 401; Lucas, J. M., Saccucci, M. S.: Technometrics 32 (1990) 1.

    >>> round(ewma_run_length(0.5, 3.071).average, 0), round(ewma_run_length(0.5, 3.071, 1.0).average, 1)
    (500.0, 17.5)
    >>> round(ewma_run_length(0.4, 3.0, individuals_limit=3.0).average)
    235
    """
    if not 0.0 < weight <= 1.0:
        raise ValueError(f"EWMA weight {weight:g}: more than 0, up to 1 was expected")
    if not min(multiple, individuals_limit) > 0.0:
        raise ValueError(f"limits of {multiple:g} and {individuals_limit:g} sigma: more than 0 was expected")
    limit = multiple * math.sqrt(weight / (2.0 - weight))
    nodes = limit * np.polynomial.legendre.leggauss(_NODES)[0]
    kept = (1.0 - weight) * nodes
    lower = np.maximum(-limit, kept - weight * individuals_limit)
    upper = np.minimum(limit, kept + weight * individuals_limit)
    return chain_run_length(_reached(nodes, lower, upper, kept + weight * shift, weight), _NODES // 2)


def _reached(nodes: Array, lower: Array, upper: Array, mean: Array, spread: float) -> Array:
    """Return the chain over nodes: from each, a normal step cut to its own interval, spread over the nodes again."""
    inner, weights = np.polynomial.legendre.leggauss(_NODES)
    # No more than the step's own reach is integrated: a narrow step stays as well resolved as a wide one.
    reach = _REACH * spread
    lower, upper = np.clip(mean - reach, lower, upper), np.clip(mean + reach, lower, upper)
    half = (upper - lower) / 2.0
    places = (upper + lower)[:, np.newaxis] / 2.0 + half[:, np.newaxis] * inner
    masses = half[:, np.newaxis] * weights * _normal(places - mean[:, np.newaxis], spread)
    return np.asarray((masses[:, np.newaxis, :] @ _lagrange(nodes, places))[:, 0, :])


def _lagrange(nodes: Array, places: Array) -> Array:
    """Return the polynomials that are 1 at one node and 0 at all others, at other places (barycentric form)."""
    scaled = nodes / nodes[-1]
    barycentric = 1.0 / np.prod(2.0 * (scaled[:, np.newaxis] - scaled) + np.eye(nodes.size), axis=1)
    distance = places[..., np.newaxis] / nodes[-1] - scaled
    hit = distance == 0.0
    terms = barycentric / np.where(hit, 1.0, distance)
    values = terms / terms.sum(axis=-1, keepdims=True)
    return np.asarray(np.where(hit.any(axis=-1, keepdims=True), hit, values))


def _normal(deviation: Array, spread: float) -> Array:
    return np.asarray(np.exp(-0.5 * (deviation / spread) ** 2) / (spread * math.sqrt(2.0 * math.pi)))
