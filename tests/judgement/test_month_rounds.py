"""Rounds of proficiency tests in a month: scores by hand become actions, and are carried like any other."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from labcalc.judgement import month_of
from labcalc.judgement.checks import IMPORTANT, URGENT
from labcalc.judgement.month.report import month_rounds
from labcalc.lab import Laboratory
from labcalc.shipped import sample_lab
from tests.test_commands import run

HEADER = "scheme,round,date,quantity,own,assigned,sigma,U_assigned\n"
MARCH, APRIL = (month_of(name, "Europe/Lisbon") for name in ("2026-03", "2026-04"))


def laboratory(folder: Path, rounds: str, header: str = HEADER) -> Laboratory:
    (folder / "rounds.csv").write_text(header + rounds, encoding="utf-8")
    return Laboratory(name="L", file=folder / "lab.toml", proficiency_rounds="rounds.csv")


def test_scores_of_the_month_by_hand(tmp_path: Path) -> None:
    """z = (46.35 − 46.10) / 0.12 = 2.08 warns; (850.97 − 850.00) / 0.30 = 3.23 calls for action; 0.5 is acceptable."""
    of = laboratory(
        tmp_path,
        "S,1,2026-02-28,KV40,49.00,46.10,0.12,0.01\nS,2,2026-03-01,KV40,46.35,46.10,0.12,0.01\n"
        "S,2,2026-03-31,D15,850.97,850.00,0.30,0.01\nS,2,2026-03-31,KV100,8.06,8.00,0.12,0.01\n",
    )
    found, notices = month_rounds(of, MARCH)
    assert [(one.severity, one.about, one.finding.split(" (")[0]) for one in found][:2] == [
        (IMPORTANT, "KV40, S, 2", "z +2.08, warning"),
        (URGENT, "D15, S, 2", "z +3.23, action"),
    ]
    assert [(one.about, one.which) for one in found[2:]] == [("KV40", "steady")], "with the round of February"
    assert notices == ("3 proficiency rounds of the period in rounds.csv.",)
    assert len({(one.about, one.which) for one in found}) == len(found)
    assert month_rounds(of, APRIL) == ((), ("0 proficiency rounds of the period in rounds.csv.",))


@pytest.mark.parametrize(
    ("rounds", "problem"),
    [
        ("S,1,,KV40,46.2,46.1,0.12,\n", "line 2: date is empty: a day such as 2026-03-14 was expected"),
        ("S,1,3/2026,KV40,46.2,46.1,0.12,\n", "line 2: date '3/2026': a day such as 2026-03-14 was expected"),
        ("S,1,2026-03-01,KV40,x,46.1,0.12,\n", "line 2: own 'x': a number was expected"),
    ],
)
def test_a_file_that_cannot_be_used_is_an_action(rounds: str, problem: str, tmp_path: Path) -> None:
    (only,), notices = month_rounds(laboratory(tmp_path, rounds), MARCH)
    assert (only.about, notices) == ("Proficiency rounds", ())
    assert only.finding == f"can't be read: rounds.csv: {problem}"
    (tmp_path / "rounds.csv").unlink()
    (gone,), _ = month_rounds(Laboratory(file=tmp_path / "lab.toml", proficiency_rounds="rounds.csv"), MARCH)
    assert gone.finding == "can't be read: rounds.csv: No such file or directory"


def test_no_file_of_rounds_says_nothing(tmp_path: Path) -> None:
    assert month_rounds(Laboratory(file=tmp_path / "lab.toml"), MARCH) == ((), ())
    assert month_rounds(Laboratory(), MARCH) == ((), ())


def test_a_poor_score_is_an_action_of_its_month_and_carried_until_closed(tmp_path: Path) -> None:
    folder = Path(sample_lab()).parent
    shutil.copytree(folder / "exports", tmp_path / "exports")
    text = (folder / "lab.toml").read_text("utf-8")
    text = text.replace("[laboratory]\n", '[laboratory]\nproficiency_rounds = "rounds.csv"\n', 1)
    (tmp_path / "lab.toml").write_text(text, encoding="utf-8")
    (tmp_path / "rounds.csv").write_text(HEADER + "S,7,2026-02-10,D15,850.97,850.00,0.30,0.01\n", encoding="utf-8")
    lab = ("--lab", tmp_path / "lab.toml")

    def actions(month: str) -> list[dict[str, str]]:
        said = run("month", month, *lab, "--out", tmp_path / month, "--json").stdout
        return [one for one in json.loads(said)["actions"] if "S, 7" in one["about"] + one["finding"]]

    (found,) = actions("2026-02")
    assert (found["about"], found["severity"]) == ("D15, S, 7", "now")
    assert found["finding"] == "z +3.23, action (own 850.97, assigned 850.00)"
    assert actions("2026-03") == []
    words = ("--month", "2026-02", "--owner", "Ines Falk", "--by", "Q. Reis", "--due", "2100-04-15")
    done = run("record", "act", *words, "--finding", found["key"], *lab)
    assert done.exit_code == 0, done.output
    assert actions("2026-02")[0]["followed"].startswith("action ")
    (carried,) = actions("2026-03")
    assert carried["finding"].startswith("finding gone: check the effect and close")
