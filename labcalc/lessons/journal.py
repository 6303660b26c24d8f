"""What stays of a learner between two openings of the course: the name, and each answer that was given."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from labcalc.errors import LessonError
from labcalc.writing import write_whole

_LEARNER = "learner.json"


@dataclass(frozen=True)
class Learner:
    """Who takes the course, and where the results go."""

    name: str
    results: str


def kept_learner(folder: str | Path) -> Learner | None:
    """Return the learner whose course lies in a folder; None: nobody has said a name yet.

    Raises LessonError : What is kept there can't be read.
    """
    words = _read(Path(folder) / _LEARNER, None)
    return Learner(words["learner"], words["results"]) if words else None


def keep_learner(folder: str | Path, learner: Learner) -> None:
    """Keep a learner's name for the whole course."""
    _write(Path(folder) / _LEARNER, {"learner": learner.name, "results": learner.results})


@dataclass(frozen=True)
class Journal:
    """The answers of one learner to one lesson, in the order given, a file of the course's folder."""

    path: Path

    def given(self, question: str) -> list[str]:
        """Return what was given to a question so far.

        Raises LessonError : The file can't be read.
        """
        return [str(one) for one in _read(self.path, {}).get(question, [])]

    def keep(self, question: str, given: list[str]) -> None:
        """Keep what was given to a question."""
        _write(self.path, {**_read(self.path, {}), question: given})


def _read(path: Path, otherwise: Any) -> Any:
    try:
        return json.loads(path.read_text("utf-8"))
    except FileNotFoundError:
        return otherwise
    except ValueError as failure:
        raise LessonError(path.name, "", f"can't be read ({failure}); move it away to begin anew") from failure


def _write(path: Path, words: object) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    write_whole(path, f"{json.dumps(words, ensure_ascii=False, indent=1)}\n".encode())
