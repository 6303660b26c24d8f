"""Speed of the precision of duplicates, as ratios to one pass over the pairs: python -m tests.benchmarks.duplicates."""

from __future__ import annotations

import numpy as np

from labcalc import statistics
from tests.benchmarks.timing import HOW, cpu_seconds, report

PAIRS = 100_000


def main() -> None:
    """Print a line a function."""
    print(f"{HOW}; {PAIRS:.0e} pairs")
    random = np.random.default_rng(1)
    level = random.uniform(2.0, 1000.0, PAIRS)
    first, second = level * (1.0 + 0.001 * random.standard_normal((2, PAIRS)))
    results, sets = np.concatenate([first, second]), np.tile(np.arange(PAIRS), 2)
    plain = cpu_seconds(lambda: np.sqrt(np.mean((first - second) ** 2) / 2.0))
    logarithms = cpu_seconds(lambda: np.log(first / second))
    ordered = cpu_seconds(lambda: np.argsort(results))
    against = "the bare sum of squares"
    for work in (statistics.duplicate_precision, statistics.order_effect):
        report(work.__name__, against, PAIRS, lambda work=work: work(first, second), plain)
    report("agreement_limits", against, PAIRS, lambda: statistics.agreement_limits(first, second), plain)
    report("fit_power_law", "one logarithm", PAIRS, lambda: statistics.fit_power_law(first, second), logarithms)
    ranked = statistics.level_dependence
    report("level_dependence", "one sort of all results", PAIRS, lambda: ranked(first, second), ordered)
    pooled = statistics.pooled_precision
    report("pooled_precision", "one sort of all results", PAIRS, lambda: pooled(results, sets), ordered)


if __name__ == "__main__":
    main()
