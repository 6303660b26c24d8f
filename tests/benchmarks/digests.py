"""Two folders of reports, held against each other by digest: ``python -m tests.benchmarks.digests BEFORE AFTER``.

Exit 1 if a page that both hold differs, or only one of them holds it. The index and the state beside it tell when
reports were rendered, and are left out.
"""

from __future__ import annotations

import hashlib
import sys
from pathlib import Path

OF_THE_MOMENT = {"index.html", ".labcalc-reports.jsonl"}


def digests(folder: Path) -> dict[str, str]:
    pages = (path for path in folder.rglob("*") if path.is_file() and path.name not in OF_THE_MOMENT)
    return {str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() for path in pages}


def main(before: str, after: str) -> int:
    old, new = digests(Path(before)), digests(Path(after))
    differ = sorted(name for name in old.keys() | new.keys() if old.get(name) != new.get(name))
    for name in differ:
        print(f"{old.get(name, '-'):.12} {new.get(name, '-'):.12} {name}")
    print(f"{len(old)} files before, {len(new)} after, {len(differ)} differ")
    return 1 if differ else 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
