"""From a learner's name to numbers: the same name draws the same data and the same questions, everywhere."""

import hashlib
import unicodedata

import numpy as np
from numpy.random import Generator


def seed_of(lesson: str, learner: str, attempt: int = 1) -> int:
    """Return the seed of a learner's test: the same for the same name, however it is spaced or cased.

    Examples
    --------
    >>> seed_of("repeats", "Ana Lima") == seed_of("repeats", "  ana   lima ")
    True
    """
    name = " ".join(unicodedata.normalize("NFKC", learner).casefold().split())
    return int.from_bytes(hashlib.sha256(f"{lesson}\n{name}\n{attempt}".encode()).digest()[:4], "big")


def chance_of(lesson: str, learner: str, stream: int = 0) -> Generator:
    """Return the source of chance of a learner's own data in a lesson, one for each stream."""
    return np.random.default_rng([seed_of(lesson, learner), 1000 + stream])
