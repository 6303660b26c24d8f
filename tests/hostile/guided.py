"""Fuzzing that follows which lines the bytes reach, by atheris (Linux and macOS; ``pip install atheris``).

``python -m tests.hostile.guided csv -max_total_time=600``: what is found goes to ``found/`` and is tested from then on.
"""

import sys
import tempfile
from pathlib import Path

import atheris  # type: ignore[import-not-found]

with atheris.instrument_imports(include=["labcalc"]):
    from tests.hostile.targets import TARGETS, feed

    target, folder = sys.argv[1], Path(tempfile.mkdtemp())
    start = TARGETS[target][1](folder)
    feed(target, start)  # what is imported late is followed too

for path in folder.iterdir():
    path.unlink()
(folder / "good").write_bytes(start)
found = f"-artifact_prefix={Path(__file__).parent / 'found' / target}."
atheris.Setup([sys.argv[0], found, *sys.argv[2:], str(folder)], lambda data: feed(target, data))
atheris.Fuzz()
