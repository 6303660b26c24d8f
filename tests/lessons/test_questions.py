"""Questions: what is taken as right, what is said to what isn't, and that every drawn question holds together."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given, strategies as st

from labcalc.errors import LessonError
from labcalc.lessons import (
    LESSONS,
    Choice,
    Draft,
    NumberQuestion,
    Option,
    Question,
    Slip,
    drafts_of,
    draw_test,
    number_from,
    seed_of,
    worked_example,
)

DRAFTS = [(lesson.name, draft) for lesson in LESSONS for draft in lesson.drafts.test]
SEEDS = range(40)

LIMIT = NumberQuestion(
    "limit", "What is r?", 0.277, "mm²/s", 0.005, 3, "2.77 s.", (Slip(0.2, "That is 2 s."), Slip(0.3, "That is 3 s."))
)


def drawn(draft: Draft, seed: int) -> Question:
    return draft(np.random.default_rng(seed))


@pytest.mark.parametrize("typed", ["0.277", "0,277", " 0.277 mm²/s", "0.272", "0.282", "+.277", "2.77e-1"])
def test_a_number_is_taken_with_point_or_comma_and_to_both_ends_of_its_tolerance(typed: str) -> None:
    found = LIMIT.check(typed)
    assert found.right
    assert found.words == "Right: 0.277 mm²/s. 2.77 s."


@pytest.mark.parametrize("typed", ["0.2719", "0.2821", "-0.277", "277", "0.27", "0.29"])
def test_a_number_just_outside_is_not(typed: str) -> None:
    found = LIMIT.check(typed)
    assert found.words == f"Not {typed}: It is 0.277 mm²/s. 2.77 s."
    side = "more" if float(typed) < 0.277 else "less"
    assert found.hint == f"Not {typed}: It is {side} than that.", "the first try gives no solution away"


@pytest.mark.parametrize("typed", ["0.277 cSt", "0.277 mm2/s", "0,277 mm^2/s", "0.277 CST"])
def test_a_unit_may_be_written_in_any_of_its_ways(typed: str) -> None:
    assert LIMIT.check(typed).right


def test_a_word_of_the_question_may_follow_a_count() -> None:
    question = NumberQuestion("n", "How many pairs are needed?", 50.0, "", 0.5, 0, "")
    assert question.check("50 pairs").right
    with pytest.raises(LessonError, match=r"ends with 'cats'"):
        question.check("50 cats")
    with pytest.raises(LessonError, match=r"ends with '%'"):
        question.check("50 %")


@pytest.mark.parametrize(
    ("typed", "right"),
    [("0.087", True), ("0.0866", True), ("0.09", True), ("0.1", False), ("0.08", False), ("0.088", False)],
)
def test_what_is_rounded_to_two_figures_or_to_the_data_is_right(typed: str, right: bool) -> None:
    """0.15/√3 = 0.08660 by hand; two figures: 0.087; two decimals as 0.15 has: 0.09; one figure of neither: not."""
    question = NumberQuestion("u", "?", 0.0866025, "K", 0.0001, 4, "", (Slip(0.075, "k"),), data_decimals=2)
    found = question.check(typed)
    assert found.right is right
    assert found.words.startswith(
        "Right, but rounded: 0.0866 K." if right and typed != "0.0866" else "Right" if right else "Not"
    )


def test_rounding_never_hides_a_known_mistake() -> None:
    question = NumberQuestion("u", "?", 0.0866, "K", 0.0001, 4, "", (Slip(0.0872, "A mistake."),), data_decimals=2)
    assert not question.check("0.087").right


def test_a_level_is_not_rounded_to_two_figures() -> None:
    assert not NumberQuestion("l", "?", 46.532, "mm²/s", 0.005, 3, "", level=True).check("47").right


def test_a_known_mistake_is_named() -> None:
    assert LIMIT.check("0.2").words == "Not 0.2: That is 2 s. It is 0.277 mm²/s. 2.77 s."
    assert LIMIT.check("0.2").hint == "Not 0.2: That is 2 s."


@pytest.mark.parametrize(
    ("typed", "unit", "message"),
    [
        ("three", "%", "'three' is no number; a number such as 0.25 was expected"),
        ("", "%", "'' is no number; a number such as 0.25 was expected"),
        ("1.2.3", "%", "'1.2.3' ends with '.3'; a number in % was expected"),
        ("1e999", "%", "'1e999' ends with 'e999'; a number in % was expected"),
        ("0.3 %", "mm²/s", "'0.3 %' ends with '%'; a number in mm²/s was expected"),
        ("5 pairs", "", "'5 pairs' ends with 'pairs'; a number without a unit was expected"),
        ("5 cSt", "%", "'5 cSt' ends with 'cSt'; a number in % was expected"),
    ],
)
def test_what_is_no_number_is_refused_and_not_counted_as_wrong(typed: str, unit: str, message: str) -> None:
    with pytest.raises(LessonError, match=f"^{re.escape(message)}$"):
        number_from(typed, unit)


@given(st.floats(-1e6, 1e6).filter(lambda value: abs(value) > 1e-6))
def test_every_number_is_read_as_it_is_written(value: float) -> None:
    assert number_from(repr(value)) == value
    assert number_from(f"{value:.6f}".replace(".", ",").replace("-", "−")) == pytest.approx(value, abs=1e-6)


def test_a_choice_explains_what_was_chosen() -> None:
    question = Choice("c", "Which?", (Option("one", "One is no pair."), Option("two", "")), 1, "A pair is two.")
    assert question.check("one").words == "Not so. One is no pair. It is: two. A pair is two."
    assert question.check("one").hint == "Not so. One is no pair."
    assert question.check("two").words == "Right. A pair is two."
    with pytest.raises(LessonError, match=r"^'three' is none of the answers of this question$"):
        question.check("three")


@pytest.mark.parametrize(("lesson", "draft"), DRAFTS, ids=[f"{name}-{draft.name}" for name, draft in DRAFTS])
def test_drawn_questions_hold_together(lesson: str, draft: Draft) -> None:
    for seed in SEEDS:
        question = drawn(draft, seed)
        assert question.check(question.answer_text).right, "the answer as it is written counts as right"
        assert question.explanation or all(option.words for option in getattr(question, "options", ()))
        assert "nan" not in f"{question.text} {question.answer_text} {question.explanation}"
        if isinstance(question, NumberQuestion):
            check_number(question)
        else:
            check_choice(question)


def check_number(question: NumberQuestion) -> None:
    assert question.tolerance > 0.0
    # Who rounds to the decimals of the answer is right.
    assert question.tolerance >= 0.5 * 10.0**-question.decimals
    for slip in question.slips:
        if abs(slip.value - question.answer) <= 1.001 * question.tolerance:
            continue
        words = question.check(f"{slip.value:.12g}")
        assert not words.right
        assert words.words.startswith("Not ")


def check_choice(question: Choice) -> None:
    texts = [option.text for option in question.options]
    assert len(set(texts)) == len(texts) >= 2
    assert 0 <= question.right < len(texts)
    for position, option in enumerate(question.options):
        assert question.check(option.text).right is (position == question.right)
        assert position == question.right or option.words or question.explanation


@pytest.mark.parametrize("lesson", LESSONS, ids=lambda lesson: lesson.name)
def test_a_pool_is_larger_than_a_test_and_names_are_its_own(lesson: object) -> None:
    pool = next(one.drafts.test for one in LESSONS if one is lesson)
    names = [drawn(draft, 1).name for draft in pool]
    assert len(pool) >= 7
    assert len(set(names)) == len(names)


def test_the_longest_answer_is_right_as_often_as_chance_has_it() -> None:
    """Over all choices, with 1/options each by chance; within two standard deviations of so many (binomial)."""
    right, chance = [], []
    for _, draft in DRAFTS:
        for question in (drawn(draft, seed) for seed in range(20)):
            if isinstance(question, Choice):
                longest = max(len(option.text) for option in question.options)
                these = [len(option.text) == longest for option in question.options]
                right.append(these[question.right] / sum(these))
                chance.append(1.0 / len(question.options))
    choices = len(right) / 20
    assert abs(np.mean(right) - np.mean(chance)) < 2.0 * (0.25 / choices) ** 0.5
    assert choices >= 30


def test_no_reason_behind_a_colon_gives_the_right_answer_away() -> None:
    for _, draft in DRAFTS:
        question = drawn(draft, 3)
        if isinstance(question, Choice):
            reasoned = [":" in option.text for option in question.options]
            assert not (reasoned[question.right] and sum(reasoned) == 1), question.options


@pytest.mark.parametrize("lesson", LESSONS, ids=lambda lesson: lesson.name)
def test_options_are_of_like_length(lesson: object) -> None:
    for draft in next(one.drafts.test for one in LESSONS if one is lesson):
        question = drawn(draft, 3)
        if isinstance(question, Choice):
            lengths = [len(option.text) for option in question.options]
            assert max(lengths) <= 2 * min(lengths) + 12, (question.name, lengths)


@pytest.mark.parametrize("lesson", [lesson.name for lesson in LESSONS])
def test_the_steps_of_a_worked_example_fade_and_are_right(lesson: str) -> None:
    shown = []
    for number in range(3):
        text, steps, told = worked_example(lesson, "Ana", number)
        shown.append(len(steps) - told)
        assert "{" not in text
        assert all(step.check(step.answer_text).right for step in steps)
        assert all("{" not in step.text and "nan" not in step.answer_text for step in steps)
    assert shown == [0, 1, 2]


def test_earlier_questions_return_one_and_three_lessons_later() -> None:
    for number, lesson in enumerate(LESSONS):
        names = [question.name for question in draw_test(lesson.name, "Ana").questions]
        back = [name.split(":")[0] for name in names[5:]]
        assert back == [LESSONS[number - k].name for k in (1, 3) if number >= k]


def test_a_draft_names_file_and_field_of_what_can_not_be_worked_out() -> None:
    draft = Draft("repeats", "broken", {"text": "{x:.2f}", "draw": {"x": [0.0, 1.0, 2]}, "answer": ["x +", "", 0]})
    with pytest.raises(LessonError, match=r"^repeats.toml: broken: answer: 'x \+' can't be worked out: "):
        drawn(draft, 1)
    with pytest.raises(LessonError, match=r"^repeats.toml: odd: x: 'nothing' can't be worked out: name 'nothing'"):
        drawn(Draft("repeats", "odd", {"text": "", "draw": {"x": "nothing"}, "answer": ["x", "", 0]}), 1)
    assert drafts_of("repeats").title == "What a repeat tells"


@pytest.mark.parametrize("lesson", [lesson.name for lesson in LESSONS])
def test_the_same_name_draws_the_same_test_and_another_one_another(lesson: str) -> None:
    ana, again, other, second = (
        draw_test(lesson, name, attempt) for name, attempt in (("Ana", 1), (" ANA ", 1), ("Béla", 1), ("Ana", 2))
    )
    assert ana.questions == again.questions
    assert ana.seed == again.seed
    assert len({ana.questions, other.questions, second.questions}) == 3
    assert len({question.name for question in ana.questions}) == len(ana.questions)
    assert len([question for question in ana.questions if ":" not in question.name]) == 5


def test_seeds_stay_what_they_are() -> None:
    """A change would draw other questions for results that are saved; by ``printf 'repeats\\nana\\n1' | sha256sum``."""
    assert f"{seed_of('repeats', 'Ana'):08x}" == "23dcf1d8"


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("repeat", "Ana", 1), "lesson: there is no lesson 'repeat'; there are "),
        (("repeats", "  ", 1), "learner: a name is missing: it draws the questions"),
        (("repeats", "Ana", 0), "attempt: attempt 0: 1 or more was expected"),
    ],
)
def test_a_test_that_can_not_be_drawn(words: tuple[str, str, int], message: str) -> None:
    with pytest.raises(LessonError, match=f"^{re.escape(message)}"):
        draw_test(*words)
