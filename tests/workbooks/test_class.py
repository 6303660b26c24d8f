"""A class on one server: several learners at once, each with a kernel that ends with its tab, and nobody meets."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from labcalc.lessons import LESSONS, class_table, draw_test, read_result
from labcalc.workbooks import copy_sample_laboratory, serving
from tests.class_server import Server, course_of, served

pytestmark = pytest.mark.slow

LEARNERS = {"Ana": "repeats", "Børge": "charts", "Chidi": "residue", "Dora": "repeats"}
"""Who takes which lesson at the same time; two take the same one."""

ANSWERS = """
from labcalc.widgets.lesson_end import ClosingTest
closing = ClosingTest(panels.lesson, panels.learner, panels._results, panels._journal)
closing.head.press("draw", attempt="1")
for field in closing.fields:
    field.form.press("", answer=field.question.answer_text)
closing._check()
print(closing.foot.text)
"""
"""What a learner does at the end: draw the test, answer it, check and save."""


def test_four_learners_at_once_on_one_server_each_save_their_own(tmp_path: Path) -> None:
    lab = copy_sample_laboratory(tmp_path / "laboratory")
    courses = {learner: course_of(learner, lab, tmp_path / "class") for learner in LEARNERS}
    names = {one.name: one.workbook for one in LESSONS}
    with served(courses["Ana"]) as server:
        kernels = {
            learner: server.open(courses[learner] / f"{names[lesson]}.ipynb") for learner, lesson in LEARNERS.items()
        }
        sent = {learner: [*kernel.take(), kernel.begin(ANSWERS)] for learner, kernel in kernels.items()}
        said = {learner: [kernels[learner].end(one) for one in waiting][-1] for learner, waiting in sent.items()}
        assert server.kernels == {one.name for one in kernels.values()}
    for learner, lesson in LEARNERS.items():
        number = len(draw_test(lesson, learner).questions)
        assert f"{number} of {number} right. Saved as" in said[learner]
        assert {one.name for one in courses[learner].glob("answers_*")} <= {
            f"answers_{lesson}_{learner.casefold()}.json"
        }
    results = [read_result(one) for one in (tmp_path / "class").glob("*.json")]
    assert {(one.learner, one.lesson) for one in results} == set(LEARNERS.items())
    assert class_table(tmp_path / "class").refusals == ()


def test_a_kernel_ends_with_its_tab_and_no_other_does(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The server's own clock, hurried: a kernel that a tab is connected with stays, however long nothing is asked."""
    monkeypatch.setattr(serving, "_IDLE_S", 10)
    lab = copy_sample_laboratory(tmp_path / "laboratory")
    course = course_of("Ana", lab, tmp_path / "class")
    with served(course) as server:
        stays, goes = (server.open(course / f"{one.workbook}.ipynb") for one in LESSONS[:2])
        for one in (stays, goes):
            one.end(one.begin("print(1)"))
        time.sleep(15.0)
        assert server.kernels == {stays.name, goes.name}
        goes.socket.close()
        assert _left(server, 1) == {stays.name}
        stays.socket.close()
        assert _left(server, 0) == set()


def _left(server: Server, number: int) -> set[str]:
    """Return the kernels that live once there are so few, or after a minute."""
    ends = time.monotonic() + 60.0
    while len(found := server.kernels) > number and time.monotonic() < ends:
        time.sleep(0.5)
    return found
