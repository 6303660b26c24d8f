"""One account of a run: what its reason is about decides what the page says to do. The oil is invented."""

from __future__ import annotations

from labcalc.figures import show_causes
from labcalc.judgement import next_steps
from tests.judgement.conftest import GOOD, REFERENCE, Judge

ODD = GOOD.replace("858.1", "854.0")
"""Eight standard deviations below the typical density."""


def test_odd_numbers_are_explained_once(judged: Judge) -> None:
    judgement = judged(ODD)
    assert judgement.leading is not None
    assert judgement.reason.count("Most likely") == 1
    assert f". {judgement.leading.sentence}" in judgement.reason
    shown = show_causes(judgement)
    assert shown is not None
    assert "What could explain it" in shown.html
    assert "What to do now" not in shown.html, "nothing is wrong with the instrument"


def test_an_instrument_in_doubt_asks_for_its_reference_oil_not_for_causes(judged: Judge) -> None:
    off = judged(record=REFERENCE.replace("50.05", "50.80"))
    assert off.verdict == "not releasable"
    assert (off.evidence, off.leading) == (None, None)
    assert show_causes(off) is None
    assert next_steps(off)[0].startswith(
        "Repeat the reference oil, fresh from the bottle; once it is within its limits"
    )
    assert "Most likely" not in off.reason
    none = next_steps(judged(record=REFERENCE.replace("VD", "OTHER")))
    assert none == ("Measure a reference oil that lab.toml names, with its certificate, on this instrument.",)


def test_one_density_alone_is_too_little_to_tell(judged: Judge) -> None:
    header = "Run,Sample,Date,Instrument,Temperature (°C),Density (kg/m³)\n"
    alone = judged("S1,S-1,2026-03-02 08:00,VD,40,854.0\n", header=header)
    assert alone.leading is None
    shown = show_causes(alone)
    assert shown is not None
    assert shown.text.startswith("One result alone is too little to tell causes apart")


def test_a_second_look_never_begins_with_nothing_wrong(judged: Judge) -> None:
    """Three and a half standard deviations: far for a check, nearer than any cause by its odds."""
    just = judged(GOOD.replace("858.1", "859.6"))
    assert just.verdict == "needs a second look"
    shown = show_causes(just)
    assert shown is not None
    assert not shown.text.startswith("Nothing wrong")
    if just.leading is not None and just.leading.cause == "noise":
        assert shown.text.startswith("Noise and the usual spread alone explain these numbers")
        assert "a fresh fill decides" in shown.text
