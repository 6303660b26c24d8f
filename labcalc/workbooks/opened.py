"""A workbook copied beside the laboratory's data for a person to work in; what a person has changed is left alone."""

import ast
import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from labcalc.errors import WorkbookError
from labcalc.lab import nearest
from labcalc.shipped import sample_lab, workbook_files
from labcalc.workbooks.lean import keep_imports_short
from labcalc.workbooks.parameters import Json, check_parameters, declared_parameters
from labcalc.writing import write_whole

SAMPLE_FOLDER = "labcalc-sample-laboratory"  # where the sample laboratory is copied to, in the current folder
_STATES = ("new", "replaced", "there already")  # of a copy; of a course, the first that any of its exercises had
_MARK = "labcalc"  # where a copy's metadata say what it was when it was made
_BESIDE_LAB = ("README.md", "decisions.jsonl", "exports")  # of the sample laboratory; the rest only makes it


@dataclass(frozen=True)
class WorkbookCopy:
    """A workbook that lies beside the laboratory's data."""

    path: Path  # the notebook, or of a course the folder with its exercises
    state: str
    """``new``, ``there already`` (made the same way; it may hold changes of a person), or ``replaced`` (unchanged, and
    made anew with other exports, another lab.toml or another version)."""
    left_alone: tuple[Path, ...] = ()  # files of that name that hold a person's changes or are none of ours


_ALONE = "bench-calculations"  # the workbook that needs no laboratory


def workbook_names(*, of_a_laboratory: bool = False) -> tuple[str, ...]:
    """Return the names of the workbooks that can be opened; or of those that need a laboratory's data."""
    return tuple(name for name in workbook_files() if not (of_a_laboratory and name == _ALONE))


def copy_workbook(
    name: str, exports: Sequence[Path] = (), lab: Path | None = None, folder: str = "", *, example: bool = False
) -> WorkbookCopy:
    """Copy a workbook beside lab.toml, the first export, or else into the current folder, with its parameters set.

    ``folder`` is the name of the folder of a course, else called as the course; with ``example`` it opens with worked
    examples. A copy that a person has changed is never written over: made the same way it is kept as it is, made in
    another way it is left alone and the new copy gets a number.
    WorkbookError: there is no such workbook, or it takes no exports; FileNotFoundError: of an export or lab.toml.
    """
    files, home, name = _files(name), _folder(exports, lab), name.casefold().replace("_", "-")
    course = home if len(files) == 1 else home / (folder or name)
    words: dict[str, Json] = {"exports": [_from(course, one) for one in exports], "controls": True, "example": example}
    words["lab"] = _from(course, lab) if lab else ""
    if len(files) == 1:
        return _copy(files[0], home / f"{name}.ipynb", words)
    course.mkdir(exist_ok=True)
    copies = [_copy(one, course / one.name, words) for one in files]
    left_alone = tuple(path for one in copies for path in one.left_alone)
    return WorkbookCopy(course, min((one.state for one in copies), key=_STATES.index), left_alone)


def copy_sample_laboratory(to: Path) -> Path:
    """Copy the sample laboratory, so that it can be written to, and return its lab.toml; what is there stays."""
    source, lab = sample_lab(), to / "lab.toml"
    if not lab.exists():
        for file in filter(Path.is_file, sorted(source.parent.rglob("*"))):
            copy = to / (within := file.relative_to(source.parent))
            if within.parts[0] in _BESIDE_LAB and not copy.exists():
                copy.parent.mkdir(parents=True, exist_ok=True)
                write_whole(copy, file.read_bytes())
        write_whole(lab, source.read_bytes())  # last: where it is, all is there
    return lab


def _files(name: str) -> tuple[Path, ...]:
    known, usual = workbook_files(), name.casefold().replace("_", "-")
    if usual not in known:
        hint = nearest(usual, known) or f"; there are {', '.join(known)}"
        raise WorkbookError(f"there is no workbook '{name}'{hint}")
    return known[usual]


def _copy(file: Path, to: Path, words: Mapping[str, Json]) -> WorkbookCopy:
    keep_imports_short()
    import nbformat

    notebook = nbformat.read(file, as_version=4)
    taken = declared_parameters(notebook, to.stem)
    if words["exports"] and "exports" not in taken:
        instead = ": it reads the record that lab.toml names; give --lab alone" if "lab" in taken else ""
        raise WorkbookError(f"{to.stem} takes no exports{instead}")
    if words["example"] and "example" not in taken:
        raise WorkbookError(f"{to.stem} has no worked examples: leave --example out")
    for cell in notebook.cells:
        if cell.cell_type == "code":  # what is stored is about the sample laboratory
            cell.outputs, cell.execution_count = [], None
    _set_parameters(notebook, to.stem, {key: value for key, value in words.items() if key in taken})
    return _place(notebook, to)


def _folder(exports: Sequence[Path], lab: Path | None) -> Path:
    for path in (*exports, *([lab] if lab else [])):
        path.stat()  # a file that is not there is named before anything is written
    home = lab or next(iter(exports), None)
    return home.resolve().parent if home else Path.cwd()


def _from(folder: Path, path: Path) -> str:
    """Write a path as seen from the folder where the workbook runs, so that the folder can be moved as a whole."""
    whole = path.resolve()
    return whole.relative_to(folder).as_posix() if whole.is_relative_to(folder) else str(whole)


def _set_parameters(notebook: Any, name: str, values: Mapping[str, Json]) -> None:
    """Write values into the parameters cell in the place of the defaults; names, types and remarks stay."""
    check_parameters(notebook, name, values)
    cell = next(cell for cell in notebook.cells if "parameters" in cell.metadata.get("tags", []))
    lines = cell.source.encode().splitlines(keepends=True)
    for node in reversed(ast.parse(cell.source).body):
        match node:
            case ast.AnnAssign(target=ast.Name(id=word), value=ast.expr() as old) if word in values:
                line = lines[old.lineno - 1]
                written = repr(values[word]).encode()
                lines[old.lineno - 1] = line[: old.col_offset] + written + line[old.end_col_offset :]
    cell.source = b"".join(lines).decode()


def _place(notebook: Any, to: Path) -> WorkbookCopy:
    made = _fingerprint(notebook)
    notebook.metadata[_MARK] = {"made": made}
    content = (json.dumps(notebook, ensure_ascii=False, indent=1) + "\n").encode()
    path, left = to, list[Path]()
    while (state := _found(path, made)) == "left alone":
        left.append(path)
        path = to.with_stem(f"{to.stem}-{len(left) + 1}")
    if state != "there already":
        write_whole(path, content)
    return WorkbookCopy(path, state, tuple(left))


def _found(path: Path, made: str) -> str:
    """Say what to do with a file of that name: nothing there, ours as it would be made, ours and unchanged, or else."""
    if not path.exists():
        return "new"
    try:
        there = json.loads(path.read_text("utf-8"))
        mark, now = there["metadata"][_MARK]["made"], _fingerprint(there)
    except (ValueError, KeyError, TypeError):
        return "left alone"
    if mark == made:
        return "there already"
    return "replaced" if mark == now else "left alone"


def _fingerprint(notebook: Mapping[str, Any]) -> str:
    """Return a digest over what a person writes; outputs and the order of keys don't count."""
    cells = [(cell["cell_type"], "".join(cell["source"])) for cell in notebook["cells"]]
    return hashlib.sha256(json.dumps(cells).encode()).hexdigest()
