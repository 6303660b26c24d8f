"""File names from names that a person gave: never a path, never two reports under one name."""

import hashlib
import re
import unicodedata
from collections import Counter
from collections.abc import Mapping, Sequence
from itertools import chain, count

_LONGEST = 80
_TAKEN = re.compile(r"(?:index|reports-index-\d+|con|conin|conout|prn|aux|nul|com\d|lpt\d)(?:\..*)?", re.I)
"""The index page, and names that some systems keep for themselves."""


def safe_stem(text: str) -> str:
    """Return a file name without its ending: letters, digits, dot, dash and underscore of ASCII, at most 80.

    >>> safe_stem("../HX 46: lot Ü/7")
    'HX-46-lot-U-7'
    """
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
    stem = re.sub(r"[^A-Za-z0-9._-]+", "-", plain)
    stem = re.sub(r"([.-])[.-]+", r"\1", stem)[:_LONGEST].strip(".-")
    if not stem:
        return f"report-{_mark(text)}"
    return f"report-{stem}" if _TAKEN.fullmatch(stem) else stem


def safe_stems(names: Sequence[str], others: Mapping[str, str]) -> dict[str, str]:
    """Return a file name for each name; those that would fall together, case ignored, get a mark of their own.

    names : Different from one another.
    others : Stem to name of what lies in the folder already; files that are no reports are nobody's: an empty name.
    """
    stems = {name: safe_stem(name) for name in names}
    owners = {stem.lower(): name for stem, name in others.items()}
    counts = Counter(stem.lower() for stem in stems.values())
    for name, stem in stems.items():
        if counts[stem.lower()] > 1 or owners.get(stem.lower(), name) != name:
            marked = (f"{stem[: _LONGEST - 9]}-{_mark(f'{name}{again}')}" for again in chain([""], count(2)))
            stems[name] = next(one for one in marked if not counts[one.lower()] and owners.get(one, name) == name)
            counts[stems[name].lower()] += 1
    return stems


def _mark(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:8]
