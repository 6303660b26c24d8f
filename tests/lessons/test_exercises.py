"""The exercise form of the lessons: in step with the solution, without its answers, and it runs."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from labcalc.errors import WorkbookError
from labcalc.lessons import LESSONS
from labcalc.workbooks import render_workbook
from tests.exercise_forms import exercise_form, lesson_files, write_exercises

FILES = lesson_files()
ids = [path.stem for path in FILES]


def cells(path: Path) -> list[dict[str, object]]:
    return list(json.loads(path.read_text("utf-8"))["cells"])


def test_each_lesson_of_the_course_has_its_workbook() -> None:
    assert [path.stem for path in FILES] == [lesson.workbook for lesson in LESSONS]


@pytest.mark.parametrize("path", FILES, ids=ids)
def test_solution_and_exercise_are_in_step(path: Path) -> None:
    """After a change: ``python -m tests.exercise_forms``."""
    exercise = path.parent / "exercises" / path.name
    assert exercise.read_text("utf-8") == exercise_form(path.read_text("utf-8"), path.name)
    assert {one.name for one in exercise.parent.glob("*.ipynb")} == {one.name for one in FILES}


@pytest.mark.parametrize("path", FILES, ids=ids)
def test_no_answer_is_left_in_the_exercise(path: Path) -> None:
    text = (path.parent / "exercises" / path.name).read_text("utf-8")
    answers = [cell for cell in cells(path) if "answer" in cell["metadata"].get("tags", [])]  # type: ignore[attr-defined]
    assert answers
    for cell in answers:
        assert json.dumps("".join(cell["source"]), ensure_ascii=False)[1:-1] not in text  # type: ignore[arg-type]
    assert '"answer"' not in text


@pytest.mark.parametrize("path", FILES, ids=ids)
def test_a_lesson_is_short_says_what_it_teaches_and_ends_with_a_test(path: Path) -> None:
    found = cells(path)
    assert len(found) <= 38
    assert len(cells(path.parent / "exercises" / path.name)) <= 32
    prose = ["".join(cell["source"]) for cell in found if cell["cell_type"] == "markdown"]  # type: ignore[arg-type]
    lesson = next(one for one in LESSONS if one.workbook == path.stem)
    assert prose[0].startswith(f"# {lesson.title}\n")
    assert "Afterwards you can" in prose[0]
    levels = [len(line) - len(line.lstrip("#")) for text in prose for line in text.splitlines() if line.startswith("#")]
    assert levels[0] == 1
    assert set(levels[1:]) == {2}
    source = path.read_text("utf-8").replace('\\"', '"')
    assert f'LessonPanels("{lesson.name}", learner, results, controls)' in source
    for call in ("panels.work()", "panels.draw(claims[0])", "panels.own(lab)", "panels.test()"):
        assert call in source


@pytest.mark.parametrize("path", FILES, ids=ids)
@pytest.mark.parametrize("form", ["", "exercises"])
def test_a_handout_has_pictures_and_the_test(path: Path, form: str, tmp_path: Path) -> None:
    words = {"learner": "Ana", "controls": False}
    report = render_workbook(path.parent / form / path.name, words, tmp_path / "lesson.html", title="Lesson")
    page = report.path.read_text("utf-8")
    assert report.figures >= 2
    assert "Drawn for Ana, attempt 1" in page
    assert ("Answer 1:" in page) is (form == "")
    assert "Question 5." in page


def notebook(*found: dict[str, object]) -> str:
    return json.dumps({"cells": found, "metadata": {}, "nbformat": 4, "nbformat_minor": 5})


def cell(kind: str, source: str, **metadata: object) -> dict[str, object]:
    outputs = {"outputs": [{"output_type": "stream"}], "execution_count": 3} if kind == "code" else {}
    return {"cell_type": kind, "id": source[:4], "source": [source], "metadata": metadata, **outputs}


def test_an_answer_is_left_out_or_replaced_by_its_prompt() -> None:
    solution = notebook(
        cell("code", "controls: bool = False  # who", tags=["parameters"]),
        cell("markdown", "The answer is 42.", tags=["answer"]),
        cell("code", "r = 42", tags=["answer", "keep_output"], labcalc={"prompt": "# yours\nr = ..."}),
        cell("code", "kept", tags=["keep_output"]),
    )
    made = json.loads(exercise_form(solution, "x.ipynb"))["cells"]
    assert [one["source"] for one in made] == [["controls: bool = True  # who"], ["# yours\n", "r = ..."], ["kept"]]
    assert (made[1]["outputs"], made[1]["execution_count"], made[1]["metadata"]) == ([], None, {})
    assert made[2]["outputs"]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("{", "x.ipynb: not a notebook"),
        ("{}", "x.ipynb: not a notebook"),
        (notebook(cell("code", "a")), "x.ipynb: no cell bears the tag 'answer', so there is no exercise to make of it"),
    ],
)
def test_what_no_exercise_can_be_made_of(text: str, message: str) -> None:
    with pytest.raises(WorkbookError, match=f"^{message}"):
        exercise_form(text, "x.ipynb")


def test_exercises_can_be_written_elsewhere(tmp_path: Path) -> None:
    written = write_exercises(tmp_path / "class")
    assert [path.name for path in written] == [path.name for path in FILES]
    assert all(path.parent == tmp_path / "class" for path in written)
