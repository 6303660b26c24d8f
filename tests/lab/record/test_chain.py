"""The chain's bytes and digests, held against RFC 8785 as a library writes it, and hashlib."""

from __future__ import annotations

import hashlib
import json
from typing import Any

import pytest
import rfc8785
from hypothesis import given, strategies as st

from labcalc.lab.record.chain import ORIGIN, Head, canonical, linked

KEYS = st.text(alphabet=st.characters(codec="ascii"), max_size=8)
LEAVES = st.none() | st.booleans() | st.integers(-(2**53) + 1, 2**53 - 1) | st.text(max_size=20)
VALUES = st.recursive(LEAVES, lambda inside: st.lists(inside, max_size=4) | st.dictionaries(KEYS, inside, max_size=4))


@given(VALUES)
def test_text_is_that_of_rfc_8785(value: Any) -> None:
    """Against the library rfc8785, an implementation by others."""
    try:
        expected = rfc8785.dumps(value)
    except rfc8785.CanonicalizationError:  # half a pair of UTF-16 can't be encoded at all
        with pytest.raises(UnicodeEncodeError):
            canonical(value).encode("utf-8")
    else:
        assert canonical(value).encode("utf-8") == expected


def test_keys_are_sorted_and_control_characters_escaped_as_the_standard_shows() -> None:
    """RFC 8785, sections 3.2.2.2 and 3.2.3, as far as they are about texts [memory]."""
    assert canonical({"b": '\u20ac$\u000f\nA\'B"\\\\"/', "1": [None, True]}) == (
        '{"1":[null,true],"b":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'
    )


@pytest.mark.parametrize("value", [46.12, {"a": [1.0]}, float("nan"), 2**53, {"ä": 1}, {1: 2}])
def test_what_json_could_change_is_refused(value: Any) -> None:
    with pytest.raises(TypeError, match="is expected"):
        canonical(value)


def test_a_chain_computed_elsewhere() -> None:
    """Three records and their chain values, computed with rfc8785 0.1.4 and hashlib for a note on records."""
    texts = (
        '{"at":"2026-03-02T08:15:00Z","kind":"result","n":1,"nu40_mm2_s":46.12,"sample":"A-17"}',
        '{"at":"2026-03-02T08:31:00Z","kind":"result","n":2,"nu40_mm2_s":68.03,"sample":"A-18"}',
        '{"at":"2026-03-02T09:02:00Z","kind":"correction","n":3,"nu40_mm2_s":46.21,"of":1,"why":"wrong fill"}',
    )
    expected = (
        "562f258f509ff1f29316df8ebd52aabc207957784d1f6a0cf8c7e6b25360df6a",
        "18457c74df0b4d136eabeb46791471dff28a507f4281b39c116f7c2ff5c5e154",
        "106dc9e8bccf78e2887761c0971095b3dd5111dbac578ffa7d0a6f93a9f1357d",
    )
    digest = ORIGIN
    for text, value in zip(texts, expected, strict=True):
        assert rfc8785.dumps(json.loads(text)).decode() == text
        assert linked(digest, text) == value == hashlib.sha256(bytes.fromhex(digest) + text.encode()).hexdigest()
        digest = value


def test_a_head_says_how_many_entries_it_stands_for() -> None:
    assert str(Head(1, "ab")) == "1 entry, head ab"
    assert str(Head(2, "ab")) == "2 entries, head ab"
