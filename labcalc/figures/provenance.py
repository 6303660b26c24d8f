"""Where a report came from, and what makes that of a run a record: sources, who signs, what it stands for, cautions."""

import hashlib
import re
from collections.abc import Iterable, Mapping, Sequence
from html import escape
from itertools import groupby

from labcalc import __version__
from labcalc.errors import ExportError
from labcalc.exports import SourceFile
from labcalc.figures.markup import Fragment, bullets, fact_list, fold, folded, html_table, logo_of, note, who
from labcalc.judgement import Judgement
from labcalc.lab import Laboratory, PrecisionStatement, method_of
from labcalc.lab.practice import HOT, LOCAL_RULES, PRESSED_AIR, SOLVENTS
from labcalc.lab.reading import NOT_GIVEN
from labcalc.wording import counted

_MARKED = re.compile(r"([^;(]+?) \[memory\]")
_FROM_MEMORY = "What is told as 'from memory' was written without the standard at hand: check it before signing."
_SIGNERS = ("Prepared", "Reviewed", "Approved")
_LINE = '<span class="blank"></span>'
_ONLY = "These results relate only to the item tested, as received. "
_ONLY += "The verdict follows the decision rules shown; causes are opinions."


def headed(laboratory: Laboratory, number: str, line: str, links: Mapping[str, str] | None) -> Fragment:
    """Return whose report it is, what it is about, its number and the ways to other pages, beside the logo."""
    head = who(" · ".join((laboratory.name, line, f"report {number}")), links)
    return Fragment(logo_of(laboratory.name, laboratory.logo_uri) + head.html, head.text)


def sources_table(caption: str, sources: Sequence[SourceFile], lines: Mapping[str, str] | None = None) -> str:
    """Return the exports with digest, rows and how they were read; of a run, with its ``lines`` in each."""
    rows = []
    for one in sources:
        named = (escape(one.name), f'<code class="digest">{escape(one.sha256)}</code>')
        place = [] if lines is None else [escape(lines.get(one.name, ""))]
        rows.append((*named, *place, str(one.rows_read), str(one.rows_refused), escape(one.read_as)))
    own = [] if lines is None else ["Lines of this run"]
    columns = ("Export", "SHA-256", *own, "Rows read", "Rows refused", "Read as")
    return html_table(caption, columns, rows, numeric=(2 + len(own), 3 + len(own)), stacked=not own)


def settings_and_version(laboratory: Laboratory) -> list[tuple[str, str]]:
    """Return the rows that name lab.toml's digest, the record's head and labcalc's version, as HTML."""
    digest = f'<code class="digest">{escape(laboratory.sha256)}</code>' if laboratory.sha256 else "none: defaults"
    head = laboratory.recorded
    place = "Record" if laboratory.record else "decisions.jsonl"
    record = [(place, f'<code class="digest">{escape(str(head))}</code>')] if head else []
    ink = hashlib.sha256(laboratory.translation.encode()).hexdigest()
    words = f'{escape(laboratory.report.translation)}, <code class="digest">{ink}</code>'
    language = [("Translation", words)] if laboratory.translation else []
    return [("lab.toml", digest), *record, *language, ("labcalc", escape(__version__))]


def with_mark(statement: PrecisionStatement) -> str:
    """Return how a page names a statement that tells marks in place."""
    return statement.title if statement.mark == "laboratory" else f"{statement.title} [{statement.mark}]"


def without_mark(text: str) -> str:
    """Return a text without the marks of what is from memory or was seen: a page says them in one place."""
    return text.replace(" [memory]", "").replace(" [seen]", "")


def from_memory(statements: Iterable[PrecisionStatement], texts: Iterable[str]) -> list[str]:
    """Return what a page takes from memory, each once: statements, and what is marked so in texts."""
    named = [one.title for one in statements if one.mark == "memory"]
    return list(dict.fromkeys([*named, *(found.strip() for text in texts for found in _MARKED.findall(text))]))


def show_record(judgement: Judgement, *, issued: str = "", replaces: str = "", changed: str = "") -> Fragment:
    """Return what makes the page a record that can be signed; what isn't known is printed as such.

    judgement : The run, judged.
    issued : Day of issue; empty: a line to write on.
    replaces : Number of the report that this one replaces.
    changed : What changed since that one.
    """
    dossier = judgement.dossier
    laboratory, product = dossier.laboratory, dossier.product
    main = dict.fromkeys(one.quantity for one in judgement.results.independent)
    facts = {
        "Report number": dossier.number_after(replaces),
        "Replaces": f"{replaces}: {changed or 'what changed is not given'}" if replaces else "no other report",
        "Laboratory": ", ".join(filter(None, (laboratory.name, laboratory.address or f"address {NOT_GIVEN}"))),
        "Customer": (product.customer if product else "") or NOT_GIVEN,
        "Sampling": (product.sampling if product else "") or NOT_GIVEN,
        "Methods": "; ".join(f"{one}: {method_of(laboratory, dossier.instrument, one) or NOT_GIVEN}" for one in main),
        "Exports": "; ".join(f"{one.name}, SHA-256 {one.sha256[:12]}…" for one in dossier.sources),
        "Record": str(laboratory.recorded or "no record: lab.toml names none"),
    }
    signers = "".join(f"<tr><th>{name}</th><td></td><td></td><td></td></tr>" for name in _SIGNERS)
    head = "<thead><tr><th>Step</th><th>Name</th><th>Signature</th><th>Date</th></tr></thead>"
    places = f'<table class="signatures"><caption>Signatures</caption>{head}<tbody>{signers}</tbody></table>'
    day = f'<p class="issued">Issued: {escape(issued) or _LINE}</p>'
    told, stated = fact_list(facts), note(*filter(None, (_ONLY, laboratory.report.statement)))
    return Fragment(f"{told.html}{day}{places}{stated.html}", told.text)


def show_provenance(judgement: Judgement, record_failures: Sequence[ExportError] = ()) -> Fragment:
    """Return where the numbers come from: files with digest and rows, lab.toml, version, methods with editions."""
    dossier = judgement.dossier
    of_exports = dossier.rows.groupby("source_file", sort=False)["source_line"]
    places = {str(name): _lines(lines.tolist()) for name, lines in of_exports}
    standards = dict.fromkeys(one.standard for one in judgement.consequences)
    limits = dict.fromkeys(f"{one.source} [{one.mark}]" for one in dossier.limits if one.source)
    memory = from_memory(judgement.precision, (*standards, *(check.basis for check in judgement.checks)))
    html = sources_table("Exports", dossier.sources, places)
    versions = [
        *settings_and_version(dossier.laboratory),
        ("Methods", "<br>".join(escape(without_mark(one)) for one in standards)),
        ("Precision statements", "<br>".join(map(escape, _precision(judgement))) or "none in force"),
        ("Limits of standards", "<br>".join(map(escape, limits)) or "none asked for"),
        ("From memory", "<br>".join(map(escape, memory)) or "nothing"),
    ]
    html = folded("Exports, settings, methods", html + html_table("Settings and methods", ("What", "Which"), versions))
    told = [f"An earlier export of the record could not be read: {one}" for one in record_failures]
    told += [f"Of the decisions, line {one.line} is not sound: {one.problem}" for one in dossier.unusable]
    html += note(*told).html
    return Fragment(html, "; ".join(f"{s.name} {s.sha256}" for s in dossier.sources))


def show_refusals(judgement: Judgement) -> Fragment:
    """Return what was refused in the exports that the run stands in."""
    refusals = [str(one) for one in judgement.dossier.refusals]
    told = fold(f"{counted(len(refusals), 'row')} of these exports refused", bullets(refusals))
    return told if refusals else note("No row of these exports was refused.")


def show_cautions() -> Fragment:
    """Return the cautions that go with the work and with the figures."""
    words = " ".join((SOLVENTS, HOT, PRESSED_AIR, LOCAL_RULES, _FROM_MEMORY))
    return Fragment(f'<p class="notes">{escape(words)}</p>', words)


def _precision(judgement: Judgement) -> list[str]:
    """Name the statements in force; say where none is, and where the method of the instrument was assumed."""
    dossier, found = judgement.dossier, [f"{one.quantity}: {one.title}" for one in judgement.precision]
    for quantity in dict.fromkeys(one.quantity for one in judgement.results if not one.follows):
        statements = [one.agreement.statement for one in judgement.results if one.quantity == quantity]
        published = any(one is not None and one.mark != "laboratory" for one in statements)
        if published and not method_of(dossier.laboratory, dossier.instrument, quantity):
            found.append(f"{quantity}: the method is assumed; [[instrument]] methods of lab.toml names none")
    asked = ((one.quantity, one.temperature_C, one.value) for one in judgement.results)
    return [*found, *dict.fromkeys(filter(None, (dossier.precision_in_force(*one).why_not for one in asked)))]


def _lines(lines: list[int]) -> str:
    """Write line numbers as a person does: 4–7, 12."""
    runs = (list(run) for _, run in groupby(enumerate(sorted(lines)), lambda one: one[1] - one[0]))
    return ", ".join("–".join(map(str, dict.fromkeys((run[0][1], run[-1][1])))) for run in runs)
