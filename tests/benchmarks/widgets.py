"""The page of controls in the kernel, in ms and as ratios: ``python -m tests.benchmarks.widgets``.

Only the kernel's share: what it takes to send a picture and to draw it in a browser is not in it.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

from labcalc.widgets import ProblemPage, open_problem, problem_of
from labcalc.widgets.runs import matching_runs, run_entries

SLIDER_MS = 100.0
"""What a moved slider may take until its picture is on its way, [ms]."""

TIMES = 15


def median_ms(act: Callable[[int], object]) -> float:
    """Return the median CPU time of a call, [ms], after one that isn't counted; each call gets its number."""
    times = []
    for number in range(TIMES + 1):
        started = time.process_time()
        act(number)
        times.append(1000.0 * (time.process_time() - started))
    return statistics.median(times[1:])


def measure() -> dict[str, float]:
    """Return the median times, [ms]."""
    problem = open_problem()
    page = ProblemPage(problem)
    material, runs = problem.material, [one.run for one in run_entries(problem.material)]
    sliders = list(page.what_if.sliders.values())

    def move(number: int) -> None:
        slider = sliders[number % len(sliders)]
        slider.value = slider.value + slider.step

    return {
        "slider": median_ms(move),
        "causes ranked": median_ms(lambda number: problem_of(material, runs[number]).explanations),
        "another run": median_ms(lambda number: page.pick(runs[number])),
        "letter typed": median_ms(lambda number: matching_runs(run_entries(material), "gas"[: number % 4], {})),
    }


if __name__ == "__main__":
    found = measure()
    print(
        f"CPU time of the kernel, the median of {TIMES} calls, each for another run, slider or word, after a first one"
    )
    for name, milliseconds in found.items():
        print(f"{name:15} {milliseconds:8.1f} ms   {milliseconds / found['slider']:8.1f} sliders")
    print(f"a slider takes {found['slider'] / SLIDER_MS:.1%} of the {SLIDER_MS:g} ms that it may")
