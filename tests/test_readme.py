"""README.md's two lines are the ones that are run, and the project's top level is what it says."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

PROJECT = Path(__file__).parents[1]
README = (PROJECT / "README.md").read_text("utf-8")


def line_under(heading: str) -> str:
    found = re.search(rf"^## {heading}\n.*?^    (python3 [^\n]*)$", README, re.MULTILINE | re.DOTALL)
    assert found is not None
    return found[1]


def test_ci_runs_the_test_line_word_for_word() -> None:
    assert line_under("Test it") in (PROJECT / ".ci" / "run").read_text("utf-8").splitlines()


def test_the_first_line_ends_with_the_demo() -> None:
    assert line_under("Try it").endswith(".venv/bin/labcalc demo")


def test_top_level_is_what_was_agreed() -> None:
    try:
        listed = subprocess.run(["git", "ls-files"], cwd=PROJECT, capture_output=True, text=True, check=True).stdout
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("not a git checkout")
    top = {line.split("/")[0] for line in listed.splitlines()}
    expected = {"README.md", "DEVELOPERS.md", "pyproject.toml", "notebooks", "labcalc", "tests", "sample_runs"}
    assert {name for name in top if not name.startswith(".")} == expected
