"""``labcalc proficiency``, ``comparison``, ``precision-study``: a file of results in, a verdict and a page out."""

import json
from pathlib import Path
from typing import Any

import click

from labcalc import judgement, workbooks
from labcalc.cli.words import FILE, FOLDER, answer, finish, say

_LAB = Path("lab.toml")
_NUMBER: dict[str, Any] = {"type": float, "metavar": "NUMBER"}
_OPTIONS: dict[str, dict[str, Any]] = {
    "--allowed": {**_NUMBER, "default": 0.0, "help": "Largest difference that doesn't matter."},
    "--percent": {"is_flag": True, "help": "Errors grow with the level: go by percent."},
    "--unit": {"default": "", "metavar": "UNIT", "help": "Unit of the results."},
    "--first": {"default": "", "metavar": "NAME", "help": "The method, instrument or operator that is known."},
    "--second": {"default": "", "metavar": "NAME", "help": "The one that may stand for it."},
    "--lab": {"type": FILE, "metavar": "LAB.toml", "help": "Without FILE.csv: its record; default: lab.toml."},
    "--quantity": {"default": "", "metavar": "NAME", "help": "With --lab: kinematic viscosity or density."},
    "--temperature": {"type": float, "metavar": "°C", "help": "With --lab: only this one."},
    "--keep": {"multiple": True, "metavar": "LABORATORY@LEVEL", "help": "An outlier that stays, for a cause."},
    "--lower": {**_NUMBER, "help": "Lower limit of the specification, for precision to tolerance."},
    "--upper": {**_NUMBER, "help": "Upper limit."},
    "--json": {"is_flag": True, "help": "The verdict as JSON, for other programs."},
    "--example": {"is_flag": True, "help": "Published results instead of a file."},
    "--out": {"type": FOLDER, "metavar": "DIR", "help": "Where the page goes; without it, words only."},
}
_COMMON = ("--out", "--example", "--json")
_COMMANDS = {
    "proficiency": ("Score proficiency rounds, each by itself and together.", ()),
    "comparison": (
        "May one method, instrument or person stand for another?",
        ("--allowed", "--percent", "--unit", "--first", "--second", "--lab", "--quantity", "--temperature"),
    ),
    "precision-study": (
        "Find r and R between laboratories, or in a gauge study.",
        ("--keep", "--lower", "--upper", "--percent"),
    ),
}


def _command(name: str) -> click.Command:
    told, own = _COMMANDS[name]

    def run(file: Path | None, out: Path | None, example: bool, json: bool, **asked: Any) -> int:
        if not (file or example) and "lab" in asked:
            asked["lab"] = asked["lab"] or (_LAB if _LAB.is_file() else None)
        if not (file or example or asked.get("lab")):
            raise click.UsageError("a file, or --example, was expected")
        exports = [str(file.resolve())] if file and not example else []
        return _report(name, out, json, {"exports": exports, **_for_notebook(asked)})

    run.__doc__ = told
    command = answer(run)
    for option in reversed((*_COMMON, *own)):
        command = click.option(option, **_OPTIONS[option])(command)
    return click.command(name)(click.argument("file", type=FILE, required=False, metavar="FILE.csv")(command))


def _for_notebook(asked: dict[str, Any]) -> dict[str, Any]:
    """Return what was asked as a notebook takes it: lists and text, nothing that wasn't said."""
    told = {name: one for name, one in asked.items() if one not in (None, "", (), 0.0, False)}
    written = {tuple: list, str: str, float: float, bool: bool}
    return {name: written.get(type(one), lambda path: str(path.resolve()))(one) for name, one in told.items()}


def _report(name: str, out: Path | None, as_json: bool, words: dict[str, Any]) -> int:
    study = judgement.report_study(name, **words)
    lines = [f"{study.title}: {study.verdict}: {study.reason}."]
    lines += [f"{one.about}: {one.finding}. {one.what_to_do}" for one in study.findings]
    lines += [f"Without a result, left out: {one}." for one in [study.file.without_result] if one]
    if as_json:
        lines = [json.dumps(study.for_programs, ensure_ascii=False, indent=1)]
    if out is None:
        click.echo("\n".join(lines))
        return 0
    how = workbooks.BatchOptions(out, workers=1, say=say)
    result = workbooks.render_batch([workbooks.study_job(name, study, words)], how)
    return finish(result, lines, () if as_json else result.paths, 0)


study_commands = tuple(map(_command, _COMMANDS))
