"""The wheel carries workbooks and sample laboratory, and does the main job in an environment of its own."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

PROJECT = Path(__file__).parents[1]

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build from a copy: other tests write compiled modules beside the sources, which come and go."""
    folder = tmp_path_factory.mktemp("wheel")
    shutil.copytree(PROJECT, folder / "source", ignore=shutil.ignore_patterns(".*", "__pycache__", "dist"))
    command = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(folder)]
    done = subprocess.run([*command, str(folder / "source")], capture_output=True, text=True)
    assert done.returncode == 0, f"{done.stdout[-1500:]}{done.stderr[-1500:]}"
    return next(folder.glob("labcalc-*.whl"))


def test_the_wheel_carries_workbooks_and_sample_laboratory(wheel: Path) -> None:
    names = set(zipfile.ZipFile(wheel).namelist())
    assert "labcalc/_shipped/notebooks/run_report.ipynb" in names
    assert "labcalc/_shipped/sample_runs/lab.toml" in names
    shipped = {path.name for path in (PROJECT / "sample_runs" / "exports").iterdir()}
    assert shipped == {Path(name).name for name in names if "/sample_runs/exports/" in name}
    assert not [name for name in names if "__pycache__" in name or name.startswith("tests/")]


def test_the_demo_runs_from_the_wheel_elsewhere(wheel: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An environment that holds labcalc only from the wheel; its dependencies are the ones installed here."""
    monkeypatch.delenv("PYTHONPATH", raising=False)
    subprocess.run([sys.executable, "-m", "venv", str(tmp_path / "env")], check=True)
    python = tmp_path / "env" / ("Scripts" if os.name == "nt" else "bin") / "python"
    pip = [str(python), "-m", "pip", "install", "--quiet", "--no-index", "--no-deps", str(wheel)]
    subprocess.run(pip, check=True, capture_output=True)
    site = next((tmp_path / "env").glob("lib/python*/site-packages"))
    here = next(path for path in map(Path, sys.path) if (path / "papermill").is_dir())
    (site / "dependencies.pth").write_text(str(here), encoding="utf-8")
    done = subprocess.run(
        [str(python), "-c", "import labcalc; print(labcalc.__file__)"],
        check=True,
        capture_output=True,
        text=True,
        cwd=tmp_path,
    )
    assert done.stdout.startswith(str(site)), "labcalc comes from the checkout, not from the wheel"
    labcalc = python.with_name("labcalc")
    environment = os.environ | {"JUPYTER_PATH": str(Path(sys.prefix) / "share" / "jupyter")}
    command = [str(labcalc), "demo", "--out", "pages"]
    done = subprocess.run(command, capture_output=True, text=True, cwd=tmp_path, env=environment)
    assert done.returncode == 0, done.stderr
    assert "These 4 rows were planted to be refused, and no other was." in done.stderr
    pages = list((tmp_path / "pages").glob("*.html"))
    assert (tmp_path / "pages" / "index.html") in pages
    assert len(pages) > 50
    assert "Traceback" not in done.stderr
