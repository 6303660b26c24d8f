"""What every report needs, done once before processes are forked: imports, and what libraries set up at first use."""

import ast
import importlib
import json
import pkgutil
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from functools import lru_cache

from labcalc.errors import LabcalcError
from labcalc.workbooks.folder import scratch_prefix
from labcalc.workbooks.lean import for_speed_only, keep_imports_short, quick_start
from labcalc.workbooks.outputs import body_of
from labcalc.workbooks.page import Scripts
from labcalc.workbooks.parameters import Json

_SHARED = frozenset({"labcalc", "numpy", "pandas", "plotly", "scipy"})  # imported once, before processes part
_AT_FIRST_USE = (
    "labcalc.workbooks.shell", "IPython.core.application", "IPython.core.completer", "IPython.core.completerlib",
    "IPython.core.logger", "IPython.core.magics", "IPython.core.oinspect", "bdb",
)  # fmt: skip  # else imported in every report anew
_FOR_SOME = (
    "labcalc.judgement.causes.evidence_from_dossier", "labcalc.judgement.causes.explanation",
    "labcalc.formulae.curves.line_departure", "labcalc.formulae.curves.liquid_slopes",
    "labcalc.formulae.densities.expansion", "labcalc.formulae.densities.gravity",
    "labcalc.formulae.kinds.characterisation", "labcalc.formulae.kinds.grades", "labcalc.formulae.kinds.molar_mass",
    "labcalc.formulae.scales.saybolt",
)  # fmt: skip  # worth importing ahead of several reports, not of one


def warm_up(notebooks: Iterable[str], reports: int = 1) -> None:
    """Do once what every report needs, so that forked processes find it done; what fails is logged and left to them.

    What the texts of the notebooks import and use of the scientific libraries and of labcalc is imported.
    """
    _set_up()
    names = set(_FOR_SOME if reports > 1 else ())
    for text in notebooks:
        with for_speed_only("seeing ahead what a notebook uses"):
            names.update(_used(text))
    for name in sorted(names):
        with (
            for_speed_only(f"importing {name} ahead"),
            suppress(ImportError, AttributeError),  # the notebook says so itself, in the process where it runs
        ):
            pkgutil.resolve_name(name)


def read_ahead(parameters: Mapping[str, Json]) -> None:
    """Read the exports and the record of a run's report here, so that processes forked from this one share them."""
    exports, lab, run = map(parameters.get, ("exports", "lab", "run"))
    if isinstance(exports, list) and isinstance(lab, str) and isinstance(run, str):
        with quick_start(), for_speed_only("reading the exports ahead"), suppress(LabcalcError):  # the report says so
            from labcalc.judgement import gather

            gather(list(map(str, exports)), lab).dossier(run)


@lru_cache(maxsize=1)
def _set_up() -> None:
    keep_imports_short()
    for name in _AT_FIRST_USE:
        with for_speed_only(f"importing {name} ahead"):
            importlib.import_module(name)
    with for_speed_only("laying a page out ahead"):
        _lay_out_once()
    with for_speed_only("making a shell ahead"), tempfile.TemporaryDirectory(prefix=scratch_prefix()) as scratch:
        from labcalc.workbooks.shell import make_shell_ahead

        make_shell_ahead(scratch)


def _lay_out_once() -> None:
    """Let Jinja2 compile its templates, and markdown be set up."""
    from nbformat import v4

    from labcalc.workbooks.page import lay_out

    cells = [v4.new_markdown_cell("# One"), v4.new_code_cell("")]
    cells[1].outputs = [v4.new_output("stream", name="stdout", text="one")]
    lay_out(body_of(v4.new_notebook(cells=cells)), title="", workbook="", figures=0, scripts=Scripts.BESIDE)


def _used(notebook: str) -> Iterator[str]:
    """Name what a notebook imports, and what it takes from there: the same for every report."""
    homes: dict[str, str] = {}
    for tree in _trees(notebook):
        for node in ast.walk(tree):
            homes |= _imported(node)
            if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id in homes:
                yield f"{homes[node.value.id]}.{node.attr}"
    yield from homes.values()


def _trees(notebook: str) -> Iterator[ast.AST]:
    with suppress(ValueError):
        for cell in json.loads(notebook).get("cells", []):
            with suppress(SyntaxError):  # a magic command
                yield ast.parse("".join(cell.get("source", "")))


def _imported(node: ast.AST) -> dict[str, str]:
    """Return the names that an import binds, with where they come from."""
    if isinstance(node, ast.Import):
        found = {alias.asname or alias.name.split(".")[0]: alias.name for alias in node.names}
    elif isinstance(node, ast.ImportFrom) and node.module:
        found = {alias.asname or alias.name: f"{node.module}.{alias.name}" for alias in node.names}
    else:
        return {}
    return {name: home for name, home in found.items() if home.split(".")[0] in _SHARED}
