"""The exercise form of the lessons, made from the solution: ``python -m tests.exercise_forms``.

A cell tagged ``answer`` is left out; one that bears a prompt (``labcalc.prompt`` in its metadata) shows it instead. The
exercise is for a person at the keyboard, so its parameter ``controls`` is true.
"""

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from labcalc.errors import WorkbookError
from labcalc.shipped import workbook_file

_ANSWER = "answer"
_CONTROLS = "controls: bool = False", "controls: bool = True"


def lesson_files() -> tuple[Path, ...]:
    """Return the lessons, with their answers, in the order of the course."""
    return tuple(sorted(workbook_file("lessons/any").parent.glob("*.ipynb")))


def exercise_form(solution: str, name: str) -> str:
    """Return the exercise form of a lesson as the text of a notebook; the same for the same solution.

    solution : Text of the notebook with its answers.
    name : Its file name, for messages.
    Raises WorkbookError : The text is no notebook, or no cell of it is tagged ``answer``.
    """
    try:
        notebook = json.loads(solution)
        cells = list(_exercise_cells(notebook["cells"]))
    except (json.JSONDecodeError, KeyError, TypeError) as failure:
        raise WorkbookError(f"{name}: not a notebook: {failure}") from failure
    if not any(_ANSWER in _tags(cell) for cell in notebook["cells"]):
        raise WorkbookError(f"{name}: no cell bears the tag '{_ANSWER}', so there is no exercise to make of it")
    return json.dumps({**notebook, "cells": cells}, ensure_ascii=False, indent=1, sort_keys=True) + "\n"


def _exercise_cells(cells: list[dict[str, Any]]) -> Iterator[dict[str, Any]]:
    for cell in cells:
        if "parameters" in _tags(cell):
            yield {**cell, "source": [line.replace(*_CONTROLS) for line in cell["source"]]}
        elif _ANSWER not in _tags(cell):
            yield cell
        elif prompt := cell["metadata"].get("labcalc", {}).get("prompt"):
            yield _prompting(cell, str(prompt))


def _prompting(cell: Mapping[str, Any], prompt: str) -> dict[str, Any]:
    """Put the prompt in the place of the answer; nothing of the answer stays, neither source nor output nor tag."""
    asked: dict[str, Any] = {**cell, "metadata": {}, "source": prompt.splitlines(keepends=True)}
    if cell["cell_type"] == "code":
        asked |= {"outputs": [], "execution_count": None}
    return asked


def _tags(cell: Mapping[str, Any]) -> list[str]:
    return list(cell["metadata"].get("tags", []))


def write_exercises(folder: Path | None = None) -> tuple[Path, ...]:
    """Write the exercise form of every lesson, and return the files.

    folder : Where they go; none: ``exercises`` beside the lessons.
    """
    written = []
    for lesson in lesson_files():
        target = (folder or lesson.parent / "exercises") / lesson.name
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(exercise_form(lesson.read_text("utf-8"), lesson.name), "utf-8")
        written.append(target)
    return tuple(written)


if __name__ == "__main__":
    for one in write_exercises():
        print(one.name)
