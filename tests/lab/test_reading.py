"""``labcalc.read``, and how what is read, judged and reported shows itself in Python."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

import labcalc
from labcalc.judgement import Judgement, MonthReport, gather, gather_record, judge, report_month
from labcalc.lab import Laboratory, load_laboratory
from labcalc.shipped import sample_exports, sample_lab

LINES = 24
"""Of a screen (common practice: a terminal of 80 x 24)."""
EXPORT = "Sample;KV40 (cSt);KV100 (cSt);Colour\nA<b>;46.12;6.871;x\nHX-2;46.15;6.873;x\n;46.1;6.87;x\n"


@pytest.fixture
def export(tmp_path: Path) -> Path:
    (tmp_path / "x.csv").write_text(EXPORT, "utf-8")
    return tmp_path / "x.csv"


def test_one_export_or_several_with_or_without_a_laboratory(export: Path) -> None:
    laboratory = Laboratory(time_zone="Europe/Lisbon")
    one, several = labcalc.read(export), labcalc.read([str(export)], laboratory)
    assert one.table["kinematic_viscosity_mm2_s"].tolist() == [46.12, 6.871, 46.15, 6.873]
    assert str(one.table["measured_at"].dtype) == "datetime64[us, UTC]"
    assert str(several.table["measured_at"].dtype) == "datetime64[us, Europe/Lisbon]"
    assert [refusal.line for refusal in one.refusals] == [4]


def test_a_reading_is_shown_on_a_screen(export: Path) -> None:
    reading = labcalc.read(export)
    lines = repr(reading).splitlines()
    assert lines[:4] == [
        "<Reading>",
        "rows: 2 rows with 4 determinations read, 1 refused",
        "columns: columns not used: Colour",
        "refused: x.csv, line 4, column 'Sample': expected the sample's name, or profile.as_above in lab.toml",
    ]
    assert len(lines) <= LINES
    html = reading._repr_html_()
    assert "A&lt;b&gt;" in html
    assert "A<b>" not in html
    export.write_text(EXPORT + ";1;2;x\n" * 500, "utf-8")
    assert len(repr(labcalc.read(export)).splitlines()) <= LINES
    assert "... and 491 more" in repr(labcalc.read(export))


@pytest.fixture(scope="module")
def judgement() -> Judgement:
    material = gather(sample_exports()[-1:], load_laboratory(sample_lab()))
    return judge(material.dossier(material.runs[0]))


@pytest.fixture(scope="module")
def month() -> MonthReport:
    return report_month(gather_record(load_laboratory(sample_lab())))


def test_a_judgement_and_a_month_are_shown_on_a_screen(judgement: Judgement, month: MonthReport) -> None:
    for shown, verdict in ((judgement, judgement.verdict), (judgement.results, "±"), (month, month.verdict)):
        lines = repr(shown).splitlines()
        assert len(lines) <= LINES
        assert max(map(len, lines)) < 300
        assert verdict in repr(shown)
        assert verdict in shown._repr_html_()


def test_a_laboratory_is_taken_as_it_is(export: Path) -> None:
    """A copy bears the digest of the same file: what was gathered for the one isn't handed out for the other."""
    laboratory = load_laboratory(sample_lab())
    other = replace(laboratory, earlier_exports=(), name="Other")
    assert load_laboratory(other) is other
    assert gather([export], laboratory).laboratory is laboratory
    assert gather([export], other).laboratory is other
    assert gather([export], other) is gather([export], other)
    assert gather(str(export), other) is gather(export, other) is gather([export], other)
