"""A name from an export never becomes a path, and two names never become one file."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, strategies as st

from labcalc.workbooks.folder import safe_stem, safe_stems


@pytest.mark.parametrize(
    ("name", "stem"),
    [
        ("HX-46 2026-03-02 08:10", "HX-46-2026-03-02-08-10"),
        ("../../etc/passwd", "etc-passwd"),
        ("C:\\reports\\x", "C-reports-x"),
        ("Grundöl Süd", "Grundol-Sud"),
        ("index", "report-index"),
        ("CON", "report-CON"),
        ("nul.txt", "report-nul.txt"),
        ("AUX", "report-AUX"),
        ("COM¹", "report-COM1"),  # superscript digits count, by the rules of one system's files
        ("conin$", "report-conin"),
        ("reports-index-1", "report-reports-index-1"),
        ("oil. ", "oil"),
        ("a" * 79 + ". b", "a" * 79),
    ],
)
def test_known_names(name: str, stem: str) -> None:
    assert safe_stem(name) == stem


@given(st.text())
def test_always_safe(text: str) -> None:
    stem = safe_stem(text)
    assert re.fullmatch(r"[A-Za-z0-9_][A-Za-z0-9._-]{0,79}", stem)
    assert ".." not in stem


@given(st.lists(st.text(alphabet="aA/: ö", max_size=4), unique=True, max_size=12))
def test_never_the_same_file(names: list[str]) -> None:
    stems = [stem.lower() for stem in safe_stems(names, {}).values()]
    assert len(set(stems)) == len(names)


def test_marks_that_collide_are_changed_until_none_does(monkeypatch: pytest.MonkeyPatch) -> None:
    """A name may look like another's mark, and two marks may be the same."""
    looks_like_it = safe_stems(["A B", "a-b"], {})["A B"]
    stems = safe_stems(["A B", "a-b", looks_like_it, "c"], {looks_like_it.upper(): "of an earlier batch"})
    assert len({stem.lower() for stem in stems.values()} | {looks_like_it.lower()}) == 5
    monkeypatch.setattr("labcalc.workbooks.folder._mark", lambda text: text[-1])
    stems = safe_stems(["a/b2", "a:b2", "a b2", "a*b3"], {"a-b3": ""})
    assert len({stem.lower() for stem in stems.values()} - {"a-b3"}) == 4


def test_a_report_of_another_name_keeps_its_file() -> None:
    assert safe_stems(["a b"], {"a-b": "a b"}) == {"a b": "a-b"}
    assert safe_stems(["a b"], {"a-b": "a/b"})["a b"].startswith("a-b-")
