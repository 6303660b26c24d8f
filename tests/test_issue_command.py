"""``labcalc report --issued``, its amendments, and ``--watch``, as a person types them."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from labcalc.cli import main
from labcalc.lab import CLOCK_VARIABLE, add_exports, load_laboratory

EXPORT = """Sample;Date;Instrument;T (°C);KV (mm²/s);Density (kg/m³)
A-1;2026-03-02 08:01:00;VD-9;40;46.03;868.90
A-1;2026-03-02 08:09:00;VD-9;100;6.871;830.12
"""
LAB = """
[laboratory]
name = "Harbour Laboratory"
time_zone = "Europe/Lisbon"
logo = "logo.svg"
[report]
statement = "Not to be copied except in full."
"""
LOGO = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 9 9"></svg>'


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv(CLOCK_VARIABLE, "2026-03-31T12:00:00+01:00")
    (tmp_path / "lab.toml").write_text(f'{LAB}[record]\nfile = "record.sqlite"\n', encoding="utf-8")
    (tmp_path / "logo.svg").write_text(LOGO, encoding="utf-8")
    (tmp_path / "today.csv").write_text(EXPORT, encoding="utf-8")
    list(add_exports(load_laboratory(tmp_path / "lab.toml"), [tmp_path / "today.csv"], who="Ida"))
    return tmp_path


def report(folder: Path, *words: str) -> Result:
    place = ["report", str(folder / "today.csv"), "--lab", str(folder / "lab.toml"), "--out", str(folder / "out")]
    return CliRunner().invoke(main, [*place, *words])


def run_of(folder: Path) -> str:
    from labcalc.judgement import gather

    return gather([folder / "today.csv"], folder / "lab.toml").runs[0]


def pages(folder: Path) -> list[Path]:
    return sorted((folder / "out").glob("*.html"))


def test_issued_once_then_amended(folder: Path) -> None:
    words = ("--run", run_of(folder), "--issued", "2026-03-30")
    first = report(folder, *words)
    assert first.exit_code == 0, first.output
    (page,) = pages(folder)
    text = page.read_text("utf-8")
    number = re.search(r"Issued: report (.*), entry \d+", first.stdout)[1]  # type: ignore[index]
    assert f"<dd>{number}</dd>" in text
    assert '<p class="issued">Issued: 2026-03-30</p>' in text
    assert "Not to be copied except in full." in text
    assert '<img class="logo" alt="Logo of Harbour Laboratory" src="data:image/svg+xml;base64,' in text
    assert 'class="ways"' not in text, "what is handed out leads nowhere"

    page.unlink()
    again = report(folder, *words)
    assert "Issued already, and kept as it was" in again.stderr
    assert page.read_text("utf-8") == text
    page.write_text("touched", encoding="utf-8")
    assert "move it away; it stays as it is" in report(folder, *words).stderr
    assert page.read_text("utf-8") == "touched"

    refused = report(folder, *words[:2], "--issued", "2026-03-31")
    assert (refused.exit_code, "a report of this run was issued" in refused.stderr) == (2, True)
    amended = report(folder, *words[:2], "--issued", "2026-03-31", "--amends", number, "--changed", "the address")
    assert amended.exit_code == 0, amended.output
    text = next(one for one in pages(folder) if "amendment-1" in one.name).read_text("utf-8")
    assert f"<dt>Replaces</dt><dd>{number}: the address</dd>" in text
    assert re.search(r"top-left { content: \"[^\"]*amendment 1\"", text), "the number stands on every printed page"

    shown = CliRunner().invoke(main, ["record", "show", "--kind", "issued", "--lab", str(folder / "lab.toml")])
    assert "of 2026-03-31, in the place of" in shown.stdout
    assert shown.stdout.rstrip().endswith(": the address")
    assert CliRunner().invoke(main, ["record", "verify", "--lab", str(folder / "lab.toml")]).exit_code == 0


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--issued", "2026-03-30"), "say with --run which runs the report is issued of"),
        (("--run", "RUN", "--issued", "2026-03-01"), "was measured on 2026-03-02, and today is 2026-03-31"),
        (("--run", "RUN", "--issued", "2026-04-01"), "today is 2026-03-31: a day between is expected"),
        (("--run", "RUN", "--amends", "x", "--changed", "y"), "--amends needs --issued YYYY-MM-DD"),
        (("--run", "RUN", "--issued", "2026-03-30", "--amends", "x"), "are given together"),
        (("--watch", "--run", "RUN"), "--watch renders every run"),
    ],
)
def test_what_does_not_go_together(folder: Path, words: tuple[str, ...], told: str) -> None:
    run = run_of(folder)
    result = report(folder, *(run if one == "RUN" else one for one in words))
    assert (result.exit_code, told in result.stderr) == (2, True), result.output
    assert not pages(folder)


def test_without_a_record_nothing_is_issued(folder: Path) -> None:
    (folder / "lab.toml").write_text(LAB, encoding="utf-8")
    result = report(folder, "--run", run_of(folder), "--issued", "2026-03-30")
    assert result.exit_code == 2
    assert 'no record is named; [record] file = "record.sqlite" in lab.toml names one' in result.stderr
    assert not pages(folder)


def test_watch_renders_what_arrives_and_says_each_thing_once(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A second export arrives, then one that can't be read; Ctrl-C ends it."""
    (folder / "lab.toml").write_text(LAB, encoding="utf-8")
    inbox = folder / "inbox"
    inbox.mkdir()

    def arrivals(_: object) -> object:
        for name, content in (("a.csv", EXPORT), ("b.csv", EXPORT.replace("A-1", "B-2").replace("46.03", "---"))):
            (inbox / name).write_text(content, encoding="utf-8")
            yield [inbox / name]
            rows = (folder / "out" / "index.html").read_text("utf-8")
            assert ("B-2" in rows) == (name == "b.csv"), "the index is as new as the last export"
        (inbox / "c.csv").write_bytes(b"")
        yield [inbox / "c.csv"]
        raise KeyboardInterrupt

    monkeypatch.setattr("labcalc.lab.settled_files", arrivals, raising=False)
    words = ["report", str(inbox), "--lab", str(folder / "lab.toml"), "--out", str(folder / "out"), "--watch"]
    result = CliRunner().invoke(main, [*words, "--results", str(folder / "new folder" / "all.csv")])
    assert result.exit_code == 0, result.output
    assert "B-2" in (folder / "new folder" / "all.csv").read_text("utf-8"), "results of each round"
    assert len(pages(folder)) == 3
    assert result.stderr.count("b.csv, line 2") == 1
    assert result.stderr.count("c.csv") == 1
