"""``labcalc proficiency``, ``comparison``, ``precision-study``: pages, words, exit codes, what can't be used."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

from labcalc.errors import StudyError
from labcalc.figures import study_pictures
from labcalc.judgement import Study, report_study
from labcalc.shipped import example_file, sample_lab, workbook_file
from labcalc.workbooks import render_workbook
from tests.test_commands import run

COMMANDS = ("proficiency", "comparison", "precision-study")


def written(folder: Path, text: str) -> str:
    (folder / "results.csv").write_text(text, encoding="utf-8")
    return str(folder / "results.csv")


def tables(study: Study) -> dict[str, dict[str, tuple[str, ...]]]:
    return {one.caption: {row[0]: row[1:] for row in one.rows} for one in study.tables}


@pytest.mark.parametrize("command", COMMANDS)
def test_a_published_example_becomes_a_page(command: str, tmp_path: Path) -> None:
    result = run(command, "--example", "--out", tmp_path / "out")
    assert result.exit_code == 0, result.output
    page = tmp_path / "out" / f"{command}-{example_file(command).name}.html"
    assert result.stdout.splitlines()[-1] == f"Begin with {page}"
    html = page.read_text("utf-8")
    assert "Figure 1." in html
    assert page.name in (tmp_path / "out" / "index.html").read_text("utf-8")


@pytest.mark.parametrize("command", COMMANDS)
def test_without_out_the_words_are_said(command: str) -> None:
    study = report_study(command)
    result = run(command, "--example")
    assert result.stdout.startswith(f"{study.title}: {study.verdict}: {study.reason}.\n")
    told = json.loads(run(command, "--example", "--json").stdout)
    assert told == {"about": example_file(command).name, "verdict": study.verdict, "reason": study.reason}
    assert run(command).exit_code == 2
    assert "without a file or --lab beside it" in run(command, "--example", "--lab", sample_lab()).stderr


def test_the_same_page_twice(tmp_path: Path) -> None:
    file = workbook_file("precision_study")
    words = {"exports": [str(example_file("gauge_study"))], "lower": 18.0, "upper": 58.0}
    pages = [render_workbook(file, words, tmp_path / name, title="Study") for name in ("one.html", "two.html")]
    assert pages[0].digest == pages[1].digest
    assert pages[0].figures == 2


# --- Proficiency ---


def test_scores_of_one_round(tmp_path: Path) -> None:
    """By hand (computed elsewhere): x 46.35, x_pt 46.10, σ_pt .12, u .05 and .03: z 2.08, ζ 4.29, E_n 2.14."""
    file = written(
        tmp_path, "scheme;round;quantity;own;assigned;sigma;U_own;U_assigned\nS;1;KV40;46,35;46,10;0,12;0,10;0,06\n"
    )
    study = report_study("proficiency", [file])
    assert tables(study)["Round by round"]["KV40, S, 1"][-1] == "z +2.08: warning; ζ +4.29: action; E_n +2.14: action"
    assert study.verdict == "needs action"
    assert study.findings[0].what_to_do.startswith("The stated uncertainty is too small")


def test_a_steady_bias_that_no_single_round_shows(tmp_path: Path) -> None:
    rounds = "".join(f"S,{i},D15,{850.0 + 0.3 * z},850.0,0.3\n" for i, z in enumerate((1.2, 1.6, 0.9, 1.8)))
    study = report_study("proficiency", [written(tmp_path, f"scheme,round,quantity,own,assigned,sigma\n{rounds}")])
    note = "z, although the uncertainty of the assigned value isn't known (U_assigned): S, 0, S, 1, S, 2 and 1 more."
    assert study.tables[0].notes[1] == note
    assert tables(study)["Rounds together"]["D15"][:3] == ("4", "+1.37", "+2.75")
    assert study.findings[0].finding == "steady bias: mean z +1.37 of 4 rounds, RSZ +2.75"
    assert study.rank == 2


def test_rounds_that_lab_toml_names_are_scored_on_its_own_page(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lab, settings = tmp_path / "lab.toml", '[laboratory]\nname = "Quay Seven"\ntime_zone = "UTC"\n'
    lab.write_text(settings, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    assert run("proficiency").exit_code == run("precision-study").exit_code == 2
    written(tmp_path, "scheme,round,quantity,own,assigned,sigma\nS,1,D15,851.2,850.0,0.3\n")
    lab.write_text(f'{settings}proficiency_rounds = "results.csv"\n', encoding="utf-8")
    said = "Proficiency rounds: needs action: 1 of 1 round with a score that calls for action"
    assert run("proficiency").stdout.startswith(said)
    assert run("proficiency", "--out", "out").stdout.startswith(said)
    assert "laboratory: Quay Seven · rounds: 1" in Path("out/proficiency-results.csv.html").read_text("utf-8")
    study = run("precision-study", example_file("precision-study"), "--lab", lab, "--out", "out")
    assert study.exit_code == 0
    assert sum("laboratory: Quay Seven" in page.read_text("utf-8") for page in Path("out").glob("p*.html")) == 2
    lab.write_text(f"{settings}proficiency_round = 1\n", encoding="utf-8")
    assert "did you mean" in run("proficiency", "results.csv", "--lab", lab).stderr


def test_own_precision_beside_the_round_s(tmp_path: Path) -> None:
    others = np.random.default_rng(1).normal(46.1, 0.1, 30).round(3)
    row = f"S,1,KV40,{others[0]},{' '.join(map(str, others))}"
    for own, words in ((0.25, True), (0.05, False)):
        text = f"scheme,round,quantity,own,participants,s_own,n_own\n{row},{own},25\n"
        found = [one.finding for one in report_study("proficiency", [written(tmp_path, text)]).findings]
        assert any("times as much as laboratories among each other" in one for one in found) == words


@pytest.mark.parametrize("s_own", ["", "0.25"])
def test_participants_that_all_found_the_same_are_scored_by_sigma(s_own: str, tmp_path: Path) -> None:
    """Their Q is 0: own precision has nothing to be held against, and the scores stand."""
    head = "scheme,round,quantity,own,assigned,sigma,participants,s_own,n_own"
    file = written(tmp_path, f"{head}\nS,1,D15,850.1,850.0,0.5,850.1 850.1 850.1,{s_own},25\n")
    study = report_study("proficiency", [file])
    assert tables(study)["Round by round"]["D15, S, 1"][-1] == "z +0.20: acceptable"
    assert (study.rank, study.findings) == (0, ())


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("scheme,round,quantity,own\nS,1,V,x\n", "line 2: own 'x': a number was expected"),
        ("scheme,round,quantity,own,sigma\n# note\n\nS,1,V,4,0\n", "line 4: sigma '0': a number above 0 was expected"),
        ("scheme,round,quantity,own\nS,1,,4\n", "line 2: quantity '': text was expected"),
        ("scheme,round,quantity\nS,1,V\n", "line 2: own '': a number was expected"),
        (
            "scheme,round,quantity,own,sigmas\nS,1,V,4,1\n",
            "line 1: column 'sigmas': one each of .*did you mean 'sigma'",
        ),
        ("scheme,round,quantity,own,Own\nS,1,V,4,1\n", "line 1: column 'own': one each of"),
        (f"scheme,round,quantity,own\n#\nS,1,{'V' * 200_000},4\n", "line 3: no row of a CSV file: field larger"),
        ('scheme,round,quantity,own\n"S\n2",1,V,4\nS,1,V,x\n', "line 4: own 'x': a number was expected"),
        ("scheme,round,quantity,own\nS,1,V\n", "line 2: 3 cells where the header has 4"),
        ("scheme,round,quantity,own\nS,1,V,4\n", "line 2: nothing to score by: assigned with sigma"),
        ("scheme,round,quantity,own,participants\nS,1,V,4,3 4 a\n", "line 2: participants '3 4 a': numbers with"),
        ("scheme,round,quantity,own,sigma\nS,1,V,1e99,1\n", "line 2: own '1e99': a number was expected"),
        ("scheme,round,quantity,own,participants\nS,1,V,4,3 3.9 5\n", "line 2: own 4 is not among the results"),
        ("scheme,round,quantity,own,participants\nS,1,V,4,4 4\n", "line 2: participants: 2 results at a level: 3 or"),
        (
            "scheme,round,quantity,own,assigned,sigma,participants\nS,1,V,4,4,1,4 5\n",
            "line 2: participants: 2 results at a level: 3 or",
        ),
        ("scheme,round,quantity,own\n", "no rows: a header with"),
    ],
)
def test_what_is_no_round_is_named_with_its_place(text: str, problem: str, tmp_path: Path) -> None:
    with pytest.raises(StudyError, match=f"results.csv: {problem}"):
        report_study("proficiency", [written(tmp_path, text)])
    result = run("proficiency", tmp_path / "results.csv")
    assert (result.exit_code, result.stderr.count("\n")) == (2, 1)


def test_a_file_in_another_coding_is_refused(tmp_path: Path) -> None:
    (tmp_path / "results.csv").write_bytes("scheme,own\nä,1\n".encode("cp1252"))
    with pytest.raises(StudyError, match="byte 11 is no UTF-8: save the file as CSV in UTF-8"):
        report_study("proficiency", [str(tmp_path / "results.csv")])


# --- Comparison ---


def two_methods(folder: Path, bias: float, number: int, seed: int = 1, repeats: int = 1, relative: float = 0.0) -> str:
    random = np.random.default_rng(seed)
    level = np.exp(random.uniform(2.0, 5.0, number)) if relative else random.uniform(20.0, 60.0, number)
    lines = [
        f"S{i},{name},{x + off + (relative * x or 1.0) * random.standard_normal():.4f}"
        for i, x in enumerate(level)
        for name, off in (("A", 0.0), ("B", bias))
        for _ in range(repeats)
    ]
    return written(folder, "sample,instrument,result\n" + "\n".join(lines))


def test_two_samples_exchanged_are_named_among_few(tmp_path: Path) -> None:
    """12 samples, two exchanged before the second method: one difference up, one down, and either hides the other."""
    level = np.linspace(30.0, 34.0, 12)
    other = level + 0.05 * np.random.default_rng(4).standard_normal(12)
    other[[3, 8]] = other[[8, 3]]
    pairs = zip(range(12), level, other, strict=True)
    lines = [f"S{n},{name},{x:.3f}" for n, a, b in pairs for name, x in (("A", a), ("B", b))]
    study = report_study("comparison", [written(tmp_path, "sample,instrument,result\n" + "\n".join(lines))])
    (found,) = [one for one in study.findings if one.about == "Samples"]
    assert found.finding == "S8, S3: further apart than the other 10 (2 %)"
    assert "Samples" not in [
        one.about for one in report_study("comparison", [two_methods(tmp_path, 0.0, 12, 3)]).findings
    ]


def test_one_stands_for_the_other_only_with_its_risk(tmp_path: Path) -> None:
    """Differences scatter √2: a twentieth lies beyond ±2.77; ±6 is safe with 60 samples, not with 10, ±1 is not."""
    file = two_methods(tmp_path, 0.0, 60)
    ranks = [report_study("comparison", [file], allowed=one).rank for one in (0.0, 6.0, 2.77, 1.0)]
    assert ranks == [1, 0, 1, 2]
    assert "say how large a difference matters" in report_study("comparison", [file]).reason
    assert "B may stand for A, on samples such as these: " in report_study("comparison", [file], allowed=6.0).reason
    assert report_study("comparison", [two_methods(tmp_path, 0.0, 10, seed=2)], allowed=4.0).rank == 1
    biased = report_study("comparison", [two_methods(tmp_path, 5.0, 60)], allowed=3.0)
    assert (biased.rank, biased.reason[:25]) == (2, "B may not stand for A: " + biased.reason[23:25])


def test_a_wrong_yes_is_rare(tmp_path: Path) -> None:
    """Simulated, 150 laboratories where 6 % lie beyond what is allowed: 'may stand' in at most one of twenty."""
    allowed = math.sqrt(2.0) * 1.8808
    said = [
        report_study("comparison", [two_methods(tmp_path, 0.0, 30, seed)], allowed=allowed).rank for seed in range(150)
    ]
    assert np.mean([one == 0 for one in said]) < 0.05


def test_errors_in_proportion_are_compared_in_percent(tmp_path: Path) -> None:
    file = two_methods(tmp_path, 0.0, 60, relative=0.02)
    assert "Spread" in [one.about for one in report_study("comparison", [file], allowed=10.0).findings]
    study = report_study("comparison", [file], allowed=10.0, percent=True)
    assert (study.rank, study.findings) == (0, ())
    assert study.result.lines[0].form.startswith("weighted Deming")
    assert len(study_pictures(study)) == 2


def test_differences_of_one_size_have_no_trend(tmp_path: Path) -> None:
    """Coarse results may all lie equally far from the median: nothing of their spread can go with the level."""
    pairs = [(10.0 + i, 10.5 + i - i % 2) for i in range(12)]
    lines = [f"s{i},{name},{one}" for i, pair in enumerate(pairs) for name, one in zip("AB", pair, strict=True)]
    study = report_study("comparison", [written(tmp_path, "sample,instrument,result\n" + "\n".join(lines))])
    assert [one.about for one in study.findings] == ["Distribution"]


def test_repeats_tell_the_errors_of_both(tmp_path: Path) -> None:
    study = report_study("comparison", [two_methods(tmp_path, 0.0, 40, repeats=3)], first="B", second="A")
    assert study.title == "A beside B"
    assert study.result.bias_class.name == "0"
    assert 0.6 < float(study.result.lines[0].form.rpartition(" ")[2]) < 1.6


@pytest.mark.parametrize(
    ("text", "words", "problem"),
    [
        ("sample,method,result\n1,A,2\n2,B,3\n", {}, "0 samples were measured by both A and B: 10 or more"),
        ("sample,method,result\n1,A,2\n2,B,3\n3,C,2\n", {}, "methods A, B, C: two were expected, or first and second"),
        ("sample,method,result\n1,A,2\n2,B,-3\n", {"percent": True}, "line 3: a result of 0 or below: in percent"),
        ("sample,method,result\n1,A,2\n2,B,3\n", {"allowed": -1.0}, "an allowed difference below 0"),
        ("sample,method,result\n1,A,2\n2,B,3\n", {"temperature": 40.0}, "a quantity or temperature beside a file"),
    ],
)
def test_what_is_no_comparison(text: str, words: dict[str, float], problem: str, tmp_path: Path) -> None:
    with pytest.raises(StudyError, match=problem):
        report_study("comparison", [written(tmp_path, text)], **words)


@pytest.mark.slow
def test_instruments_of_the_sample_laboratory() -> None:
    from labcalc.judgement import gather_record

    instruments = gather_record(sample_lab()).record["instrument"].dropna().unique().tolist()
    words = ("comparison", "--lab", sample_lab(), "--first", instruments[0], "--second")
    result = run(*words, instruments[1], "--percent", "--allowed", 5)
    assert "Distribution: differences are not normal" in result.stdout  # a bubble was planted
    assert ": can't be told yet: " in result.stdout
    result = run(*words, "nobody")
    assert "no kinematic viscosity repeated by 'nobody'; instruments with repeats: VD-1, VD-2" in result.stderr
    result = run(*words, instruments[1], "--temperature", 41)
    assert "no repeats at 41 °C; there are 40 °C" in result.stderr
    assert "no kinematic viscosity repeated by ''" in run("comparison", "--lab", sample_lab()).stderr


def test_comparison_takes_lab_toml_of_the_folder(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(sample_lab().parent)
    refused = run("comparison").stderr
    assert "instruments with repeats: VD-1, VD-2; operators with repeats: " in refused
    assert run("comparison", "--example").stdout.startswith("Atomic emission beside atomic absorption")


def test_text_of_a_file_is_text_on_the_page(tmp_path: Path) -> None:
    file = Path(two_methods(tmp_path, 0.0, 20))
    file.write_text(file.read_text("utf-8").replace(",A,", ",<b>A</b>,").replace("S1,", "<script>x</script>,"), "utf-8")
    assert run("comparison", file, "--out", tmp_path / "out").exit_code == 0
    html = (tmp_path / "out" / "comparison-results.csv.html").read_text("utf-8")
    assert "<script>x" not in html
    assert "<b>A</b>" not in html


# --- Precision ---


def test_glucose_with_an_outlier_kept() -> None:
    """ASTM E691, glucose (memory): s_r 2.7483 and s_R 3.4770 at C where laboratory 4 stays, R 9.42 at D."""
    study = report_study("precision-study", keep=["4@C", "2@E"])
    statement = tables(study)["Statement of precision"]
    assert statement["C"][2:4] == ("2.748", "3.477")
    assert (statement["D"][4][:4], statement["D"][6][:4]) == ("7.35", "9.42")
    assert statement["E"][4][:4] == "11.0"
    assert len([one for one in study.findings if "outlier" in one.finding and one.finding.endswith("kept")]) == 2
    assert [type(one).__name__ for one in study_pictures(study)] == ["Picture"] * 3


def test_limits_decide_on_a_measurement(tmp_path: Path) -> None:
    file = [str(example_file("gauge_study"))]
    ranks = [report_study("precision-study", file, lower=0.0, upper=one).rank for one in (2000.0, 40.0, 10.0)]
    assert ranks == [1, 1, 2]
    assert "(1.10 to 5.20)" in report_study("precision-study", file).reason
    assert "give both limits" in report_study("precision-study", file, lower=3.0).reason


def test_a_row_without_a_result_is_left_out_and_named(tmp_path: Path) -> None:
    """By hand, ISO 5725-2, unequal cells: variances 2, 8 and 2, so s_r² = 12/3; one result only of B at level 2."""
    rows = "A;1;10 A;1;12 B;1;10 B;1;14 C;1;12 C;1;14 A;2;5 A;2;6 B;2;7 B;2; C;2;5 C;2;7".replace(" ", "\n")
    file = written(tmp_path, f"laboratory;level;result\n{rows}\n")
    study = report_study("precision-study", [file])
    assert study.facts["Results"] == "11, used 11"
    assert tables(study)["Statement of precision"]["1"][2] == "2.000"
    assert tables(study)["Statement of precision"]["2"][2] == "1.118"  # √((0.5 + 2) / 2)
    assert "Without a result, left out: line 11.\n" in run("precision-study", file).stdout
    with pytest.raises(StudyError, match="no row has a result"):
        report_study("precision-study", [written(tmp_path, "laboratory,level,result\nA,1,\n")])


def test_a_straggler_is_told_that_it_stays() -> None:
    """ISO 5725-2: stragglers (5 %) stay, outliers (1 %) go."""
    for one in report_study("precision-study").findings:
        if one.finding.endswith(("kept", "left out")):
            assert ("(keep)" in one.what_to_do) == one.finding.endswith("left out")


@pytest.mark.parametrize(
    ("text", "words", "problem"),
    [
        ("level,result\n1,2\n", {}, "laboratory, or operator or instrument or both, was expected"),
        ("laboratory,operator,level,result\nA,B,1,2\n", {}, "laboratory, or operator or instrument or both"),
        ("laboratory,level,result\nA,1,2\n,1,2\n", {}, "line 3: laboratory is empty"),
        ("laboratory,level,result\nA,1,2\nB,1,2\n", {"percent": True}, "limits and percent are for operators"),
        ("operator,level,result\nA,1,2\nB,1,2\n", {"keep": ["A@1"]}, "keep is for laboratories"),
        ("laboratory,level,result\nA,1,2\nA,1,3\n", {}, "level 1: 1 laboratories and 1 repeats; two laboratories"),
        ("laboratory,level,result\nA,1,2\nB,1,3\n", {"keep": ["C@1"]}, "keep holds laboratory 'C', level '1'"),
        (
            "operator,oil,result\nA,1,2\nB,1,3\nA,2,4\nA,2,4\n",
            {},
            "operator A, level 2: 2 results where the other cells have 1",
        ),
        (
            "operator,oil,result\nA,1,2\nB,1,3\nA,2,4\nB,2,4\n",
            {"lower": 2.0, "upper": 1.0},
            "limits 2 and 1: the upper",
        ),
        ("operator,oil,result\nA,1,0\nB,1,3\nA,2,4\nB,2,4\n", {"percent": True}, "a result or limit of 0 or below"),
    ],
)
def test_what_is_no_study(text: str, words: dict[str, object], problem: str, tmp_path: Path) -> None:
    with pytest.raises(StudyError, match=problem):
        report_study("precision-study", [written(tmp_path, text)], **words)
