"""The public names of the room, and the module that each lives in; read by type checkers, and by Python on use."""

from .course import (
    LESSONS as LESSONS,
    TEST_QUESTIONS as TEST_QUESTIONS,
    Journal as Journal,
    Learner as Learner,
    Lesson as Lesson,
    LessonTest as LessonTest,
    ask as ask,
    chance_of as chance_of,
    draft_named as draft_named,
    draw_test as draw_test,
    keep_learner as keep_learner,
    kept_learner as kept_learner,
    lesson_named as lesson_named,
    seed_of as seed_of,
    worked_example as worked_example,
)
from .drafts import Draft as Draft, Drafts as Drafts, drafts_of as drafts_of
from .plots import (
    Agreement as Agreement,
    Mark as Mark,
    Plot as Plot,
    Series as Series,
    grouped as grouped,
    plot_draws as plot_draws,
)
from .questions import (
    Choice as Choice,
    Feedback as Feedback,
    NumberQuestion as NumberQuestion,
    Option as Option,
    Question as Question,
    Slip as Slip,
    number_from as number_from,
)
from .results import (
    CLASS_COLUMNS as CLASS_COLUMNS,
    Answer as Answer,
    ClassTable as ClassTable,
    LessonResult as LessonResult,
    class_table as class_table,
    grade as grade,
    kept_result as kept_result,
    read_result as read_result,
    save_result as save_result,
)
