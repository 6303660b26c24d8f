"""Where the workbooks and the sample laboratory lie: inside an installed wheel, or beside the package in a checkout."""

import csv
from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent

_DEMO_WEEKS = 3  # how many of the sample laboratory's last weeks the demo reports on


def _folder(name: str) -> Path:
    inside = _PACKAGE / "_shipped" / name
    return inside if inside.is_dir() else _PACKAGE.parent / name


def workbook_file(name: str) -> Path:
    """Return the notebook of a workbook, such as ``run_report``."""
    return _folder("notebooks") / f"{name}.ipynb"


def example_file(name: str) -> Path:
    """Return the published results that a workbook opens with, such as those of ``precision-study``."""
    return _folder("notebooks") / "examples" / f"{name.replace('-', '_')}.csv"


def workbook_files() -> dict[str, tuple[Path, ...]]:
    """Return the notebooks of each workbook by its name: one, or for a course its exercises."""
    home = _folder("notebooks")
    alone = {path.stem: (path,) for path in home.glob("*.ipynb")}
    courses = {path.parent.name: tuple(sorted(path.glob("*.ipynb"))) for path in home.glob("*/exercises")}
    return {name.replace("_", "-"): files for name, files in sorted({**alone, **courses}.items())}


def sample_lab() -> Path:
    """Return the lab.toml of the sample laboratory."""
    return _folder("sample_runs") / "lab.toml"


def sample_exports() -> tuple[Path, ...]:
    """Return the sample laboratory's exports of its last three weeks."""
    files = sorted((_folder("sample_runs") / "exports").iterdir(), key=lambda path: path.name)
    weeks = sorted({_week(path) for path in files})
    return tuple(path for path in files if _week(path) in weeks[-_DEMO_WEEKS:])


def planted_refusals() -> list[str]:
    """Return the names of the sample exports that hold a row that must be refused, one name a row, sorted."""
    with (_folder("sample_runs") / "planted_faults.csv").open(encoding="utf-8", newline="") as file:
        return sorted(row["file"] for row in csv.DictReader(file) if row["reader"] == "refuses")


def _week(path: Path) -> str:
    """Return the week that ends the file's name, such as ``2026-W13``."""
    return path.stem.rsplit("_", 1)[-1]
