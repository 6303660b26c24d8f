"""Do the tests notice a wrong program? ``python -m tests.benchmarks.mutants ROOM N --seed S [--jobs J] [--slow]``.

N changes of one spot each (``mutations.py``) are drawn by the seed from all that labcalc/ROOM has room for. Each is
made in a copy of the tree, where those tests of the room run that import the changed module, the nearest and quickest
first, until one fails. A change that no test notices has lived; some of these mean the same as before, and are counted
all the same. Tests that fail without a change are named and left out.
"""

from __future__ import annotations

import argparse
import compileall
import os
import py_compile
import queue
import random
import re
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

ROOT = Path(__file__).parents[2]

_LEFT_ALONE = shutil.ignore_patterns(".git", ".venv", "__pycache__", ".*_cache", ".hypothesis", "*.egg-info", "dist")
_NO_TESTS = 5
"""pytest's code where no test has the mark that was asked for."""
_FAILED = re.compile(r"^(?:FAILED|ERROR) (.+?)(?: - |$)", re.MULTILINE)
_LONGEST = 3.0
"""Times that the tests of a mutant may take of what they take unchanged; longer is noticed too."""
_START_S = 10.0
"""What pytest may take to start, [s], on a machine with other work."""


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
        try:
            code, told = self._pytest("-x", "-m", marks, *tests, longest_s=longest_s)
        except subprocess.TimeoutExpired:
            return f"time: more than {longest_s:.0f} s"
        if code in (0, _NO_TESTS):
            return ""
        failed = _FAILED.search(told)
        return failed.group(1) if failed else f"pytest ended with {code}: {told[-200:]}"

    def unchanged(self, tests: list[str], marks: str) -> tuple[dict[str, float], float, list[str]]:
        """Return what the tests of each file take, [s], what all of pytest took, and which tests fail."""
        report = self.folder / "unchanged.xml"
        began = time.perf_counter()
        _, told = self._pytest(f"--junitxml={report}", "-o", "junit_family=xunit1", "-m", marks, *tests)
        whole, seconds = time.perf_counter() - began, dict.fromkeys(tests, 0.0)
        for case in ElementTree.parse(report).iter("testcase"):
            seconds[case.get("file", "")] = seconds.get(case.get("file", ""), 0.0) + float(case.get("time", 0.0))
        return seconds, whole, _FAILED.findall(told)

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
        try:
            told, _ = process.communicate(timeout=longest_s)
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            process.communicate()
            raise
        return process.returncode, told


class Room:
    """A room's tests: which concern a module, what they take unchanged, and whether they notice a change."""

    def __init__(self, room: str, mutants: list[Mutant], copies: list[Copy], marks: list[str]) -> None:
        self.imports, self.marks = ImportMap(ROOT), marks
        self.copies: queue.Queue[Copy] = queue.Queue()
        for copy in copies:
            self.copies.put(copy)
        self.own = self._tests_of(room)
        needed = sorted({test for mutant in mutants for test in self.concerned(mutant.path)})
        self.unchanged = {mark: copies[0].unchanged(needed, mark) for mark in marks}
        self.failing = sorted({test for _, _, failing in self.unchanged.values() for test in failing})

    def _tests_of(self, room: str) -> dict[str, dict[str, int]]:
        """Return the tests of a room, by folder, name or use, and how far from each the modules are."""
        first = room.partition("/")[0]
        beside = [path for path in (ROOT / "tests").glob("test_*.py") if path.name.startswith(f"test_{first}")]
        inside = sorted((ROOT / "tests" / first).rglob("test_*.py"))
        found = {path: self.imports.distances(path) for path in (*inside, *sorted(beside))}
        for path in sorted(set((ROOT / "tests").glob("test_*.py")) - set(beside)):
            distances = self.imports.distances(path)
            if any(
                distance == 1 and f"{name}.".startswith(f"labcalc.{first}.") for name, distance in distances.items()
            ):
                found[path] = distances
        return {str(path.relative_to(ROOT)): distances for path, distances in found.items()}

    def concerned(self, path: Path) -> dict[str, int]:
        """Return the tests that import a module, with their distance; all of the room where none does."""
        module = self.imports.names[ROOT / path]
        near = {test: distances[module] for test, distances in self.own.items() if module in distances}
        return near or dict.fromkeys(self.own, 0)

    def noticed(self, mutant: Mutant) -> str:
        """Return which test notices a change, the nearest and quickest asked first; empty where none does."""
        copy = self.copies.get()
        try:
            for mark in self.marks:
                seconds, whole, _ = self.unchanged[mark]
                near = self.concerned(mutant.path)
                tests = sorted(near, key=lambda test: (near[test], seconds[test]))
                start = _START_S + whole - sum(seconds.values())
                longest = _LONGEST * (start + sum(seconds[test] for test in tests))
                left_out = [word for test in self.failing for word in ("--deselect", test)]
                if killer := copy.noticed(mutant, [*left_out, *tests], mark, longest):
                    return killer
            return ""
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
        killed = 0
        for mutant, killer in zip(drawn, pool.map(room.noticed, drawn), strict=True):
            killed += bool(killer)
            print(f"{mutant}  {f'killed by {killer}' if killer else 'LIVED'}", flush=True)
    print(f"killed {killed} of {len(drawn)} decided ({100.0 * killed / max(1, len(drawn)):.0f} %), seed {given.seed}")


if __name__ == "__main__":
    main()
