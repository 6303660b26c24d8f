"""Calls that judging one run makes, counted over the sample laboratory's runs: ``python -m tests.benchmarks.calls``.

The numbers are means a run; causes, which only strange runs ask for, are counted with them.
"""

from __future__ import annotations

import sys
from collections import Counter
from types import FrameType

from labcalc.judgement import gather, judge

ASKED = {
    "line fits": {"fit_viscosity_temperature", "estimate_viscosity_temperature"},
    "densities at 60 °F": {"density_at_60F"},
    "look-ups of precision": {"precision_for"},
    "agreements of repeats": {"agreement_of"},
    "certificates looked up": {"certificates_in_use"},
}


def main() -> None:
    material = gather()
    dossiers = [material.dossier(run) for run in material.runs]
    judge(dossiers[0])
    counted: Counter[str] = Counter()

    def count(frame: FrameType, event: str, argument: object) -> None:
        if event == "call" and "labcalc" in frame.f_code.co_filename:
            counted[frame.f_code.co_name] += 1

    sys.setprofile(count)
    results = sum(len(judge(dossier).results) for dossier in dossiers)
    sys.setprofile(None)
    print(f"{len(dossiers)} runs, {results / len(dossiers):.1f} results a run; a run:")
    for what, names in ASKED.items():
        print(f"  {sum(counted[name] for name in names) / len(dossiers):7.1f} {what}")
    print(f"  {counted.total() / len(dossiers):7.0f} calls of labcalc's functions")


if __name__ == "__main__":
    main()
