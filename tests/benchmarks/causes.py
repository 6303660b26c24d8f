"""Causes of one run and of all, as times and as ratios to judging a run: ``python -m tests.benchmarks.causes``.

Time of the process, not of the clock: other work on the machine doesn't count.
"""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable

from labcalc.judgement import Judgement, gather_record, judge
from labcalc.judgement.causes import evidence_of, rank_causes, screen
from labcalc.judgement.run.previous_results import earlier_runs_check

_RUNS = 120
_LIMIT_MS, _AIM_MS, _SCREEN_LIMIT_S = 50.0, 10.0, 2.0


def milliseconds(call: Callable[[], object], number: int) -> float:
    """Return the time of one of ``number`` calls in a row, the quickest of three rows, [ms]."""
    times = []
    for _ in range(3):
        began = time.process_time()
        call()
        times.append((time.process_time() - began) * 1e3 / number)
    return min(times)


def imported(words: str) -> float:
    """Return the time that a new Python takes to import something, the quickest of five, [ms]."""
    code = f"import time; a = time.process_time(); {words}; print((time.process_time() - a) * 1e3)"
    return min(float(subprocess.check_output([sys.executable, "-c", code])) for _ in range(5))


def main() -> None:
    """Print the times and ratios."""
    material = gather_record()
    table = material.reading.table
    runs = list(dict.fromkeys(table.loc[table["role"] != "reference", "run"]))
    dossiers = [material.dossier(run) for run in runs[-_RUNS:]]
    judgements: list[Judgement] = [judge(dossier) for dossier in dossiers]
    evidence = [evidence_of(dossier) for dossier in dossiers]
    judging = milliseconds(lambda: [judge(one) for one in dossiers], len(dossiers))
    gathering = milliseconds(lambda: [evidence_of(one) for one in dossiers], len(dossiers))
    ranking = milliseconds(lambda: [rank_causes(one) for one in evidence], len(evidence))
    checking = milliseconds(lambda: [earlier_runs_check(one.dossier, one.results) for one in judgements], len(dossiers))
    screening = milliseconds(lambda: screen(material), len(runs))
    print(f"judging a run: {judging:.1f} ms; its evidence: {gathering:.1f} ms; ranking: {ranking:.1f} ms")
    print(
        f"ranking: at most {_LIMIT_MS:g} ms wanted, {_AIM_MS:g} ms aimed at; ratio to judging {ranking / judging:.2f}"
    )
    print(f"the check against earlier runs: {checking:.2f} ms, {checking / judging:.1%} of judging")
    print(f"screening 1 000 runs: {screening:.2f} s, at most {_SCREEN_LIMIT_S:g} s wanted")
    print(f"ratio of a run ranked alone to one screened: {(gathering + ranking) / screening:.1f}")
    bare, more = imported("import labcalc.judgement"), imported("import labcalc.judgement.causes")
    print(f"imports: judgement {bare:.0f} ms; with causes {more:.0f} ms, which a releasable run doesn't need")


if __name__ == "__main__":
    main()
