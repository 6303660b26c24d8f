"""The parts of a page about a file of results: what it says, its tables, where it came from."""

from html import escape

from labcalc import __version__
from labcalc.figures.markup import Fragment, Summary, bullets, html_table, note, verdict_box, who
from labcalc.judgement import Study


def summarise_study(study: Study) -> Summary:
    """Return what the index page shows of the report."""
    return Summary({"quality": True, "verdict_rank": study.rank, "line": study.reason, **study.for_programs})


def show_study_header(study: Study) -> Fragment:
    """Return what the file holds, in one line."""
    facts = {**study.facts, "without a result": study.file.without_result}
    return who(" · ".join(f"{name[0].lower()}{name[1:]}: {fact}" for name, fact in facts.items() if fact))


def show_study_verdict(study: Study) -> Fragment:
    """Return the verdict with its reason, and each finding with what to do."""
    reason = f"{study.reason[0].upper()}{study.reason[1:]}."
    box = verdict_box(study.verdict, study.rank, reason)
    found = bullets([f"{one.about}: {one.finding}. {one.what_to_do}" for one in study.findings])
    return Fragment(box.html + found.html, f"{study.verdict}: {reason}\n{found.text}".strip())


def show_study_tables(study: Study) -> Fragment:
    """Return the tables, each with its notes: what they suppose, and by which standard."""
    html, text = "", []
    for one in study.tables:
        cells = [[escape(cell) for cell in row] for row in one.rows]
        html += html_table(one.caption, one.columns, cells, numeric=tuple(range(1, len(one.columns))), stacked=True)
        html += note(*one.notes).html
        text += [one.caption, *("; ".join(row) for row in one.rows)]
    return Fragment(html, "\n".join(text))


def show_study_provenance(study: Study) -> Fragment:
    """Return the file with its digest, where its results come from, and the version."""
    digest = f'<code class="digest">{study.file.sha256}</code>'
    cells = [("File", escape(study.file.name)), ("Rows", str(len(study.file.rows))), ("SHA-256", digest)]
    cells += [("Results from", escape(" ".join(study.file.remarks)))] * bool(study.file.remarks)
    cells.append(("labcalc", escape(__version__)))
    return Fragment(html_table("File and version", ("What", "Which"), cells), f"{study.file.name} {study.file.sha256}")
