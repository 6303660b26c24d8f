"""The public names of the room, and the module that each lives in; read by type checkers, and by Python on use."""

from .bench import BenchPage as BenchPage, still_bench as still_bench
from .page import ProblemPage as ProblemPage
from .problem import (
    Added as Added,
    Problem as Problem,
    WhatIfSettings as WhatIfSettings,
    open_problem as open_problem,
    problem_of as problem_of,
)
from .still import still_causes as still_causes, still_opening as still_opening, still_pictures as still_pictures
