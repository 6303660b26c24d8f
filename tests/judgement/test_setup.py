"""What `labcalc check` finds in small laboratories made by hand, each with one thing wrong, and stays silent about."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from labcalc.cli import main
from labcalc.errors import SettingsError
from labcalc.judgement import Finding, SetupReview, review_setup

LAB = """\
[laboratory]
name = "Quay Laboratory"
time_zone = "Europe/Lisbon"
earlier_exports = ["record/*.csv"]

[[instrument]]
name = "VD"

[[profile]]
name = "Plain"
files = ["past*.csv"]

[[reference]]
name = "Reference oil"
samples = ["RO-*"]
[[reference.lot]]
lot = "A"
valid_from = 2026-01-01
valid_to = 2026-03-31
certified = [
  { quantity = "kinematic viscosity", temperature_C = 40, value = 50.00, expanded_uncertainty = 0.10 },
  { quantity = "kinematic viscosity", temperature_C = 100, value = 7.50, expanded_uncertainty = 0.02 },
  { quantity = "density", temperature_C = 40, value = 850.00, expanded_uncertainty = 0.10 },
]

[[product]]
name = "Oil 46"
samples = ["S-*"]
precision_class = "formulated oils"
limit = [
  { quantity = "kinematic viscosity", temperature_C = 40, lowest = 41.4, highest = 50.6, decimals = 1 },
  { quantity = "viscosity index", lowest = 90, decimals = 0 },
]
typical = [
  { quantity = "kinematic viscosity", temperature_C = 40, mean = 46.1, standard_deviation = 0.5 },
  { quantity = "viscosity index", mean = 97, standard_deviation = 2 },
]
"""

HEADER = "Run,Sample,Product,Lot,Date,Instrument,Temperature (°C),Kinematic viscosity (mm²/s),Density (kg/m³)\n"
ROWS = """\
R1,RO-1,,,2026-03-02 07:00,VD,40,50.05,850.05
S1,S-1,,,2026-03-02 08:00,VD,40,46.12,858.1
R2,RO-1,,,2026-03-03 07:00,VD,40,50.02,850.02
S2,S-2,,,2026-03-03 08:00,VD,40,46.30,858.3
"""
DECISION = '{"who": "I. Duarte", "when": "2026-03-03T09:00:00+00:00", "what": "accept", "why": "known", "run": "R2"}\n'

Review = Callable[..., SetupReview]


def laboratory(folder: Path, lab: str, rows: str, decisions: str = DECISION, name: str = "past.csv") -> Path:
    (folder / "record").mkdir(parents=True)
    (folder / "record" / name).write_text(HEADER + rows, encoding="utf-8")
    (folder / "lab.toml").write_text(lab, encoding="utf-8")
    (folder / "decisions.jsonl").write_text(decisions, encoding="utf-8")
    return folder / "lab.toml"


def changed(text: str, old: str, new: str) -> str:
    assert old in text
    return text.replace(old, new, 1)


def test_a_right_laboratory_is_met_with_silence(tmp_path: Path) -> None:
    review = review_setup(laboratory(tmp_path, LAB, ROWS))
    assert review.findings == ()
    assert [(profile, one.rows_read, one.rows_refused) for profile, one in review.exports] == [("Plain", 4, 0)]
    assert (review.usable, review.refused) == (True, False)


def test_values_that_a_product_has_no_room_for_take_a_line_each(tmp_path: Path) -> None:
    """A lost decimal point and a density of another oil; batches at the limit, or 1 % lighter, are silent."""
    lab = changed(
        LAB,
        "typical = [",
        'typical = [\n  { quantity = "density", temperature_C = 40, mean = 858, standard_deviation = 0.6 },',
    )
    rows = (
        ROWS
        + """\
S3,S-3,,,2026-03-03 09:00,VD,40,46926,858.1
S4,S-4,,,2026-03-03 10:00,VD,40,46.4,875
S5,S-5,,,2026-03-03 11:00,VD,40,50.6,850
"""
    )
    found = [(one.severity, one.place, one.finding) for one in review_setup(laboratory(tmp_path, lab, rows)).findings]
    assert found == [
        ("warning", "past.csv", "line 7, S-4: density 875 kg/m³ at 40 °C can hardly be true of Oil 46, typically 858"),
        (
            "warning",
            "past.csv",
            "line 6, S-3: kinematic viscosity 46926 mm²/s at 40 °C can hardly be true of Oil 46, typically 46.1",
        ),
    ]
    without = lab[: lab.index("typical = [")]
    found = [one.finding for one in review_setup(laboratory(tmp_path / "b", without, rows)).findings]
    assert [one.split("true of ")[1] for one in found] == ["Oil 46, held to 41.4 to 50.6"]


OIL = "Reference oil, lot A"
V40, V100, D40 = (
    "kinematic viscosity 50 mm²/s at 40 °C",
    "kinematic viscosity 7.5 mm²/s at 100 °C",
    "density 0.85 kg/m³",
)
CERTIFIED = "reference[1].lot[1].certified"
IN_LAB = [
    ("value = 850.00", "value = 0.85", "error", f"{CERTIFIED}[3].value", f"{OIL}, {D40} at 40 °C: that is in g/cm³"),
    (
        "= 850.00, expanded_uncertainty = 0.10",
        "= 850.00, expanded_uncertainty = 9",
        "error",
        f"{CERTIFIED}[3].expanded_uncertainty",
        f"{OIL}, density 850 kg/m³ at 40 °C: a U of 1.1 %",
    ),
    ("= 0.02 }", "= 0 }", "error", f"{CERTIFIED}[2].expanded_uncertainty", f"{OIL}, {V100}: a U of 0"),
    ("= 0.02 }", "= 0.08 }", "error", f"{CERTIFIED}[2].expanded_uncertainty", f"{OIL}, {V100}: a U of 1.1 %"),
    (
        "= 0.10 }",
        "= 0.10, coverage_factor = 1 }",
        "warning",
        f"{CERTIFIED}[1].coverage_factor",
        f"{OIL}, {V40}: k = 1",
    ),
    (
        "value = 7.50",
        "value = 50.0",
        "error",
        CERTIFIED,
        f"{OIL}: kinematic viscosity 50 mm²/s at 100 °C isn't below {V40}, and warm oil is thinner and lighter",
    ),
    (
        "mean = 46.1",
        "mean = 50.7",
        "warning",
        "product[1].limit[1]",
        "Oil 46: the typical kinematic viscosity 50.7 lies outside this limit",
    ),
    (
        "mean = 97",
        "mean = 89",
        "warning",
        "product[1].limit[2]",
        "Oil 46: the typical viscosity index 89 lies outside this limit",
    ),
    (
        '"formulated oils"',
        '"formulated oil"',
        "warning",
        "product[1].precision_class",
        "Oil 46: no precision statement is for 'formulated oil'; did you mean 'formulated oils'?",
    ),
    (
        "[[product]]",
        '[[instrument]]\nname = "W"\nmethods = ["ISO 12185", "ASTM D7042"]\n\n[[product]]',
        "warning",
        "instrument[2].methods",
        "W: no precision of ASTM D7042, edition 2004 to 2021 is known here for kinematic viscosity of formulated oils",
    ),
    (
        'earlier_exports = ["record/*.csv"]',
        'earlier_exports = ["record/*.csv", "old/*"]',
        "warning",
        "laboratory.earlier_exports[2]",
        "no file fits 'old/*'",
    ),
    ("past*.csv", "pst*.csv", "note", "profile[1].files[1]", "Plain: no export fits 'pst*.csv'"),
    (
        "[[reference]]",
        '[[profile]]\nname = "Late"\nfiles = ["*.csv"]\n\n[[reference]]',
        "warning",
        "profile[2].files",
        "Late: Plain fits 1 export of it too: past.csv",
    ),
    ('["S-*"]', '["S-*", "T-*"]', "note", "product[1].samples[2]", "Oil 46: no sample fits 'T-*'"),
    (
        '["S-*"]',
        '["S-*", "RO-1"]',
        "warning",
        "product[1].samples",
        "Oil 46: Reference oil fits 1 sample of it too: RO-1",
    ),
    (
        "[[product]]",
        '[[product]]\nname = "Any"\nsamples = ["s*"]\nprecision_class = "base oils"\n\n[[product]]',
        "warning",
        "product[2].samples",
        "Oil 46: Any fits 2 samples of it too: S-1, S-2",
    ),
    ('name = "VD"', 'name = "VD-1"', "warning", "instrument", "the exports name 'VD', which lab.toml doesn't; did you"),
    ('name = "VD"', 'name = "VD-1"', "note", "instrument[1].name", "no export is of 'VD-1'; did you mean 'VD'?"),
    ("# end", "# QUESTION: how old?\n", "note", "laboratory", "1 question of `labcalc init` still open"),
    (
        'earlier_exports = ["record/*.csv"]',
        "",
        "note",
        "laboratory.earlier_exports",
        "no record: nothing to make charts, months and duplicates from",
    ),
    (
        "valid_to = 2026-03-31",
        "valid_to = 2026-03-02",
        "warning",
        "reference",
        "RO-1: 1 run without a certificate valid on the day: lot A is valid 2026-01-01 to 2026-03-02; 2026-03-03",
    ),
    (
        "[[product]]",
        '[[reference.lot]]\nlot = "B"\nvalid_from = 2026-03-01\nvalid_to = 2026-12-31\ncertified = '
        '[{ quantity = "density", temperature_C = 40, value = 851, expanded_uncertainty = 0.1 }]\n\n[[product]]',
        "warning",
        "reference",
        "RO-1: 2 runs without a certificate valid on the day: the export names no lot, and A, B are valid; 2026-03-02",
    ),
]


@pytest.mark.parametrize(("old", "new", "severity", "place", "finding"), IN_LAB, ids=lambda text: text[:40])
def test_what_is_wrong_in_lab_toml_is_found(
    tmp_path: Path, old: str, new: str, severity: str, place: str, finding: str
) -> None:
    review = review_setup(laboratory(tmp_path, changed(LAB + "# end", old, new), ROWS))
    found = {(one.severity, one.place): one.finding for one in review.findings}
    assert found[severity, place].startswith(finding)
    assert review.refused is any(one.severity == "error" for one in review.findings)


IN_ROWS = [
    (
        "S2,S-2,",
        "S2,X-26-01,",
        "product",
        "no product and no reference oil fits 1 sample: X-26-01",
        'Add it, with samples = ["X-*"].',
    ),
    (
        "S2,S-2,,",
        "S2,X1,Oil 64,",
        "product",
        "no product and no reference oil fits 1 sample: X1, of the exports' product 'Oil 64'; did you mean 'Oil 46'?",
        "Add it, as a [[product]] or a [[reference]].",
    ),
    (
        "R2,RO-1,,,",
        "R2,RO-1,,B,",
        "reference",
        "RO-1: 1 run without a certificate valid on the day: no lot 'B' in lab.toml; 2026-03-03",
        "Add its [[reference.lot]].",
    ),
    (
        "S2,S-2",
        "R3,RO-1,,a,2026-04-01 07:00,VD,40,50.0,850\nS2,S-2",
        "reference",
        "RO-1: 1 run without a certificate valid on the day: lot A is valid 2026-01-01 to 2026-03-31; 2026-04-01",
        "Compare the dates with the certificate, or add the lot that was in use.",
    ),
    (
        "R2,RO-1",
        "R2,S-9",
        "reference",
        "VD: 2 days with samples, no reference-oil check on 1 of them: 2026-03-03",
        "Run a reference oil before the day's samples.",
    ),
    ("46.30", "---", "past.csv", "refused: line 5, column 'Kinematic viscosity (mm²/s)': '---': expected a number", ""),
    (
        "R2,",
        "R9,",
        "decisions.jsonl",
        "I. Duarte decided (accept) about run R2, which the exports do not hold",
        "Was the run renamed, or is its export missing?",
    ),
]


@pytest.mark.parametrize(("old", "new", "place", "finding", "remedy"), IN_ROWS, ids=lambda text: text[:40])
def test_what_the_exports_know_otherwise_is_found(
    tmp_path: Path, old: str, new: str, place: str, finding: str, remedy: str
) -> None:
    review = review_setup(laboratory(tmp_path, LAB, changed(ROWS, old, new)))
    assert [(one.severity, one.place, one.remedy) for one in review.findings] == [("warning", place, remedy)]
    assert review.findings[0].finding.startswith(finding)
    assert review.refused is ("---" in new)


def test_exports_without_instrument_or_time_are_named_with_the_way_out(tmp_path: Path) -> None:
    lab = laboratory(tmp_path, LAB, ROWS)
    unsaid = tmp_path / "unsaid.csv"
    unsaid.write_text("Sample,Begun,Temperature (°C),Density (kg/m³)\nS-1,2026-03-02 09:00,40,858\n", "utf-8")
    found = [(one.place, one.finding, one.remedy) for one in review_setup(lab, [unsaid]).findings]
    where = "In the [[profile]] that fits them: "
    assert found == [
        (
            "profile",
            "no instrument is named in 1 export, and no reference oil speaks for them: unsaid.csv",
            f'{where}instrument = "NAME".',
        ),
        (
            "profile",
            "no time of measurement in 1 export, and no chart and no month holds them: unsaid.csv",
            f'{where}columns."HEAD" = "measured_at".',
        ),
    ]
    profile = '[[profile]]\nname = "U"\nfiles = ["unsaid*"]\ninstrument = "VD"\ncolumns."Begun" = "measured_at"\n'
    lab.write_text(LAB + profile, "utf-8")
    assert review_setup(lab, [unsaid]).findings == ()


def test_a_folder_is_checked_as_its_files(tmp_path: Path) -> None:
    lab = laboratory(tmp_path, LAB, ROWS)
    later = tmp_path / "later"
    later.mkdir()
    assert [one.finding for one in review_setup(lab, [later]).findings] == ["this is a folder; expected a file"]
    (tmp_path / "record" / "past.csv").rename(later / "past.csv")
    lab.write_text(changed(LAB, 'earlier_exports = ["record/*.csv"]\n', ""), encoding="utf-8")
    found = review_setup(lab, [later])
    assert [name.name for _, name in found.exports] == ["past.csv"]
    assert [one.place for one in found.findings] == ["laboratory.earlier_exports"]


def test_a_file_of_rounds_that_is_missing_or_wrong_is_named(tmp_path: Path) -> None:
    named = 'proficiency_rounds = "rounds.csv"\nearlier_exports'
    lab = laboratory(tmp_path, changed(LAB, "earlier_exports", named), ROWS)

    def told() -> list[tuple[str, str, str]]:
        return [(one.severity, one.place, one.finding) for one in review_setup(lab).findings]

    place = "error", "laboratory.proficiency_rounds"
    assert told() == [(*place, "rounds.csv: No such file or directory")]
    rounds = "scheme,round,quantity,own,assigned,sigma,date\nS,1,KV40,46.3,46.1,0.1,"
    (tmp_path / "rounds.csv").write_text(f"{rounds}\n", "utf-8")
    assert told() == [(*place, "rounds.csv: line 2: date is empty: a day such as 2026-03-14 was expected")]
    (tmp_path / "rounds.csv").write_text(f"{rounds}2026-03-14\n", "utf-8")
    assert told() == []


def test_a_check_holds_for_its_age(tmp_path: Path) -> None:
    """48 h: a check in the morning serves that day and the next; the third day is without."""
    later = "S3,S-3,,,2026-03-04 08:00,VD,40,46.1,858\nS4,S-4,,,2026-03-05 08:00,VD,40,46.1,858\n"
    lab = laboratory(tmp_path, LAB + "[report]\nreference_age_h = 48\n", ROWS + later)
    expected = "VD: 4 days with samples, no reference-oil check on 1 of them: 2026-03-05"
    assert [one.finding for one in review_setup(lab).findings] == [expected]


def test_an_instrument_that_is_never_checked_lists_no_days(tmp_path: Path) -> None:
    lab = laboratory(tmp_path, LAB, ROWS.replace("RO-1", "S-7"))
    found = [one.finding for one in review_setup(lab).findings if one.severity == "warning"]
    assert found == ["VD: 2 days with samples, no reference-oil check on any of them"]


def test_a_role_that_no_reference_describes(tmp_path: Path) -> None:
    lab = laboratory(tmp_path, LAB, ROWS)
    export = tmp_path / "today.csv"
    export.write_text(
        "Sample,Role,Date,Instrument,Temperature (°C),Density (kg/m³)\nQQ,reference,2026-03-02,VD,40,850\n", "utf-8"
    )
    found = [one.finding for one in review_setup(lab, [export]).findings]
    reason = "the export calls it a reference oil, and no [[reference]] fits it"
    assert found == [f"QQ: 1 run without a certificate valid on the day: {reason}; 2026-03-02"]


def test_refused_rows_of_a_kind_stand_together(tmp_path: Path) -> None:
    rows = ROWS.replace("46.12", "---").replace("46.30", "===")
    found = review_setup(laboratory(tmp_path, LAB, rows)).findings[0]
    assert found.finding.startswith("refused: line 3, column 'Kinematic viscosity (mm²/s)': '---': expected a number")
    assert found.finding.endswith("; 1 more row like it")


def test_exports_that_cannot_be_read_are_all_named(tmp_path: Path) -> None:
    lab = laboratory(tmp_path, LAB, ROWS)
    (tmp_path / "record" / "past.csv").write_text("Dear colleague,\n", encoding="utf-8")
    (tmp_path / "empty.csv").write_text("", encoding="utf-8")
    review = review_setup(lab, [tmp_path / "empty.csv"])
    assert [(one.severity, one.place) for one in review.findings] == [("error", "past.csv"), ("error", "empty.csv")]
    assert (review.exports, review.refused) == ((), True)


def test_a_decision_that_cannot_be_read(tmp_path: Path) -> None:
    review = review_setup(laboratory(tmp_path, LAB, ROWS, decisions=DECISION + "{}\n"))
    assert review.findings == (Finding("error", "decisions.jsonl", "line 2: who: missing, and must be given"),)


def test_the_line_of_a_finding_is_the_one_in_the_file(tmp_path: Path) -> None:
    text = changed(LAB, "value = 850.00", "value = 0.85")
    found = review_setup(laboratory(tmp_path, text, ROWS)).findings[0]
    assert "value = 0.85" in text.splitlines()[found.line - 1]


def run(*words: str | Path) -> Result:
    result = CliRunner().invoke(main, [str(word) for word in words])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


def test_check_says_all_problems_of_lab_toml_at_once(tmp_path: Path) -> None:
    """Five names unknown and missing, decimals, a day: twelve; another command says how many and where they are."""
    text = LAB.replace("name = ", "nam = ").replace("decimals = 1", "decimals = 9").replace("2026-01-01", "2026")
    lab = laboratory(tmp_path, text, ROWS)
    shown = run("check", "--lab", lab)
    assert shown.exit_code == 1
    lines = shown.stdout.splitlines()
    assert lines[:2] == [f"{lab}: 12 errors.", "It can't be used like this; the exports are looked at once it can."]
    assert "  product[1].limit[1].decimals, line 31: 9: a whole number from 0 to 6 is expected" in lines
    assert sum(line.startswith("  ") for line in lines) == 12
    read = run("read", tmp_path / "record" / "past.csv", "--lab", lab)
    assert read.exit_code == 2
    assert read.stderr.endswith(f"(the first of 12 problems; `labcalc check --lab {lab}` lists all)\n")


def test_check_on_the_screen_and_for_programs(tmp_path: Path) -> None:
    lab = laboratory(tmp_path, LAB, ROWS)
    quiet = run("check", "--lab", lab)
    assert quiet.stdout.splitlines() == [
        f"{lab}: nothing to mend.",
        "  profile 'Plain': 1 export, 4 rows read, 0 refused",
        "      past.csv",
    ]
    assert quiet.exit_code == 0
    lab.write_text(changed(LAB, "= 0.02 }", "= 0 }"), encoding="utf-8")
    answer = run("check", "--lab", lab, "--json")
    assert answer.exit_code == 1
    (found,) = json.loads(answer.stdout)["findings"]
    assert (found["severity"], found["line"], found["remedy"]) == ("error", 22, "Take U from the certificate.")
    assert json.loads(answer.stdout)["exports"][0]["profile"] == "Plain"


def test_without_a_lab_toml_nothing_is_checked(tmp_path: Path) -> None:
    assert (run("check").exit_code, run("check", "--lab", tmp_path / "none.toml").exit_code) == (2, 2)
    with pytest.raises(SettingsError, match="there is no such file"):
        review_setup(tmp_path / "none.toml")
