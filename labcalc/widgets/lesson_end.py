"""The test at the end of a lesson: drawn by name, checked and saved at once; what was saved comes back."""

from datetime import UTC, datetime
from pathlib import Path

from labcalc.errors import LessonError
from labcalc.lessons import Journal, LessonResult, LessonTest, draw_test, grade, kept_result, number_from, save_result
from labcalc.widgets.controls import Form, button
from labcalc.widgets.lesson_fields import AnswerField, framed, soon, tell


class ClosingTest:
    """The panel in which a learner draws and answers the test of a lesson.

    lesson, learner : Name of the lesson, and who takes it.
    results : Folder for the results of the class.
    journal : Where the answers are kept until they are checked.
    """

    def __init__(self, lesson: str, learner: str, results: str, journal: Journal) -> None:
        self._lesson, self._learner, self._results, self._journal = lesson, learner, Path(results), journal
        self._test: LessonTest | None = None
        self._result: LessonResult | None = None
        self.fields: list[AnswerField] = []  # one a question, once they are drawn
        numbered = [{"key": "attempt", "label": "Attempt", "kind": "number", "hint": ""}]
        drawing = button("draw", "Draw my questions", "The same name draws the same questions.")
        self.head = Form(numbered, [drawing], lambda _, values: self._draw(values["attempt"]))
        self.head.values = {"attempt": "1"}
        closing = button("check", "Check and save", "What you gave first is what counts.")
        self.foot = Form((), [closing], lambda *_: soon(self._check))  # an answer may be on its way
        self.box = framed(self.head)

    def _draw(self, attempt: str) -> None:
        try:
            self._test = draw_test(self._lesson, self._learner, round(number_from(attempt)))
            self._result = kept_result(self._test, self._results)
        except LessonError as refusal:
            tell(self.head, None, str(refusal))
            return
        self.fields = [
            AnswerField(question, f"Question {number}", self._journal, key=f"attempt {attempt}: {question.name}")
            for number, question in enumerate(self._test.questions, start=1)
        ]
        self.box.children = (self.head, *(field.form for field in self.fields), self.foot)
        self.head.say("")
        self.foot.say("")
        if self._result is not None:
            for field, answer in zip(self.fields, self._result.answers, strict=True):
                field.answer(answer.given)
                field.check()
            tell(self.foot, None, f"{self._marks()} This attempt is saved; another one has other questions.")

    def _marks(self) -> str:
        assert self._result is not None
        return f"{self._result.right} of {len(self._result.answers)} right."

    def _check(self) -> None:
        """Grade and save what was given first; later checks tell the solutions, and change no mark."""
        assert self._test is not None  # the button comes with the questions
        waiting = [str(number) for number, field in enumerate(self.fields, start=1) if not field.is_answered]
        if waiting:
            tell(self.foot, None, f"Not answered yet, or not to be read: question {', '.join(waiting)}.")
            return
        if self._result is not None:
            for field in self.fields:
                field.check()
            tell(self.foot, None, f"{self._marks()} What you gave first is what counts.")
            return
        result = grade(self._test, [field.given for field in self.fields], datetime.now(UTC))
        try:
            path = save_result(result, self._results)
        except (LessonError, OSError) as refusal:
            tell(self.foot, None, str(refusal))
            return
        self._result = result
        checked = [field.check() for field in self.fields]
        all_right = all(checked)
        more = "" if all_right else " Try once more where it isn't right: the solution follows."
        tell(self.foot, all_right, f"{self._marks()} Saved as {path}.{more}")
