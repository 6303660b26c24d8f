"""Causes of one run, as times and as ratios to judging a run: ``python -m tests.benchmarks.causes``.

Each round gets its runs put together anew, as dossiers, evidence and the record keep what they once worked out.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable

from labcalc.judgement import Dossier, gather_record, judge
from labcalc.judgement.causes import evidence_of, rank_causes
from labcalc.judgement.run.conformity import earlier_runs_check
from tests.benchmarks.timing import Made, fresh_cpu_seconds

_RUNS, _ROUNDS = 60, 3
_LIMIT_MS, _AIM_MS = 40.0, 10.0


def imported(words: str) -> float:
    """Return the CPU time that a new Python takes to import something, the least of five, [ms]."""
    code = f"import time; a = time.process_time(); {words}; print((time.process_time() - a) * 1e3)"
    return min(float(subprocess.check_output([sys.executable, "-c", code])) for _ in range(5))


def main() -> None:
    """Print the times and ratios."""
    material = gather_record()
    table = material.reading.table
    runs = list(dict.fromkeys(table.loc[table["role"] != "reference", "run"]))
    some = runs[-_RUNS:]

    def dossiers() -> list[Dossier]:
        return [material.dossier(run) for run in some]

    def milliseconds(make: Callable[[], list[Made]], work: Callable[[Made], object]) -> float:
        """Return the time of one run."""
        return 1e3 / len(some) * fresh_cpu_seconds(make, lambda made: [work(one) for one in made], _ROUNDS)

    judging = milliseconds(dossiers, judge)
    gathering = milliseconds(dossiers, evidence_of)
    ranking = milliseconds(lambda: [evidence_of(one) for one in dossiers()], rank_causes)
    results = {one.run: judge(one).results for one in dossiers()}
    checking = milliseconds(dossiers, lambda one: earlier_runs_check(one, results[one.run]))
    print(f"CPU time, the least of {_ROUNDS} rounds over {len(some)} runs, each anew")
    print(f"judging a run: {judging:.1f} ms; its evidence: {gathering:.1f} ms; ranking: {ranking:.1f} ms")
    print(
        f"ranking: at most {_LIMIT_MS:g} ms wanted, {_AIM_MS:g} ms aimed at; ratio to judging {ranking / judging:.2f}"
    )
    print(f"the check against earlier runs: {checking:.2f} ms, {checking / judging:.1%} of judging")
    bare = imported("from labcalc.judgement import judge")
    more = imported("from labcalc.judgement import judge; from labcalc.judgement.causes import rank_causes")
    print(f"imports in a new Python, CPU time, the least of five: judging {bare:.0f} ms; with causes {more:.0f} ms")


if __name__ == "__main__":
    main()
