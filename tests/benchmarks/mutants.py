"""Do the tests notice a wrong program? ``python -m tests.benchmarks.mutants ROOM N --seed S [--jobs J] [--slow]``.

N changes of one spot each (``mutations.py``) are drawn by the seed from all that labcalc/ROOM has room for. Each is
made in a copy of the tree, where those tests of the room run that import the changed module, the nearest and quickest
first, until one fails. A change that no test notices has lived; some of these mean the same as before, and are counted
all the same. Tests that fail without a change are named and left out.
"""

from __future__ import annotations

import argparse
import compileall
import math
import os
import py_compile
import queue
import random
import re
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from xml.etree import ElementTree

from tests.benchmarks.import_map import ImportMap
from tests.benchmarks.mutations import Mutant, changed, mutants_of
from tests.benchmarks.timing import children_cpu_seconds

ROOT = Path(__file__).parents[2]

_LEFT_ALONE = shutil.ignore_patterns(".git", ".venv", "__pycache__", ".*_cache", ".hypothesis", "*.egg-info", "dist")
_NO_TESTS = 5
"""pytest's code where no test has the mark that was asked for."""
_FAILED = re.compile(r"^(?:FAILED|ERROR) (.+?)(?: - |$)", re.MULTILINE)
_LONGEST = 3.0
"""Times the CPU time of the unchanged tests that a mutant's may take; longer is noticed too."""
_START_S = 5.0
"""CPU time that pytest may take to start, [s]."""
_PATIENCE = 20.0
"""Times that limit on the clock until tests that do nothing are given up, on a machine with much other work."""
_OUT_OF_TIME = (-signal.SIGXCPU, -signal.SIGKILL)


class UndecidedError(Exception):
    """Tests that neither end nor take time: nothing is known of the change."""


class Copy:
    """A copy of the tree for changes, and how its tests went."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        shutil.copytree(ROOT, folder, ignore=_LEFT_ALONE)
        hashed = py_compile.PycInvalidationMode.CHECKED_HASH  # two changes within a second are told apart
        compileall.compile_dir(folder / "labcalc", quiet=2, invalidation_mode=hashed)

    def noticed(self, mutant: Mutant, tests: list[str], marks: str, longest_s: float) -> str:
        """Return which test notices a change; empty where none does."""
        path = self.folder / mutant.path
        source = path.read_text("utf-8")
        path.write_text(changed(source, mutant), "utf-8")
        try:
            return self.run(tests, marks, longest_s)
        finally:
            path.write_text(source, "utf-8")

    def run(self, tests: list[str], marks: str, longest_s: float) -> str:
        """Run tests until one fails; return its name, or empty."""
        code, told = self._pytest("-x", "-m", marks, *tests, longest_s=longest_s)
        if code in (0, _NO_TESTS):
            return ""
        if code in _OUT_OF_TIME:
            return f"time: more than {longest_s:.0f} s of the CPU"
        failed = _FAILED.search(told)
        return failed.group(1) if failed else f"pytest ended with {code}: {told[-200:]}"

    def unchanged(self, tests: list[str], marks: str) -> tuple[dict[str, float], list[str]]:
        """Return the CPU time that the tests of each file take, [s], and which tests fail."""
        report = self.folder / "unchanged.xml"
        used, began = children_cpu_seconds(), time.perf_counter()
        _, told = self._pytest(f"--junitxml={report}", "-o", "junit_family=xunit1", "-m", marks, *tests)
        share = (children_cpu_seconds() - used) / (time.perf_counter() - began)
        seconds = dict.fromkeys(tests, 0.0)
        for case in ElementTree.parse(report).iter("testcase"):
            file, took = case.get("file", ""), share * float(case.get("time", 0.0))
            seconds[file] = seconds.get(file, 0.0) + took
        return seconds, _FAILED.findall(told)

    def _pytest(self, *words: str, longest_s: float | None = None) -> tuple[int, str]:
        command = [sys.executable, "-m", "pytest", "-q", "--tb=no", "-p", "no:cacheprovider", *words]
        environment = {**os.environ, "PYTHONPATH": str(self.folder), "PYTHONDONTWRITEBYTECODE": "1"}
        process = subprocess.Popen(
            command,
            cwd=self.folder,
            env=environment,
            text=True,
            start_new_session=True,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
        )
        if longest_s is not None:
            resource.prlimit(process.pid, resource.RLIMIT_CPU, (math.ceil(longest_s), math.ceil(longest_s)))
        try:
            told, _ = process.communicate(timeout=longest_s and _PATIENCE * longest_s)
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            process.communicate()
            raise UndecidedError from None
        return process.returncode, told


class Room:
    """A room's tests: which concern a module, what they take unchanged, and whether they notice a change."""

    def __init__(self, room: str, mutants: list[Mutant], copies: list[Copy], marks: list[str]) -> None:
        self.imports, self.copies = ImportMap(ROOT), queue.Queue[Copy]()
        for copy in copies:
            self.copies.put(copy)
        self.own = self._tests_of(room)
        needed = sorted({test for mutant in mutants for test in self.concerned(mutant.path)})
        self.unchanged = {mark: copies[0].unchanged(needed, mark) for mark in marks}
        self.failing = sorted({test for _, failing in self.unchanged.values() for test in failing})

    def _tests_of(self, room: str) -> dict[str, dict[str, int]]:
        """Return the tests of a room, by folder, name or use, and how far from each the modules are."""
        first = room.partition("/")[0]
        beside = [path for path in (ROOT / "tests").glob("test_*.py") if path.name.startswith(f"test_{first}")]
        inside = sorted((ROOT / "tests" / first).rglob("test_*.py"))
        found = {}
        for path in (*inside, *sorted((ROOT / "tests").glob("test_*.py"))):
            distances = self.imports.distances(path)
            used = [name for name, distance in distances.items() if distance == 1]
            if path in (*inside, *beside) or any(f"{name}.".startswith(f"labcalc.{first}.") for name in used):
                found[str(path.relative_to(ROOT))] = distances
        return found

    def concerned(self, path: Path) -> dict[str, int]:
        """Return the tests that import a module, with their distance; all of the room where none does."""
        module = self.imports.names[ROOT / path]
        near = {test: distances[module] for test, distances in self.own.items() if module in distances}
        return near or dict.fromkeys(self.own, 0)

    def fate(self, mutant: Mutant) -> str:
        """Tell which test kills a mutant, the nearest and quickest asked first, or that it lived or isn't decided."""
        copy, near = self.copies.get(), self.concerned(mutant.path)
        left_out = [word for test in self.failing for word in ("--deselect", test)]
        try:
            for mark, (seconds, _) in self.unchanged.items():
                tests = sorted(set(near) - set(self.failing), key=lambda test: (near[test], seconds[test], test))
                longest = _LONGEST * (_START_S + sum(seconds[test] for test in tests))
                if killer := copy.noticed(mutant, [*left_out, *tests], mark, longest):
                    return f"killed by {killer}"
        except UndecidedError:
            return "not decided: the tests stood still"
        else:
            return "LIVED"
        finally:
            self.copies.put(copy)


def main() -> None:
    """Print a line a change, and the share that was noticed."""
    words = argparse.ArgumentParser(description=__doc__.partition("\n\n")[0])
    words.add_argument("room", help="a folder of labcalc/")
    words.add_argument("number", type=int, help="how many changes are drawn")
    words.add_argument("--seed", type=int, required=True)
    words.add_argument("--jobs", type=int, default=2)
    words.add_argument("--slow", action="store_true", help="ask the slow tests too where no other notices")
    given = words.parse_args()
    files = [path.relative_to(ROOT) for path in sorted((ROOT / "labcalc" / given.room).rglob("*.py"))]
    possible = [mutant for path in files for mutant in mutants_of(ROOT, path)]
    drawn = random.Random(given.seed).sample(possible, min(given.number, len(possible)))
    print(
        f"{len(drawn)} of {len(possible)} changes that {len(files)} files have room for, by seed {given.seed}",
        flush=True,
    )
    with tempfile.TemporaryDirectory() as name, ThreadPoolExecutor(given.jobs) as pool:
        copies = [Copy(Path(name) / str(number)) for number in range(given.jobs)]
        room = Room(given.room, drawn, copies, ["not slow", "slow"] if given.slow else ["not slow"])
        for test in room.failing:
            print(f"fails without a change, left out: {test}", flush=True)
        fates = []
        for mutant, fate in zip(drawn, pool.map(room.fate, drawn), strict=True):
            fates.append(fate.split()[0])
            print(f"{mutant}  {fate}", flush=True)
    killed, decided = fates.count("killed"), len(fates) - fates.count("not")
    print(f"killed {killed} of {decided} decided ({100.0 * killed / max(1, decided):.0f} %), seed {given.seed}")


if __name__ == "__main__":
    main()
