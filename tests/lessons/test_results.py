"""A learner's result: written once, read back, refused where it doesn't hold together; a class's table."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from python_calamine import CalamineWorkbook

from labcalc.cli import main
from labcalc.errors import LessonError
from labcalc.lessons import (
    CLASS_COLUMNS,
    LESSONS,
    Journal,
    Learner,
    class_table,
    draw_test,
    grade,
    keep_learner,
    kept_learner,
    kept_result,
    read_result,
    save_result,
)

NOON = datetime(2026, 4, 1, 12, 0, tzinfo=UTC)


def saved(folder: Path, learner: str = "Ana", lesson: str = "repeats", wrong: int = 1, attempt: int = 1) -> Path:
    test = draw_test(lesson, learner, attempt)
    given = [question.answer_text for question in test.questions]
    given[:wrong] = [""] * wrong
    return save_result(grade(test, given, NOON), folder)


def changed(path: Path, change: Any) -> Path:
    words = json.loads(path.read_text("utf-8"))
    change(words)
    path.write_text(json.dumps(words, ensure_ascii=False), "utf-8")
    return path


@pytest.mark.parametrize("lesson", [lesson.name for lesson in LESSONS])
def test_a_result_comes_back_as_it_was(tmp_path: Path, lesson: str) -> None:
    test = draw_test(lesson, "Inês Okonkwo", 2)
    result = grade(test, ["", *(question.answer_text for question in test.questions[1:])], NOON)
    path = save_result(result, tmp_path / "class")
    assert path.name == f"{lesson}_inês-okonkwo_2_{test.seed:08x}.json"
    assert read_result(path) == result
    assert result.right == len(test.questions) - 1
    assert path.stat().st_size < 3000


def test_what_can_not_be_read_as_an_answer_is_not_right() -> None:
    test = draw_test("repeats", "Ana")
    assert grade(test, ["?", "many", "1 2", "x", "-"], NOON).right == 0


def test_an_attempt_is_saved_once(tmp_path: Path) -> None:
    before = saved(tmp_path).read_bytes()
    for name in ("Ana", "ANA", "  ana ", "\uff21na"):  # in other letters, spaces, forms of Unicode
        message = f"repeats_ana_1_23dcf1d8.json: attempt 1 of {' '.join(name.split())} is saved already"
        with pytest.raises(LessonError, match=f"^{re.escape(message)}"):
            saved(tmp_path, name, wrong=0)
    assert (tmp_path / "repeats_ana_1_23dcf1d8.json").read_bytes() == before
    assert kept_result(draw_test("repeats", "aNA"), tmp_path) == read_result(tmp_path / "repeats_ana_1_23dcf1d8.json")
    assert kept_result(draw_test("repeats", "Ana", 2), tmp_path) is None


def test_two_learners_whose_names_look_alike_in_a_file_name_do_not_meet(tmp_path: Path) -> None:
    assert saved(tmp_path, "Ana-Lima") != saved(tmp_path, "Ana Lima")
    assert saved(tmp_path, "A" * 80) != saved(tmp_path, "A" * 81)


@pytest.mark.parametrize(
    ("learner", "name"),
    [("../../x", "repeats_x_1_"), ("名前", "repeats_名前_1_"), ("..", "repeats_learner-2e-2e_1_")],
)
def test_a_name_is_never_a_path(tmp_path: Path, learner: str, name: str) -> None:
    path = saved(tmp_path, learner)
    assert path.parent == tmp_path
    assert path.name.startswith(name)
    assert read_result(path).learner == learner


def put(*place: Any) -> Any:
    *way, last, value = place

    def change(words: Any) -> None:
        for step in way:
            words = words[step]
        words[last] = value

    return change


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        (put("format", "x"), 'format: "x"; "labcalc lesson result 1" was expected'),
        (lambda words: words.pop("seed"), "seed: is missing"),
        (put("lesson", "viscosity"), "lesson: there is no lesson 'viscosity'; there are "),
        (put("learner", ""), "learner: a name is missing"),
        (put("learner", 7), "learner: 7; text was expected"),
        (put("attempt", 0), "attempt: attempt 0: 1 or more was expected"),
        (put("attempt", True), "attempt: true; a whole number was expected"),
        (put("seed", 7), "seed: 7; "),
        (put("saved", "yesterday"), 'saved: "yesterday"; a date and time with its zone was expected'),
        (
            put("saved", "2026-04-01T12:00:00"),
            'saved: "2026-04-01T12:00:00"; a date and time with its zone was expected',
        ),
        (put("answers", {}), "answers: {}; a list of objects was expected"),
        (put("answers", 1, "given", 3), "answers[2]: {"),
        (put("answers", 0, "right", "yes"), "answers[1]: {"),
        (put("answers", 0, 7), "answers[1]: 7; question, given and right (true or false) were expected"),
        (put("answers", 0, "right", True), "answers[1].right: true; false was expected"),
        (lambda words: words["answers"].pop(), "answers: 4 answers; 5 were expected"),
        (put("answers", 1, "question", "x"), 'answers[2].question: "x"; '),
        (put("answers", 1, "given", "-999999"), "answers[2].right: true; false was expected"),
        (put("score", "right", 5), "score.right: 5; 4 was expected"),
        (put("score", "of", 4), "score.of: 4; 5 was expected"),
        (put("score", 4), "score: 4; an object was expected"),
        (lambda words: words["versions"].pop("numpy"), "versions.numpy: is missing"),
    ],
)
def test_a_file_that_does_not_hold_together_is_refused_by_field(tmp_path: Path, change: Any, problem: str) -> None:
    path = changed(saved(tmp_path), change)
    with pytest.raises(LessonError, match=f"^{re.escape(f'repeats_ana_1_23dcf1d8.json: {problem}')}"):
        read_result(path)


def test_a_better_score_needs_better_answers(tmp_path: Path) -> None:
    def improve(words: Any) -> None:
        words["answers"][0]["right"], words["score"]["right"] = True, 5

    with pytest.raises(LessonError, match=re.escape("answers[1].right: true; false was expected")):
        read_result(changed(saved(tmp_path), improve))


@pytest.mark.parametrize(
    ("content", "problem"),
    [
        (b"\xff\xfe", "is not text in UTF-8, so it is no result of a lesson"),
        (b'{"lesson": ', "is not JSON: line 1, column 12"),
        (b"[]", "holds no JSON object, so it is no result of a lesson"),
        (b'{"run": 1}', "format: is missing"),
    ],
)
def test_a_file_of_another_kind(tmp_path: Path, content: bytes, problem: str) -> None:
    path = tmp_path / "other.json"
    path.write_bytes(content)
    with pytest.raises(LessonError, match=f"^{re.escape(f'other.json: {problem}')}$"):
        read_result(path)


def test_the_table_of_a_class(tmp_path: Path) -> None:
    saved(tmp_path / "monday", "Zoë", wrong=2)
    saved(tmp_path / "monday", "ana", wrong=0)
    saved(tmp_path / "tuesday", "ana", wrong=1, attempt=2)
    (tmp_path / "notes.json").write_text("{}", "utf-8")
    found = class_table(tmp_path)
    assert tuple(found.table.columns) == CLASS_COLUMNS
    assert found.table[["learner", "attempt", "right", "questions"]].to_numpy().tolist() == [
        ["ana", 1, 5, 5],
        ["ana", 2, 4, 5],
        ["Zoë", 1, 3, 5],
    ]
    missed = draw_test("repeats", "Zoë").questions[:2]
    assert found.table["not_right"].iloc[2] == ", ".join(question.name for question in missed)
    assert [str(refusal) for refusal in found.refusals] == ["notes.json: format: is missing"]


def test_a_result_of_another_edition_is_kept_and_told_apart(tmp_path: Path) -> None:
    changed(saved(tmp_path), put("versions", "lesson", "0"))
    changed(saved(tmp_path, "Béla"), put("answers", 1, "given", "-999999"))
    changed(
        saved(tmp_path, "Cleo"), lambda words: (put("versions", "lesson", "0")(words), put("score", "of", 9)(words))
    )
    assert len(class_table(tmp_path).refusals) == 2, "graded again where it can be, and whole where it can't"
    assert class_table(tmp_path).table["labcalc"].iloc[0].endswith(" (lesson edition 0, not graded again)")


def test_a_folder_without_results(tmp_path: Path) -> None:
    with pytest.raises(LessonError, match=r"no result file \(.json\) is there$"):
        class_table(tmp_path)
    with pytest.raises(LessonError, match=r"there is no such folder$"):
        class_table(tmp_path / "nowhere")


def test_the_matrix_has_first_and_best_attempts_and_what_is_missed_has_its_wrong_answer(tmp_path: Path) -> None:
    """By hand: 3 of 5, then 5 of 5; 5 of 6, where lesson 3 has one question of an earlier lesson: 83 %."""
    saved(tmp_path, "Zoë", wrong=2)
    saved(tmp_path, "Zoë", wrong=0, attempt=2)
    saved(tmp_path, "ana", "charts", wrong=1)
    found = class_table(tmp_path)
    assert found.matrix.loc["Zoë", "repeats"].tolist() == [60.0, 100.0]
    assert found.matrix.loc["ana", "charts"].tolist() == [83.0, 83.0]
    assert found.matrix["repeats"].isna().loc["ana"].all()
    assert found.missed[["asked", "missed"]].to_numpy().tolist() == [[1, 1]] * 3


def lessons(*words: str) -> Result:
    return CliRunner().invoke(main, ["lessons", *words])


def test_the_command_shows_a_class_and_names_what_it_refused(tmp_path: Path) -> None:
    saved(tmp_path, "ana", wrong=0)
    (tmp_path / "notes.json").write_text("{}", "utf-8")
    done = lessons("results", str(tmp_path))
    assert done.exit_code == 1
    assert "ana" in done.stdout
    assert done.stdout.splitlines()[-1].split()[:5] == ["ana", "repeats", "1", "5", "5"]
    assert done.stderr == "refused: notes.json: format: is missing\n1 result of 1 learner, 1 refused.\n"


def test_the_command_writes_a_class_and_no_name_becomes_a_formula(tmp_path: Path) -> None:
    saved(tmp_path, "=SUM(A1)")
    to = tmp_path / "class.csv"
    done = lessons("results", str(tmp_path), "--to", str(to))
    assert (done.exit_code, done.stderr) == (0, f"1 result of 1 learner, 0 refused; written to {to}.\n")
    head, row = to.read_text("utf-8").splitlines()
    assert head == ",".join(CLASS_COLUMNS)
    assert row.startswith("'=SUM(A1),repeats,1,4,5,")
    to.write_text("something else", "utf-8")
    for place, problem in ((to, "labcalc didn't make what is there"), (tmp_path / "x.txt", "can be written to .csv")):
        refused = lessons("results", str(tmp_path), "--to", str(place))
        assert refused.exit_code == 2
        assert problem in refused.stderr
    assert to.read_text("utf-8") == "something else"
    assert lessons("results", str(tmp_path), "--to", str(to), "--force").exit_code == 0


def test_the_workbook_of_a_class_is_read_back_by_another_reader(tmp_path: Path) -> None:
    """python-calamine reads the sheets; the numbers by hand."""
    saved(tmp_path, "Zoë", wrong=2)
    saved(tmp_path, "=SUM(A1)", wrong=0)
    to = tmp_path / "class.xlsx"
    assert lessons("results", str(tmp_path), "--to", str(to)).exit_code == 0
    book = CalamineWorkbook.from_path(to)
    assert book.sheet_names == ["class", "missed", "results"]
    rows = book.get_sheet_by_name("class").to_python()
    assert rows[0] == ["learner", "repeats first, %", "repeats best, %"]
    assert sorted(rows[1:]) == [["=SUM(A1)", 100.0, 100.0], ["Zoë", 60.0, 60.0]]
    before = to.read_bytes()
    assert lessons("results", str(tmp_path), "--to", str(to)).exit_code == 0
    assert to.read_bytes() == before


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["lessons", "results", "nowhere"], "nowhere: there is no such folder"),
        (["lessons", "handout", "out", "--lesson", "x"], "lesson: there is no lesson 'x'"),
        (["workbook", "run-report", "--learner", "Ana"], "a learner takes lessons: labcalc workbook lessons"),
        (["workbook", "lessons", "--results", "x"], "a learner takes lessons: labcalc workbook lessons"),
    ],
)
def test_words_that_the_command_can_not_use(words: list[str], message: str) -> None:
    done = CliRunner().invoke(main, words)
    assert done.exit_code == 2
    assert done.stderr.startswith(f"labcalc: {message}")
    assert len(done.stderr.splitlines()) == 1


@pytest.mark.slow
def test_handouts_are_of_each_learner_with_answers_for_the_trainer(tmp_path: Path) -> None:
    done = lessons("handout", str(tmp_path), "--answers", "--learner", "Ana", "--lesson", "bias")
    assert done.exit_code == 0, done.output
    assert done.output == f"1 of 1: {tmp_path / 'ana' / '10_off_or_only_chance_answers.html'}\n"
    page = (tmp_path / "ana" / "10_off_or_only_chance_answers.html").read_text("utf-8")
    assert "Drawn for Ana, attempt 1" in page
    assert "Answer 1:" in page


def test_a_course_keeps_its_learner_and_each_answer(tmp_path: Path) -> None:
    assert kept_learner(tmp_path) is None
    keep_learner(tmp_path, Learner("Inês", "class"))
    assert kept_learner(tmp_path) == Learner("Inês", "class")
    journal = Journal(tmp_path / "answers.json")
    journal.keep("one", ["0,3"])
    journal.keep("two", ["a", "b"])
    assert Journal(tmp_path / "answers.json").given("one") == ["0,3"]
    assert journal.given("two") == ["a", "b"]
    assert journal.given("three") == []
    journal.path.write_text("{", "utf-8")
    with pytest.raises(LessonError, match=r"^answers.json: can't be read .*; move it away to begin anew$"):
        journal.given("one")
