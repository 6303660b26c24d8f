"""Pages in another language: all that labcalc says is translated, nothing that a laboratory or a number says is."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import time
import tomllib
from html import unescape
from io import BytesIO
from pathlib import Path

import pytest
from babel.messages.catalog import Catalog
from babel.messages.pofile import read_po, write_po
from click.testing import CliRunner

from labcalc.cli import main
from labcalc.errors import SettingsError
from labcalc.judgement import report_study
from labcalc.lab import load_laboratory
from labcalc.lab.translation import FIXED, catalogue_of, read_translation
from labcalc.shipped import sample_exports, sample_lab
from labcalc.workbooks import study_job
from labcalc.workbooks.page import css_text
from labcalc.workbooks.sentences import every_sentence, write_catalogue
from labcalc.workbooks.translating import translated

WIDE = str.maketrans({chr(n): chr(n + 0xFEE0) for n in range(33, 127) if chr(n).isalpha()})
"""Every letter as its wide twin: a language that everybody can read and no page has by itself."""

SCRIPTS = re.compile(r"<(script|style|code|pre)\b.*?</\1>", re.S)
FIGURE = re.compile(r'<script id="[^"]*" type="application/json">(.*?)</script>', re.S)


def catalogue(pairs: dict[str, str], language: str = "de") -> str:
    made, written = Catalog(locale=language, fuzzy=False), BytesIO()
    for sentence, translation in pairs.items():
        made.add(sentence, translation)
    write_po(written, made, width=0)
    return written.getvalue().decode()


def said(text: str, pairs: dict[str, str], names: tuple[str, ...] = ()) -> str:
    page = translated(f"<html><p>{text}</p></html>", catalogue(pairs), names)
    return re.fullmatch(r"<html><p>(.*)</p></html>", page, re.S)[1].replace("\u00a0", " ")  # type: ignore[index]


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample laboratory, its pages in the wide language."""
    folder = tmp_path_factory.mktemp("wide") / "lab"
    shutil.copytree(sample_lab().parent, folder)
    pairs = {}
    for one in every_sentence():
        kept, between = FIXED.findall(one), [part.translate(WIDE) for part in FIXED.split(one)]
        pairs[one] = "".join(a + b for a, b in zip(between, [*kept, ""], strict=True))
    (folder / "wide.po").write_text(catalogue(pairs), "utf-8")
    text = (folder / "lab.toml").read_text("utf-8")
    (folder / "lab.toml").write_text(text.replace("[report]", '[report]\ntranslation = "wide.po"', 1), "utf-8")
    return folder / "lab.toml"


@pytest.fixture(scope="module")
def pages(lab: Path) -> dict[str, tuple[str, str]]:
    """Three runs, English and translated, by name: one released, one with causes, one with reference oils."""
    found = {}
    export = next(one for one in sample_exports() if one.name.startswith("VD-2") and "W12" in one.name)
    for run in ("2026-03-16 08:30", "2026-03-16 12:27", "2026-03-16 07:39"):
        both = []
        for settings in (sample_lab(), lab):
            out = settings.parent / "pages" if settings is lab else lab.parent / "english"
            words = ["report", str(export), "--lab", str(settings), "--out", str(out)]
            runs = CliRunner().invoke(main, ["read", str(export), "--lab", str(settings), "--json"])
            assert runs.exit_code in (0, 1), runs.output
            names = {row["run"] for row in json.loads(runs.stdout)["rows"] if str(row["run"]).startswith(run)}
            answer = CliRunner().invoke(main, [*words, "--run", names.pop()])
            assert answer.exit_code == 0, answer.output
            page = next(out.glob(f"{run.replace(' ', '-').replace(':', '-')}*.html"))
            both.append(page.read_text("utf-8"))
        found[run] = (both[0], both[1])
    return found


def spoken(page: str) -> str:
    return unescape(" ".join(re.findall(r"(?<=>)([^<>]+)(?=<)", SCRIPTS.sub("", page)))).replace("\u00a0", " ")


def english_in(text: str, lab: Path) -> list[str]:
    """Return the words of a text that are English, and no name of the laboratory."""

    def names(value: object) -> list[str]:
        inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
        return [value] if isinstance(value, str) else [name for one in inner for name in names(one)]

    for name in sorted(names(tomllib.loads(lab.read_text("utf-8"))), key=len, reverse=True):
        text = text.replace(name, " ") if " " in name else text
    return [word for word in re.findall(r"(?<![\w./-])[a-z]{3,}(?![\w-])", text) if word != "labcalc"]


def test_what_labcalc_says_is_all_translated(pages: dict[str, tuple[str, str]], lab: Path) -> None:
    for run, (english, wide) in pages.items():
        left = english_in(spoken(wide), lab)
        assert len(left) <= 0.015 * len(english_in(spoken(english), lab)), (run, left)
        assert '<html lang="de">' in wide


def test_numbers_names_and_addresses_stay(pages: dict[str, tuple[str, str]]) -> None:
    for english, wide in pages.values():
        # digests and the report's number go by lab.toml, which is another one here
        texts = [re.sub(r"\b[0-9a-f]{8,}\b", "", spoken(one)) for one in (english, wide)]
        digits = [re.findall(r"\d[\d.]*", text) for text in texts]
        assert len(digits[0]) > 200
        assert digits[0] == digits[1]
        for name in ("Leilani Bose", "Porto Selvar Oil Laboratory", "VD-2"):
            assert name in english
            assert name in wide
        assert re.findall(r'href="([^"]*)"', english) == re.findall(r'href="([^"]*)"', wide)


def test_figures_say_words_in_the_language_and_draw_the_same(pages: dict[str, tuple[str, str]]) -> None:
    def numbers(value: object) -> object:
        if isinstance(value, dict):
            return {key: numbers(one) for key, one in value.items()}
        if isinstance(value, list):
            return [numbers(one) for one in value]
        return "" if isinstance(value, str) else value

    for english, wide in pages.values():
        drawn = [[json.loads(one) for one in FIGURE.findall(page)] for page in (english, wide)]
        assert drawn[0]
        assert numbers(drawn[0]) == numbers(drawn[1])
        assert drawn[0] != drawn[1]


@pytest.mark.slow
def test_a_month_is_translated_too(lab: Path) -> None:
    answer = CliRunner().invoke(main, ["month", "2026-03", "--lab", str(lab), "--out", str(lab.parent / "month")])
    assert answer.exit_code in (0, 1), answer.output
    wide = (lab.parent / "month" / "month-2026-03.html").read_text("utf-8")
    left, all_words = english_in(spoken(wide), lab), re.findall(r"\w{3,}", spoken(wide))
    assert len(left) <= 0.02 * len(all_words), left


def test_numbers_keep_their_units() -> None:
    told = translated("<p>at 40\u00a0°C</p>", catalogue({"at {0} °C": "bei {0} °C"}))
    assert told == "<p>bei 40\u00a0°C</p>"


def test_a_text_is_taken_apart_as_it_was_put_together() -> None:
    pairs = {
        "Repeats": "Wiederholungen",
        "{0} {1} lie {2} {1} apart; limit {3} {1}": "{2} {1} zwischen {0} {1}; Grenze {3} {1}",
        "the mean is the result": "das Mittel ist das Ergebnis",
        "{0} check": "{0} Prüfung",
        "{0} checks": "{0} Prüfungen",
        "Customer: {0}": "Kunde: {0}",
        "Air changes {0}.": "Luft {0} ändert.",
        "{0}at {1}": "{0}bei {1}",
        "{0} to {1}": "von {0} bis {1}",
        "{0}, edition {1}": "{0} (Ausgabe {1})",
        "run{0} of {1}": "Läufe von {1}",
        "kinematic viscosity": "kinematische Viskosität",
        "the residue of {0} thickens it": "der Rest von {0} verdickt sie",
    }
    assert said("46.1, 46.2 mm²/s lie 0.1 mm²/s apart; limit 0.2 mm²/s: the mean is the result", pairs) == (
        "0.1 mm²/s zwischen 46.1, 46.2 mm²/s; Grenze 0.2 mm²/s: das Mittel ist das Ergebnis"
    )
    assert said("Repeats: 1 check; 12 checks", pairs) == "Wiederholungen: 1 Prüfung; 12 Prüfungen"
    assert said("Customer:", pairs) == "Kunde:"
    assert said("Kinematic viscosity at 40\u00a0°C", pairs) == "Kinematische Viskosität bei 40 °C"
    assert said("runs of VD-2", pairs) == "Läufe von VD-2"
    assert said("Kinematic viscosity", pairs) == "Kinematische Viskosität"
    assert said("The residue of A &amp; B thickens it.", pairs) == "The residue of A &amp; B thickens it."
    assert said("so the residue of A &amp; B thickens it.", pairs) == "so der Rest von A &amp; B verdickt sie."


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (
            "Air changes density +0.44 % at 40 °C; density −3.8.",
            "Luft Dichte +0.44 % bei 40 °C; Dichte −3.8 ändert.",
        ),
        ("Air changes density.", "Luft Dichte ändert."),
        ("VD-2 · 07:39 to 07:46 · Ida", "VD-2 · von 07:39 bis 07:46 · Ida"),
        ("ISO 12185, edition 1996; ASTM D445, edition 2015", "ISO 12185 (Ausgabe 1996); ASTM D445 (Ausgabe 2015)"),
        ("lot K-2512, U = 0.06 kg/m³", "Los „K-2512“, U = 0.06 kg/m³"),
        ("density at 40 °C: 859.2, 863.0 kg/m³", "Dichte bei 40 °C: 859.2, 863.0 kg/m³"),
    ],
)
def test_places_hold_one_thing_and_no_part_of_a_number(text: str, told: str) -> None:
    pairs = {"Air changes {0}.": "Luft {0} ändert.", "{0} at {1}": "{0} bei {1}", "{0} to {1}": "von {0} bis {1}"}
    pairs |= {"{0}, edition {1}": "{0} (Ausgabe {1})", "density": "Dichte", "lot {0}": "Los „{0}“"}
    assert said(text, pairs) == told


def test_a_text_that_fits_two_sentences_is_told_in_one_way() -> None:
    """The order in which words are looked up is another in each process; a page has the same bytes."""
    pairs = {"alpha limits of {0}": "A {0}", "{0} of gamma states": "{0} G"}
    told = f"print(_Translator({pairs!r}).say('alpha limits of gamma states'))"
    words = [sys.executable, "-c", f"from labcalc.workbooks.translating import _Translator; {told}"]
    seeds = ({**os.environ, "PYTHONHASHSEED": seed} for seed in "123")
    said_by = {subprocess.run(words, env=env, capture_output=True, check=True).stdout.strip() for env in seeds}
    assert said_by == {b"alpha limits G"}


def test_a_sentence_without_translation_stays_whole() -> None:
    pairs = {"results": "Ergebnisse", "limits from {0} results, {1}": "", "Standing": ""}
    assert said("limits from 15 results, as results say", pairs) == "limits from 15 results, as results say"
    assert said("results; standing", pairs) == "Ergebnisse; standing"


def test_what_people_wrote_is_as_they_wrote_it(tmp_path: Path) -> None:
    """A remark, a lot and a product whose words are sentences of ours."""
    remark, lot = "density at 40 °C is not releasable", "line 3 of density"
    (tmp_path / "run.csv").write_text(
        "Sample;Date;Instrument;Lot;Remark;T (°C);KV (mm²/s);Density (kg/m³)\n"
        f"A-1;2026-03-02 08:01:00;VD-9;{lot};{remark};40;46.03;868.90\n",
        "utf-8",
    )
    pairs = {"density": "Dichte", "not releasable": "nicht freigabefähig", "{0} at {1}": "{0} bei {1}"}
    pairs |= {
        "line {0}": "Zeile {0}",
        "{0} of {1}": "{0} von {1}",
        "Results": "Ergebnisse",
        "Density at {0}": "Dichte {0}",
    }
    (tmp_path / "de.po").write_text(catalogue(pairs), "utf-8")
    report = '[report]\ntranslation = "de.po"\n'
    (tmp_path / "lab.toml").write_text(f'[laboratory]\nname = "L"\ntime_zone = "UTC"\n{report}', "utf-8")
    words = ["report", str(tmp_path / "run.csv"), "--lab", str(tmp_path / "lab.toml"), "--out", str(tmp_path / "out")]
    assert CliRunner().invoke(main, words).exit_code == 0
    (page,) = (tmp_path / "out").glob("2026*.html")
    text = spoken(page.read_text("utf-8"))
    assert remark in text
    assert lot in text
    assert "Ergebnisse" in text
    assert "Dichte 40 °C" in text


def test_names_of_the_laboratory_are_no_sentences() -> None:
    pairs = {"reference oil": "Prüföl", "{0} of {1}": "{0} von {1}"}
    assert said("Reference oil thin; reference oil", pairs, ("Reference oil thin",)) == "Reference oil thin; Prüföl"
    assert said("Bank of Esk", pairs, ("Bank of Esk",)) == "Bank of Esk"


def test_what_people_wrote_stays_whole() -> None:
    """Their words hold words of ours; a sentence of ours in them is none."""
    pairs = {
        "the limit": "die Grenze",
        "{0} and the {1}": "{0} und das {1}",
        "{0} is excluded by {1}: {2}": "{1}: {0}, {2}",
    }
    written = "Beyond the limit again, and the thick oil half an hour later was high too"
    assert said(written, pairs) == written
    assert said(f"The run is excluded by Ida: {written}", pairs) == f"Ida: The run, {written}"


def test_a_translation_is_text_and_no_page() -> None:
    assert said("Hold", {"Hold": "<script>x()</script> & {x.__class__}"}) == (
        "&lt;script&gt;x()&lt;/script&gt; &amp; {x.__class__}"
    )
    page = '<html lang="en"><p title="Hold">Hold</p><script>var Hold = "Hold";</script><code>Hold</code></html>'
    told = translated(page, catalogue({"Hold": 'Zurück"halten'}))
    assert told == (
        '<html lang="de"><p title="Zurück&quot;halten">Zurück"halten</p>'
        '<script>var Hold = "Hold";</script><code>Hold</code></html>'
    )


def test_the_head_of_printed_pages_is_translated() -> None:
    style = '<style>@page { @top-left { content: "%s"; } }</style>'
    page = style % css_text("Monthly quality report, 2026-03 · W-1") + "<p>@top-left</p>"
    told = translated(page, catalogue({"Monthly quality report": 'Monatsbericht "Güte"'}))
    assert told == style % css_text('Monatsbericht "Güte", 2026-03 · W-1') + "<p>@top-left</p>"


def test_no_text_takes_long() -> None:
    """Made to have many ways to be taken apart; a laboratory's remark may look so."""
    pairs = {f"{{0}} of {{1}} and {{2}} of {{3}} {word}": "x {0} {1} {2} {3}" for word in ("oil", "cell", "run")}
    started = time.process_time()
    said(" of and ".join(["a of b and c", "oil, cell; run"] * 120), pairs)
    assert time.process_time() - started < 20.0  # some 1 s


def test_a_catalogue_keeps_what_was_translated(tmp_path: Path) -> None:
    file = tmp_path / "pt.po"
    answer = CliRunner().invoke(main, ["sentences", str(file), "--language", "pt_BR"])
    assert answer.exit_code == 0, answer.output
    assert "0 of them translated" in answer.stderr
    found = read_po(BytesIO(file.read_bytes()))
    assert {"Review and sign.", "Report number", "Verdict", "releasable", "not met"} <= {one.id for one in found}
    assert not [one.id for one in found if one.id and re.search(r"<\w+>|SELECT |\{[a-z]", str(one.id))]
    assert all(re.fullmatch(r"[\w/.]+", place) for one in found for place, _ in one.locations)
    text = file.read_text("utf-8").replace('msgid "Verdict"\nmsgstr ""', 'msgid "Verdict"\nmsgstr "Parecer"')
    file.write_text(text + '\nmsgid "Gone long ago"\nmsgstr "x"\n', "utf-8")
    answer = CliRunner().invoke(main, ["sentences", str(file)])
    assert "1 of them translated" in answer.stderr, answer.output
    again = read_po(BytesIO(file.read_bytes()))
    assert (again["Verdict"].string, str(again.locale), again.get("Gone long ago")) == ("Parecer", "pt_BR", None)
    with pytest.raises(ValueError, match="--language CODE"):
        write_catalogue("")
    for language in ("xx_QQ", "no language"):
        answer = CliRunner().invoke(main, ["sentences", str(tmp_path / "new.po"), "--language", language])
        assert (answer.exit_code, (tmp_path / "new.po").exists()) == (2, False)


def test_a_catalogue_of_another_program_is_read_as_the_text_that_it_is(tmp_path: Path) -> None:
    """Some editors put a mark before UTF-8, and a head may name the charset of a template."""
    file, head = tmp_path / "de.po", HEAD + '"Content-Type: text/plain; charset=iso-8859-1\\n"\n'
    pairs = '\nmsgid "Verdict"\nmsgstr "Güte"\n\n#, fuzzy\nmsgid "Notes"\nmsgstr "?"\n'
    file.write_text(head + pairs, "utf-8-sig")
    assert catalogue_of(read_translation(file)).sentences["Verdict"] == "Güte"
    answer = CliRunner().invoke(main, ["sentences", str(file)])
    assert (answer.exit_code, "1 of them translated" in answer.stderr) == (0, True), answer.output
    assert read_po(BytesIO(file.read_bytes()))["Verdict"].string == "Güte"
    assert catalogue_of(read_translation(file)).sentences["Verdict"] == "Güte"


def test_what_is_counted_has_its_own_plural() -> None:
    found = every_sentence()
    assert {"{0} laboratory", "{0} laboratories", "{0} run", "{0} runs"} <= {*found}
    assert "{0} laboratorys" not in found


def test_every_place_of_a_sentence_has_a_number() -> None:
    """``format`` fills places without a name too; a sentence with such a one was never found on a page."""
    found = every_sentence()
    assert {"more than {0}", "at {0} °C"} <= {*found}
    assert not [one for one in found if re.search(r"\{[:!}]", one)]


def test_no_sentence_has_a_space_that_texts_are_not_asked_for() -> None:
    """A page's spaces that hold a line together are plain ones when it is translated."""
    assert "Standard deviation s" in every_sentence()
    assert not [one for one in every_sentence() if "\u00a0" in one]


HEAD = 'msgid ""\nmsgstr ""\n"Language: de\\n"\n'


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (None, "can't be read: No such file or directory"),
        ("", "has 0 bytes; a catalogue of 1 to 5000000 is expected"),
        ('msgid "Verdict"\nmsgstr "Urteil"\n', "its head names no language"),
        (HEAD + "\nVerdict is Urteil\n", "line 5: "),
        (HEAD + '\nmsgid "of {0} runs"\nmsgstr "von {1} Läufen"\n', "line 5: 'von {1} Läufen' was expected to hold"),
        (HEAD + '\nmsgid "Results"\nmsgstr "Ergebnisse\n', "line 6: "),
        (HEAD + '\nmsgid "U: 95 %"\nmsgstr "U: 99 %"\n', "its numbers, units and standards: %, 95"),
        (HEAD + '\nmsgid "in kg/m³"\nmsgstr "in g/cm³"\n', "its numbers, units and standards: kg/m³"),
        (HEAD + '\nmsgid "Notes"\nmsgstr "\u202eNotes"\n', "no marks that steer a page"),
        (HEAD + '\nmsgid "a"\nmsgid_plural "b"\nmsgstr[0] "c"\nmsgstr[1] "d"\n', "line 5: plural forms"),
        ('msgid ""\nmsgstr ""\n"Language: xq_ZZ\\n"\n', "its head"),
    ],
)
def test_a_catalogue_that_cannot_be_used_is_refused(tmp_path: Path, text: str | None, told: str) -> None:
    lab = tmp_path / "lab.toml"
    lab.write_text('[laboratory]\nname = "L"\ntime_zone = "UTC"\n[report]\ntranslation = "de.po"\n', "utf-8")
    if text is not None:
        (tmp_path / "de.po").write_text(text, "utf-8")
    with pytest.raises(SettingsError) as refused:
        load_laboratory(lab)
    assert "report.translation: 'de.po' " in str(refused.value)
    assert told in str(refused.value)


@pytest.mark.parametrize("command", ["proficiency", "comparison", "precision-study"])
def test_a_study_is_translated_but_for_what_its_file_says(command: str, lab: Path, tmp_path: Path) -> None:
    """Names that are words of ours elsewhere stay as the file has them."""
    one, two = "Notes of Ahti", "Oil verdict"
    rows = {
        "proficiency": [f"{one},{n},{two},{46.4 + n / 9},46.1,0.1" for n in (1, 2)],
        "comparison": [f"{n},{name},{40 + n + n % at / 9}" for n in range(12) for name, at in ((one, 3), (two, 4))],
        "precision-study": [f"{name},{two},{40 + n % 3 + n / 9}" for n in range(4) for name in (one, "Q", "R")],
    }
    heads = {
        "proficiency": "scheme,round,quantity,own,assigned,sigma",
        "comparison": "sample,method,result",
        "precision-study": "laboratory,level,result",
    }
    lines = ["# by the Reference society", heads[command], *rows[command]]
    (file := tmp_path / "own.csv").write_text("\n".join(lines), encoding="utf-8")
    text = lab.read_text("utf-8").replace("[laboratory]", '[laboratory]\nproficiency_rounds = "none.csv"', 1)
    (without_rounds := lab.with_name("without_rounds.toml")).write_text(text, encoding="utf-8")
    words = [command, str(file), "--lab", str(without_rounds), "--out", str(tmp_path / "out")]
    answer = CliRunner().invoke(main, words)
    assert answer.exit_code == 0, answer.output
    wide = spoken((tmp_path / "out" / f"{command}-own.csv.html").read_text("utf-8"))
    for name in ("by the Reference society", "own.csv", one, two):
        assert name in wide
        wide = wide.replace(name, " ")
    left = english_in(wide, lab)
    assert len(left) <= 0.02 * len(re.findall(r"\w{3,}", wide)), left


def test_a_new_translation_is_a_new_page(tmp_path: Path) -> None:
    """lab.toml stays the same, so pages in the old words must not count as up to date; what is fuzzy isn't used."""
    lab, file = tmp_path / "lab.toml", tmp_path / "de.po"
    lab.write_text('[laboratory]\nname = "L"\ntime_zone = "UTC"\n[report]\ntranslation = "de.po"\n', "utf-8")
    digests = set()
    for word in ("Urteil", "Befund"):
        file.write_text(f'{HEAD}\n#, fuzzy\nmsgid "Notes"\nmsgstr "?"\n\nmsgid "Verdict"\nmsgstr "{word}"\n', "utf-8")
        laboratory = load_laboratory(lab)
        digests.add(laboratory.digest)
        assert translated("<p>Verdict</p><p>Notes</p>", laboratory.translation) == f"<p>{word}</p><p>Notes</p>"
    assert len(digests) == 2
    study, english = report_study("comparison"), {"exports": []}
    keys = {study_job("comparison", study, words).key for words in (english, {**english, "lab": str(lab)})}
    file.write_text(f'{HEAD}\nmsgid "Verdict"\nmsgstr "Urteil"\n', "utf-8")
    assert len({*keys, study_job("comparison", study, {**english, "lab": str(lab)}).key}) == 3
