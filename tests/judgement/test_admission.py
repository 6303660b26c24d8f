"""What enters the record: rows once, no contradicted version, no doubted time. By hand, and the sample."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path

import pandas as pd
import pytest

from labcalc.errors import SettingsError
from labcalc.exports import read_export
from labcalc.judgement import Judgement, Material, gather, gather_record, judge, report_duplicates, report_month
from labcalc.judgement.record.clocks import _longest_rise
from labcalc.lab import add_certificates, add_decision, add_exports, load_laboratory
from labcalc.shipped import sample_exports, sample_lab
from tests.judgement.conftest import GOOD, HEADER, LAB, REFERENCE

Gather = Callable[..., Material]

RUN = "S1,S-1,2026-03-02 08:00:05,VD,40,46.12,858.1\nS1,S-1,2026-03-02 08:10:05,VD,100,6.870,819.9\n"
OTHER = RUN.replace("46.12", "46.21")
SECOND = "S2,S-2,2026-03-02 09:00:05,VD,40,45.90,858.0\n"


@pytest.fixture
def gathered(tmp_path: Path) -> Gather:
    """Gather exports that are written inline, those at hand by name; ``past``: the record's."""

    def call(
        *,
        past: dict[str, str] | None = None,
        decisions: list[dict[str, str]] | None = None,
        header: str = HEADER,
        **at_hand: str,
    ) -> Material:
        (tmp_path / "lab.toml").write_text(LAB, encoding="utf-8")
        for folder, files in (("record", past or {}), ("today", at_hand)):
            shutil.rmtree(tmp_path / folder, ignore_errors=True)
            (tmp_path / folder).mkdir()
            for name, rows in files.items():
                (tmp_path / folder / f"{name}.csv").write_text(header + rows, encoding="utf-8")
        said = {"who": "I. Duarte", "when": "2026-03-03T10:00:00+00:00", "why": "asked the analyst"}
        lines = "".join(json.dumps(said | one) + "\n" for one in decisions or ())
        (tmp_path / "decisions.jsonl").write_text(lines, encoding="utf-8")
        return gather(sorted((tmp_path / "today").iterdir()), tmp_path / "lab.toml")

    return call


def judged(material: Material, run: str = "S1") -> Judgement:
    return judge(material.dossier(run))


def values(table: pd.DataFrame) -> list[float]:
    return sorted(table["kinematic_viscosity_mm2_s"].tolist())


# --- The same rows in two files are one ---


@pytest.mark.parametrize(
    "again",
    [
        RUN + SECOND,
        SECOND + RUN.replace("46.12", "46.120"),
        RUN.replace("S1,", "other,"),
        RUN.splitlines()[1] + "\n" + SECOND,  # begins in the midst of a run
    ],
)
def test_rows_of_two_files_are_one(gathered: Gather, again: str) -> None:
    alone, both = gathered(a=RUN), gathered(a=RUN, b=again)
    first = both.reading.table[both.reading.table["sample"] == "S-1"]
    assert values(first) == values(alone.reading.table) == [6.87, 46.12]
    assert values(both.record[both.record["sample"] == "S-1"]) == [6.87, 46.12]
    assert [one.name for one in both.dossier("S1").sources] == ["a.csv", "b.csv"]
    number = both.reading.sources[1].determinations - len(both.reading.table) + 2
    assert both.repeated == (f"b.csv: {number} determination{'s' * (number > 1)} of a.csv, counted once",)
    assert both.doubts == ()
    assert [one.repeats for one in judged(both).results] == [one.repeats for one in judged(alone).results]


def test_a_run_at_hand_that_the_record_holds_under_another_name_is_no_earlier_result(gathered: Gather) -> None:
    material = gathered(today=RUN, past={"week": RUN.replace("S1,", "VD-17,") + SECOND})
    assert material.runs == ("S1",)
    assert sorted(material.record["run"].unique()) == ["S1", "S2"]
    assert material.dossier("S1").history.empty
    assert [one.name for one in material.dossier("S1").sources] == ["today.csv", "week.csv"]


def test_the_same_file_in_the_record_needs_no_telling_and_another_name_for_its_bytes_does(gathered: Gather) -> None:
    assert gathered(today=RUN, past={"today": RUN}).repeated == ()
    other = gathered(today=RUN, past={"copy": RUN})
    assert other.repeated == ("copy.csv: 2 determinations of today.csv, counted once",)
    assert [one.name for one in other.dossier("S1").sources] == ["today.csv", "copy.csv"]


def test_repeats_with_equal_values_stay_repeats(gathered: Gather) -> None:
    """Two fills under one time, equal as printed, are two in each file: two in all, not one and not four."""
    fills = SECOND.replace("09:00:05", "09:00") * 2
    for material in (gathered(a=fills), gathered(a=fills, b=fills + RUN)):
        assert values(material.record[material.record["sample"] == "S-2"]) == [45.9, 45.9]


def test_columns_of_one_row_in_two_files_stay_together(gathered: Gather) -> None:
    """A file of viscosities and one of densities complete each other; what holds less than another is its repeat."""
    viscosity, density = SECOND.replace("858.0", ""), SECOND.replace("45.90", "")
    assert len(gathered(a=viscosity, b=density).record) == 2
    assert len(gathered(a=SECOND, b=density).record) == 1


def test_rows_doubled_in_a_file_are_one_where_times_have_seconds(tmp_path: Path) -> None:
    (tmp_path / "seconds.csv").write_text(HEADER + RUN + RUN + SECOND, encoding="utf-8")
    (tmp_path / "minutes.csv").write_text(HEADER + (RUN + RUN).replace(":05,", ","), encoding="utf-8")
    doubled = read_export(tmp_path / "seconds.csv")
    assert doubled.table["source_line"].tolist() == [2, 3, 6]
    assert doubled.table["replicate"].tolist() == [1, 1, 1]
    (source,) = doubled.sources
    assert (source.rows_read, source.rows_refused, source.doubled) == (3, 0, (4, 5))
    assert source.read_as.endswith("2 rows doubled and counted once: lines 4, 5")
    assert read_export(tmp_path / "minutes.csv").table["replicate"].tolist() == [1, 1, 2, 2]


# --- Of two versions none counts until somebody says which ---


def test_two_versions_in_files_of_one_name_are_told_apart(gathered: Gather) -> None:
    """A corrected export mostly keeps its name: decided by name and digest, as by name elsewhere."""
    material = gathered(past={"a": OTHER}, a=RUN)
    corrected, first = (f"a.csv ({sha256((HEADER + text).encode()).hexdigest()[:8]})" for text in (RUN, OTHER))
    assert [one.finding.split(" give ")[0] for one in material.first_doubts] == [
        f"{corrected} line 2 and {first} line 2"
    ]
    decided = {"what": "count", "run": "S1"}
    assert len(gathered(past={"a": OTHER}, a=RUN, decisions=[decided | {"file": "a.csv"}]).doubts) == 2
    for file, kv in ((corrected, 46.12), (first, 46.21)):
        material = gathered(past={"a": OTHER}, a=RUN, decisions=[decided | {"file": file}])
        assert (material.doubts, values(material.record)) == ((), [6.87, kv])


def test_two_versions_are_of_the_month_in_which_they_were_measured(gathered: Gather) -> None:
    """No other month changes, also where no row of the later file counts."""
    earlier = SECOND.replace("2026-03-02", "2026-02-02")
    material = gathered(a=RUN + earlier, b=OTHER)
    assert [
        len(material.doubts),
        *(
            sum("versions" in one.key for one in report_month(material, month).actions)
            for month in ("2026-02", "2026-03")
        ),
    ] == [2, 0, 2]


def test_two_versions_are_refused_until_decided(gathered: Gather) -> None:
    material = gathered(a=RUN + SECOND, b=OTHER)
    assert values(material.record) == [45.9]
    judgement = judged(material)
    assert judgement.verdict == "not releasable"
    assert [one.name for one in judgement.checks].count("One version") == 1
    assert judgement.reason.startswith(
        "One version: a.csv line 2 and b.csv line 2 give 46.12 and 46.21 mm²/s (kinematic viscosity at 40 °C) "
        "for the same instrument, time, sample and fill: a decision to count one of them settles it"
    )
    assert [(one.file, one.line, one.about) for one in material.doubts] == [
        ("a.csv", 2, "versions"),
        ("b.csv", 2, "versions"),
    ]


@pytest.mark.parametrize(("file", "counting"), [("a.csv", 46.12), ("b.csv", 46.21)])
def test_the_version_that_was_decided_for_counts(gathered: Gather, file: str, counting: float) -> None:
    material = gathered(a=RUN, b=OTHER, decisions=[{"what": "count", "run": "S1", "file": file}])
    assert values(material.record) == values(material.reading.table) == [6.87, counting]
    assert material.doubts == ()
    assert "One version" not in [one.name for one in judged(material).checks]
    (told,) = material.repeated
    assert told == f"{'b' if file == 'a.csv' else 'a'}.csv: run S1 gives way, as decided"


def test_a_copy_of_the_version_that_counts_contradicts_no_more(gathered: Gather) -> None:
    """One decision settles it, however many files hold either version."""
    decided = [{"what": "count", "run": "S1", "file": "a.csv"}]
    files = {"a": RUN + SECOND, "b": RUN, "c": OTHER}
    assert {one.file for one in gathered(**files).doubts} == {"a.csv", "b.csv", "c.csv"}
    material = gathered(**files, decisions=decided)
    assert (material.doubts, values(material.record)) == ((), [6.87, 45.9, 46.12])


def test_a_version_under_another_run_gives_way_to_exclusion(gathered: Gather) -> None:
    material = gathered(a=RUN, b=OTHER.replace("S1,", "S9,"), decisions=[{"what": "exclude", "run": "S9"}])
    assert material.doubts == ()
    assert "One version" not in [one.name for one in judged(material).checks]


def test_a_version_in_the_record_is_as_good_as_one_at_hand(gathered: Gather) -> None:
    material = gathered(today=OTHER, past={"week": RUN + SECOND})
    assert values(material.record) == [45.9]
    assert judged(material).verdict == "not releasable"


def test_of_runs_of_one_name_at_other_times_the_one_at_hand_counts(gathered: Gather) -> None:
    material = gathered(today=RUN, past={"week": RUN.replace("2026-03-02", "2026-02-02") + SECOND})
    assert values(material.record) == [6.87, 45.9, 46.12]
    assert material.doubts == ()


def test_days_without_a_clock_and_rows_without_an_instrument_prove_nothing(gathered: Gather) -> None:
    for change in ((" 08:00:05", ""), (",VD,", ",,")):
        assert gathered(a=RUN.replace(*change), b=OTHER.replace(*change)).doubts == ()


# --- A coarser copy is one row in two resolutions ---

FINE = RUN.replace("46.12", "46.1234").replace("858.1", "858.13").replace("6.870", "6.87041")
COARSE = RUN + SECOND.replace("45.90", "45.91")


@pytest.mark.parametrize("order", [{"a": FINE, "b": COARSE}, {"a": COARSE, "b": FINE}])
def test_of_one_row_in_two_resolutions_the_finer_counts(gathered: Gather, order: dict[str, str]) -> None:
    """46.1234 in two decimals is 46.12, 6.87041 is 6.87, 858.13 in one is 858.1: rounded by hand."""
    material = gathered(**order)
    fine, coarse = (name for _, name in sorted((rows == COARSE, f"{name}.csv") for name, rows in order.items()))
    assert values(material.record) == values(material.reading.table) == [6.87041, 45.91, 46.1234]
    assert material.doubts == ()
    assert material.repeated == (f"{coarse}: 2 determinations of {fine} in fewer digits, counted once",)
    dossier = material.dossier("S1")
    assert set(dossier.rows["source_file"]) == {fine}
    assert [one.name for one in dossier.sources] == ["a.csv", "b.csv"]
    assert sorted(dossier.rows["density_kg_m3"]) == [819.9, 858.13]


def test_what_is_at_hand_gives_way_to_more_digits_in_the_record(gathered: Gather) -> None:
    material = gathered(today=COARSE, past={"week": FINE})
    assert material.runs == ("S1", "S2")
    assert values(material.record) == values(material.reading.table) == [6.87041, 45.91, 46.1234]
    assert [one.name for one in material.dossier("S1").sources] == ["today.csv", "week.csv"]
    alone = judged(gathered(today=FINE + COARSE.splitlines()[-1] + "\n"))
    assert [one.reported for one in judged(material).results] == [one.reported for one in alone.results]
    there = gathered(today=FINE, past={"week": COARSE})
    assert values(there.record) == [6.87041, 45.91, 46.1234]
    assert there.repeated == ("week.csv: 2 determinations of today.csv in fewer digits, counted once",)


@pytest.mark.parametrize(
    ("finer", "coarser", "is_copy"),
    [
        ("46.125", "46.12", True),  # half to even
        ("46.125", "46.13", True),  # half up
        ("46.1251", "46.12", False),
        ("46.1149", "46.12", False),
        ("46.1150", "46.12", True),
        ("46.2", "46.12", False),  # the other way round: fewer digits, but not those of 46.12
    ],
)
def test_only_what_rounding_gives_is_a_copy(gathered: Gather, finer: str, coarser: str, is_copy: bool) -> None:
    material = gathered(a=RUN.replace("46.12", finer), b=COARSE.replace("46.12", coarser))
    assert [one.about for one in material.doubts] == ([] if is_copy else ["versions", "versions"])


def test_a_copy_says_nothing_new(gathered: Gather) -> None:
    """Coarser in one column and finer in the other, with a density that the finer lacks, or of too few values."""
    crossed = FINE.replace("858.13", "858")
    assert len(gathered(a=crossed, b=COARSE).doubts) == 2
    assert len(gathered(a=FINE.replace(",858.13", ","), b=COARSE).doubts) == 2
    assert len(gathered(a=FINE, b=RUN).doubts) == 2, "of two values both may end in a zero by chance"


def test_three_resolutions_are_one_row(gathered: Gather) -> None:
    coarsest = COARSE.replace("46.12", "46.1").replace("6.870", "6.9").replace("45.91", "45.9")
    for order in ({"a": FINE, "b": COARSE, "c": coarsest}, {"a": coarsest, "b": COARSE, "c": FINE}):
        material = gathered(**order)
        assert values(material.record) == values(material.reading.table) == [6.87041, 45.91, 46.1234]
        assert material.doubts == ()
    material = gathered(today=coarsest, past={"w": COARSE, "x": FINE})
    assert values(material.record) == values(material.reading.table) == [6.87041, 45.91, 46.1234]


def test_the_coarser_counts_where_somebody_says_so(gathered: Gather) -> None:
    material = gathered(a=FINE, b=COARSE, decisions=[{"what": "count", "run": "S1", "file": "b.csv"}])
    assert values(material.record) == values(material.reading.table) == [6.87, 45.91, 46.12]
    assert material.repeated == ("a.csv: run S1 gives way, as decided",)


# --- Times that can't be right ---


def week(number: int = 12, *, day: str = "2026-03-02", first: int = 0) -> str:
    return "".join(
        f"W{n},S-{n},{day} {8 + n // 4:02}:{n % 4 * 15:02}:05,VD,40,46.1,858.1\n" for n in range(first, first + number)
    )


def test_a_clock_that_restarts_is_told_and_kept_out(gathered: Gather) -> None:
    material = gathered(a=week(12) + "S1,S-1,2015-01-01 00:03:11,VD,40,46.1,858.1\n")
    (doubt,) = material.doubts
    assert doubt.sentence == (
        "a.csv, line 14, run S1: its time, 2015-01-01 00:03, lies far from the file's others (2026-03-02 to 2026-03-02)"
    )
    assert "S1" not in set(material.record["run"])
    check = next(one for one in judged(material).checks if one.name == "Time of measurement")
    assert (check.state, judged(material).verdict) == ("doubtful", "needs a second look")


def test_where_it_restarts_amid_a_file_all_of_it_is_doubted(gathered: Gather) -> None:
    material = gathered(a=week(8) + week(4, day="2015-01-01", first=8))
    assert len(material.doubts) == 12
    assert material.record.empty
    assert judged(material, "W0").verdict == "needs a second look"


def test_time_that_runs_backwards_is_told_where_the_file_is_in_order(gathered: Gather) -> None:
    rows = week(16).splitlines(keepends=True)
    back = rows[12].replace("11:00:05", "09:50:05")
    far = rows[3].replace("2026-03-02", "2015-01-01")
    both = gathered(a="".join([*rows[:3], far, *rows[4:12], back]))  # a far one doesn't spoil the order of the others
    assert [one.run for one in both.doubts] == ["W3", "W12"]
    material = gathered(a="".join([*rows[:12], back, *rows[13:]]))
    assert [(one.run, one.finding) for one in material.doubts] == [
        ("W12", "its time, 2026-03-02 09:50, runs back in the file")
    ]
    assert gathered(a="".join(reversed(rows))).doubts == ()  # the newest first
    shuffled = [rows[n * 7 % 16] for n in range(16)]
    assert gathered(a="".join(shuffled)).doubts == ()  # a file that has no order


def test_a_time_before_the_lot_was_valid_is_told(gathered: Gather) -> None:
    rows = "R1,RO-1,A,2025-12-31 07:00,VD,40,50.05,850.05\nR2,RO-1,A,2026-01-01 07:00,VD,40,50.05,850.05\n"
    rows += "R3,RO-1,old,2025-12-31 09:00,VD,40,50.05,850.05\nR4,RO-1,,2025-12-31 10:00,VD,40,50.05,850.05\n"
    material = gathered(header=HEADER.replace("Sample", "Sample,Lot"), a=rows)
    assert [(one.run, one.finding) for one in material.doubts] == [
        ("R1", "its time, 2025-12-31 07:00, lies before lot A was valid (2026-01-01)")
    ]
    assert sorted(material.comparisons["run"].unique()) == ["R2", "R3", "R4"]


def test_the_future_is_told_until_it_has_come(gathered: Gather, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LABCALC_NOW", "2026-03-02T08:05:00+00:00")
    material = gathered(a=RUN + SECOND)
    assert [(one.run, one.finding) for one in material.doubts] == [
        ("S1", "its time, 2026-03-02 08:10, lies in the future"),
        ("S2", "its time, 2026-03-02 09:00, lies in the future"),
    ]
    monkeypatch.setenv("LABCALC_NOW", "2026-03-02T09:00:00+00:00")
    assert gathered(a=RUN + SECOND).doubts == ()
    monkeypatch.setenv("LABCALC_NOW", "noon")
    with pytest.raises(SettingsError, match=r"^LABCALC_NOW: 'noon': a time with its zone"):
        gathered(a=RUN)


@pytest.mark.parametrize("about", [{"run": "S1"}, {"file": "a.csv"}, {"run": "S1", "file": "a.csv"}])
def test_a_doubted_time_counts_once_somebody_says_so(gathered: Gather, about: dict[str, str]) -> None:
    rows = week(12) + "S1,S-1,2015-01-01 00:03:11,VD,40,46.1,858.1\n"
    material = gathered(a=rows, decisions=[{"what": "count", **about}])
    assert material.doubts == ()
    assert "S1" in set(material.record["run"])
    excluded = gathered(a=rows, decisions=[{"what": "exclude", "run": "S1"}])
    assert excluded.doubts == ()
    assert "S1" not in set(excluded.record["run"])


def test_a_longest_rise_by_hand() -> None:
    assert _longest_rise([1, 2, 9, 3, 3, 4]) == [5, 4, 3, 1, 0]


# --- The sample laboratory ---


@pytest.fixture(scope="module")
def laboratory(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample laboratory, its record in a folder of its own."""
    folder = tmp_path_factory.mktemp("sample")
    shutil.copytree(sample_lab().parent / "exports", folder / "exports")
    shutil.copy(sample_lab(), folder)
    return folder


def test_the_sample_laboratory_raises_no_doubt() -> None:
    material = gather_record()
    assert (material.doubts, material.repeated, material.unusable) == ((), (), ())
    assert [one.doubled for one in material.sources if one.doubled] == []
    assert len(sample_exports()) > 0


def test_precision_gains_nothing_by_a_copied_file(laboratory: Path) -> None:
    before = gather_record(laboratory / "lab.toml")
    numbers = report_duplicates(before), report_month(before, "2026-02")
    text = (laboratory / "exports" / "VD-1_2026-W08.txt").read_text("utf-16")
    head, *rows = text.splitlines()
    copy = laboratory / "exports" / "VD-1_2026-W08_again.txt"
    copy.write_text("\r\n".join([head, *rows[5:]]), encoding="utf-16")
    after = gather_record(laboratory / "lab.toml")
    again = report_duplicates(after), report_month(after, "2026-02")
    copy.unlink()
    assert len(after.record) == len(before.record)
    assert after.repeated[0].endswith(" determinations of VD-1_2026-W08.txt, counted once")
    assert repr(again[0].summaries) == repr(numbers[0].summaries)  # NaN is no NaN's equal
    pd.testing.assert_frame_equal(again[0].sets, numbers[0].sets)
    assert (again[1].actions, again[1].runs, again[1].reference_runs) == (
        numbers[1].actions,
        numbers[1].runs,
        numbers[1].reference_runs,
    )
    assert any("VD-1_2026-W08_again.txt" in one for one in again[1].notices)


def test_what_was_judged_stays_when_april_comes_with_a_bad_clock(laboratory: Path) -> None:
    before = gather_record(laboratory / "lab.toml")
    march = before.record[before.record["measured_at"].dt.strftime("%Y-%m") == "2026-03"]
    runs = list(dict.fromkeys(march["run"]))[::9]
    judged_before = [(before.dossier(run).digest, judge(before.dossier(run)).reason) for run in runs]
    month = report_month(before, "2026-03")
    text = (laboratory / "exports" / "VD-1_2026-W02.csv").read_text("utf-8")
    head, *rows = text.splitlines(keepends=True)
    april = [row.replace("2026-01-0", "2026-04-1").replace("VD-1-2601", "VD-1-2604") for row in rows]
    restarted = [row.replace("2026-04-1", "2015-01-0") if "REF-THIN" in row else row for row in april]
    added = laboratory / "exports" / "VD-1_2026-W16.csv"
    added.write_text(head + "".join(restarted), encoding="utf-8")
    after = gather_record(laboratory / "lab.toml")
    judged_after = [(after.dossier(run).digest, judge(after.dossier(run)).reason) for run in runs]
    again, of_april = report_month(after, "2026-03"), report_month(after, "2026-04")
    added.unlink()
    assert judged_after == judged_before
    assert after.doubts
    assert after.record["measured_at"].min().year == 2026
    assert (again.actions, again.notices, again.verdict) == (month.actions, month.notices, month.verdict)
    assert of_april.actions[0].urgent
    assert of_april.actions[0].about == "VD-1_2026-W16.csv"
    assert "2015-01-" in of_april.actions[0].finding


def test_a_line_that_is_no_decision_is_urgent_and_stops_nothing(laboratory: Path) -> None:
    chosen = load_laboratory(laboratory / "lab.toml")
    add_decision(chosen, who="I. Duarte", what="conclusion", why="cleaned", instrument="VD-1")
    with (laboratory / "decisions.jsonl").open("a", encoding="utf-8") as file:
        file.write("exclude everything\n")
    report = report_month(gather_record(laboratory / "lab.toml"), "2026-02")
    (laboratory / "decisions.jsonl").unlink()
    (action,) = (one for one in report.actions if one.about == "Decisions, line 2")
    assert action.urgent
    assert action.finding == "'exclude everything': a decision in braces is expected"


def test_a_certified_value_that_was_changed_is_told(tmp_path: Path) -> None:
    """What was rendered before went by the old value: without a word, two pages of a month would contradict."""
    settings, export = tmp_path / "lab.toml", tmp_path / "a.csv"
    settings.write_text(LAB + '[record]\nfile = "record.sqlite"\n', "utf-8")
    export.write_text(HEADER + REFERENCE + GOOD, "utf-8")
    list(add_exports(load_laboratory(settings), [export], who="A"))

    def notices() -> list[str]:
        return [one for one in report_month(gather_record(settings), "2026-03").notices if "was changed" in one]

    assert notices() == []
    add_certificates(load_laboratory(settings), who="I. Duarte")
    assert notices() == []
    settings.write_text(settings.read_text("utf-8").replace("value = 50.00", "value = 50.20"), "utf-8")
    changed = ") from kinematic viscosity at 40 °C 50.0 ± 0.1 to kinematic viscosity at 40 °C 50.2 ± 0.1. This page"
    assert [changed in one and "in lab.toml, not yet in the record" in one for one in notices()] == [True]
    add_certificates(load_laboratory(settings), who="I. Duarte")
    assert [changed in one and "by I. Duarte, entry 10" in one for one in notices()] == [True]
