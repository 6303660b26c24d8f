"""What a report says of causes: nothing where it is releasable, else a short table with the next step."""

from __future__ import annotations

import subprocess
import sys

import pytest

from labcalc.figures import show_causes, show_how_well, show_verdict
from labcalc.judgement import Judgement, Material, gather, judge, next_steps
from labcalc.judgement.causes import reliability
from labcalc.shipped import sample_exports, sample_lab


@pytest.fixture(scope="module")
def material() -> Material:
    return gather(sample_exports(), sample_lab())


def judged(material: Material, sample: str) -> Judgement:
    table = material.reading.table
    return judge(material.dossier(table.loc[table["sample"] == sample, "run"].iloc[0]))


def test_a_doubtful_run_gets_its_causes_in_short(material: Material) -> None:
    shown = show_causes(judged(material, "HX32-26-0531"))
    assert shown is not None
    assert shown.text.splitlines()[0].endswith("%: The cell was not at its temperature: +0.31 K (95 %: +0.20 to +0.45)")
    assert "What could explain it" in shown.html
    assert "Caution: Cleaning solvents burn" in shown.html
    assert "4 earlier runs of lot HX32-L029" in shown.html


def test_what_to_do_stands_in_the_verdict_once(material: Material) -> None:
    """A next step quotes the title of a rival: escaped."""
    judgement = judged(material, "HX32-26-0531")
    shown, told = show_verdict(judgement), show_causes(judgement)
    assert told is not None
    assert "Clean and dry the cell, fill it again" not in told.html
    assert "Clean and dry the cell, fill it again" in shown.html
    assert "from &#x27;solvent or cleaning liquid left in the cell&#x27;" in shown.html


def test_a_cause_that_is_all_but_sure_gets_what_confirms_and_repairs_it(material: Material) -> None:
    judgement = judged(material, "MX15-26-0586")
    shown = show_causes(judgement)
    assert shown is not None
    assert shown.text.startswith("96 %: A slip of unit or transcription")
    assert next_steps(judgement)[0].startswith("Look the value up in the original record. Correct it there")


def test_a_reference_oil_has_its_own_checks(material: Material) -> None:
    runs = material.reading.table.loc[material.reading.table["role"] == "reference", "run"]
    assert all(show_causes(judge(material.dossier(run))) is None for run in list(dict.fromkeys(runs))[:4])


def test_a_releasable_run_needs_no_causes() -> None:
    """In a Python of its own: its report doesn't even import them."""
    code = """
import sys
from labcalc.figures import show_causes, show_verdict
from labcalc.judgement import next_steps, gather, judge
material = gather()
table = material.reading.table
run = table.loc[table['sample'] == 'HX32-26-0518', 'run'].iloc[0]
judgement = judge(material.dossier(run))
assert judgement.verdict == 'releasable', judgement.reason
assert show_causes(judgement) is None
print([name for name in sys.modules if name.startswith('labcalc.judgement.causes')])
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_how_often_the_first_cause_is_right_stands_behind_a_line() -> None:
    """The stored counts."""
    found, shown = reliability(), show_how_well()
    assert shown.html.startswith('<details class="fold"><summary>How often the first cause is right</summary>')
    for one in found.stated:
        assert f"right {one.right} of {one.runs}" in shown.text
        assert f"<td>{100 * one.right / one.runs:.0f} %</td>" in shown.html
    for cause in found.causes:
        first, two = (f'<td class="num">{part} of {cause.runs}</td>' for part in (cause.first, cause.among_two))
        assert first + two in shown.html
    assert f"{found.runs} simulated runs, {len(found.seeds)} laboratories, {found.date}" in shown.html
