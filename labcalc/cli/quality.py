"""``labcalc month``, ``year``, ``duplicates``: the quality report of a period, how well results repeat, by the record.

``labcalc proficiency``, ``comparison``, ``precision-study``: a file of results in, a verdict and a page out.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

import labcalc.lab
from labcalc import judgement, workbooks
from labcalc.cli import words
from labcalc.cli.words import FILE, FOLDER, answer, finish, json_text, one_page, paged, record_option, say, tell
from labcalc.wording import counted

_MOST = 5  # sets beyond their limit that are named on the screen


def _period(period: str, months: int, metavar: str) -> click.Command:
    """Return the command of a kind of period; a name that is none of it is told before anything else."""

    def known(_: click.Context, __: click.Parameter, name: str) -> str:
        from labcalc.judgement.period import month_of

        return month_of(name, "UTC", months).name

    @click.command(period, help=f"Render the quality report of a {period} from the record.")
    @record_option
    @words.results_option
    @paged
    @click.option("--json", "as_json", is_flag=True, help="Print the document of --results FILE.json.")
    @click.argument("name", metavar=metavar, callback=known)
    @answer
    def render(name: str, lab: Path, as_json: bool, out: Path, results: Path | None, **how: Any) -> int:
        material = judgement.gather_record(lab)
        quality = getattr(judgement, f"report_{period}")(material, name)
        if quality.broken:
            to_do = "restore its backup, and hold that by `labcalc record verify`"
            say(f"labcalc: the record was changed since it was written: {quality.broken}; {to_do}")
        code = max(words.name_doubts(material), int(bool(quality.broken or quality.refusals or quality.failures)))
        for refused in (*quality.failures, *quality.refusals):
            say(f"refused: {refused}")
        for notice in quality.notices:
            if notice.removesuffix(".") not in material.repeated:
                say(notice)
        words.write_quality(quality, results)
        job, options = workbooks.month_report_job(quality, lab, out), one_page(out, quality.laboratory, **how)
        result = workbooks.render_batch([job], options)
        lines = [json_text(judgement.quality_for_programs(quality))] if as_json else _in_words(quality)
        return finish(result, lines, () if as_json else result.paths, code)

    return render


month, year = _period("month", 1, "YYYY-MM"), _period("year", 12, "YYYY")


def _in_words(quality: judgement.MonthReport) -> Iterator[str]:
    """Say the verdict on a month and its actions."""
    closed = len(quality.actions) - len(quality.open_actions)
    actions = counted(len(quality.open_actions), "action") + f" and {closed} closed" * bool(closed)
    yield f"{quality.month.name}: {quality.verdict}, {actions} in {counted(quality.runs, 'sample run')}."
    for one in quality.actions:
        yield f"{one.rank}. {one.about}: {one.finding}" + f" ({one.followed})" * bool(one.followed)


@click.command()
@record_option
@click.option("--from", "first_day", default="", metavar="DATE", help="First day; default: the record's first.")
@click.option("--to", "last_day", default="", metavar="DATE", help="Last day, included; default: the record's last.")
@click.option("--product", default="", metavar="NAME", help="Only this product or precision class.")
@click.option("--operator", default="", metavar="NAME", help="Only repeats in which this person measured.")
@click.option("--instrument", default="", metavar="NAME", help="Only repeats in which this instrument measured.")
@paged
@words.results_option
@answer
def duplicates(lab: Path, out: Path, results: Path | None, scripts: workbooks.Scripts, pdf: bool, **asked: str) -> int:
    """Render how well results repeat, and whose do less so."""
    material = judgement.gather_record(lab)
    doubted = words.name_doubts(material)
    report = judgement.report_duplicates(material, **asked)
    words.write_quality(report, results)
    how = one_page(out, material.laboratory, scripts=scripts, pdf=pdf)
    result = workbooks.render_batch([workbooks.duplicate_report_job(report, lab, out)], how)
    code = max(doubted, words.name_refusals(material.reading))
    lines = [f"{report.about}: {report.verdict}: {report.reason}."]
    lines += [f"{one.about}: {one.finding}." for one in report.named]
    lines += [f"{one.name}: {one.apart}" for one in sorted(report.beyond, key=lambda one: not one.is_gross)[:_MOST]]
    lines += [f"and {more} more, on the page" for more in [len(report.beyond) - _MOST] if more > 0]
    return finish(result, lines, result.paths, code)


_LAB = Path("lab.toml")
_NUMBER: dict[str, Any] = {"type": float, "metavar": "NUMBER"}
_OPTIONS: dict[str, dict[str, Any]] = {
    "--allowed": {**_NUMBER, "default": 0.0, "help": "Largest difference that doesn't matter."},
    "--percent": {"is_flag": True, "help": "Errors grow with the level: go by percent."},
    "--unit": {"default": "", "metavar": "UNIT", "help": "Unit of the results."},
    "--first": {"default": "", "metavar": "NAME", "help": "The method, instrument or operator that is known."},
    "--second": {"default": "", "metavar": "NAME", "help": "The one that may stand for it."},
    "--lab": {"type": FILE, "metavar": "LAB.toml", "help": "Whose page it is: name and language."},
    "--quantity": {"default": "", "metavar": "NAME", "help": "Of the record: kinematic viscosity or density."},
    "--temperature": {"type": float, "metavar": "°C", "help": "Of the record: only this one."},
    "--keep": {"multiple": True, "metavar": "LABORATORY@LEVEL", "help": "An outlier that stays, for a cause."},
    "--lower": {**_NUMBER, "help": "Lower limit of the specification, for precision to tolerance."},
    "--upper": {**_NUMBER, "help": "Upper limit."},
    "--json": {"is_flag": True, "help": "The verdict as JSON, for other programs."},
    "--example": {"is_flag": True, "help": "Published results instead of a file."},
    "--out": {"type": FOLDER, "metavar": "DIR", "help": "Where the page goes; without it, words only."},
}
_COMMON = ("--out", "--example", "--json", "--lab")
_STUDIES = {
    "proficiency": (
        "Score proficiency rounds, each by itself and together.\n\nWithout FILE.csv: those that lab.toml names.",
        (),
    ),
    "comparison": (
        "May one method, instrument or person stand for another?\n\nWithout FILE.csv: by the record of lab.toml.",
        ("--allowed", "--percent", "--unit", "--first", "--second", "--quantity", "--temperature"),
    ),
    "precision-study": (
        "Find r and R between laboratories, or in a gauge study.",
        ("--keep", "--lower", "--upper", "--percent"),
    ),
}


def _study(name: str) -> click.Command:
    told, own = _STUDIES[name]

    def run(file: Path | None, out: Path | None, lab: Path | None, example: bool, json: bool, **asked: Any) -> int:
        if example and (file or lab):
            raise click.UsageError("--example shows published results, without a file or --lab beside it")
        if not (file or example):
            lab = lab or (_LAB if _LAB.is_file() else None)
            if lab is None or not _is_studied(name, lab):
                raise click.UsageError("a file, or --example, was expected")
        exports = [str(file.resolve())] if file else []
        return _show(name, out, json, {"exports": exports, **_for_notebook({"lab": lab, **asked})})

    run.__doc__ = told
    command = answer(run)
    for option in reversed((*_COMMON, *own)):
        command = click.option(option, **_OPTIONS[option])(command)
    return click.command(name)(click.argument("file", type=FILE, required=False, metavar="FILE.csv")(command))


def _is_studied(name: str, lab: Path) -> bool:
    """Tell whether a laboratory has what such a study is about: a record to compare from, rounds to score."""
    return name == "comparison" or (name == "proficiency" and bool(labcalc.lab.load_laboratory(lab).rounds_file))


def _for_notebook(asked: dict[str, Any]) -> dict[str, Any]:
    """Return what was asked as a notebook takes it: lists and text, nothing that wasn't said."""
    told = {name: one for name, one in asked.items() if one not in (None, "", (), 0.0, False)}
    written = {tuple: list, str: str, float: float, bool: bool}
    return {name: written.get(type(one), lambda path: str(path.resolve()))(one) for name, one in told.items()}


def _show(name: str, out: Path | None, as_json: bool, asked: dict[str, Any]) -> int:
    study = judgement.report_study(name, **asked)
    lines = [f"{study.title}: {study.verdict}: {study.reason}."]
    lines += [f"{one.about}: {one.finding}. {one.what_to_do}" for one in study.findings]
    lines += [f"Without a result, left out: {one}." for one in [study.file.without_result] if one]
    if as_json:
        lines = [json_text(study.for_programs)]
    if out is None:
        tell("\n".join(lines))
        return 0
    how = workbooks.BatchOptions(out, workers=1, say=say)
    result = workbooks.render_batch([workbooks.study_job(name, study, asked)], how)
    return finish(result, lines, () if as_json else result.paths, 0)


study_commands = tuple(map(_study, _STUDIES))
