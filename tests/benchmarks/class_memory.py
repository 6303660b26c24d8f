"""Memory of a class on one server, learner by learner: ``python -m tests.benchmarks.class_memory [LEARNERS]``.

Each learner takes another lesson in a kernel of one JupyterLab, all cells run, every picture drawn. The figures are of
the server and of its kernels, on Linux, with what processes share shared out among them; and as a ratio to a kernel
that has run nothing.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from labcalc.lessons import LESSONS
from labcalc.workbooks import copy_sample_laboratory
from tests.class_server import course_of, megabytes, served

IDS = "import os; print(os.getpid())"


def measure(learners: int) -> None:
    """Print a line a learner."""
    with tempfile.TemporaryDirectory() as folder:
        lab = copy_sample_laboratory(Path(folder) / "laboratory")
        courses = [course_of(f"Learner {number + 1}", lab, Path(folder) / "class") for number in range(learners)]
        with served(courses[0]) as server:
            print(f"JupyterLab before anybody comes: {megabytes(server.pid):.0f} MB")
            pids: list[int] = []
            for number, course in enumerate(courses):
                lesson = LESSONS[number * len(LESSONS) // learners]
                kernel = server.open(course / f"{lesson.workbook}.ipynb")
                pids.append(int(kernel.end(kernel.begin(IDS))))
                idle = megabytes(pids[-1])
                for name in kernel.take():
                    kernel.end(name)
                taken = megabytes(pids[-1])
                print(f"{lesson.name:15} {taken:5.0f} MB, {taken / idle:.1f} × a kernel that has run nothing")
            kernels, own = sum(map(megabytes, pids)), megabytes(server.pid)
            print(
                f"{learners} learners: kernels {kernels:.0f} MB, {kernels / learners:.0f} each; JupyterLab {own:.0f} MB"
            )


if __name__ == "__main__":
    measure(int(sys.argv[1]) if len(sys.argv) > 1 else 4)
