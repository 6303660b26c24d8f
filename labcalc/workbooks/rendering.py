"""One notebook, its parameters, one page."""

import hashlib
import json
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from contextlib import chdir, suppress
from dataclasses import asdict, dataclass, field
from functools import partial
from html import escape
from pathlib import Path
from typing import Any

import labcalc.errors
from labcalc.errors import LabcalcError, SettingsError, WorkbookError
from labcalc.workbooks.lean import keep_imports_short
from labcalc.workbooks.options import ENGINES, KERNEL, LABCALC, Limits
from labcalc.workbooks.outputs import body_of, check_page, machine_paths, ready_outputs
from labcalc.workbooks.page import Scripts
from labcalc.workbooks.parameters import Json

_LONGEST_SOCKET = 90  # characters of a socket's path that every system takes, with some to spare for its number


@dataclass(frozen=True)
class RenderTask:
    """All that a process anywhere needs to render one report."""

    title: str
    notebook: str  # text of the notebook
    name: str  # file name of the notebook
    folder: str  # folder of the notebook: cells run there, where it exists
    parameters: Mapping[str, Json]
    engine: str = LABCALC
    scripts: Scripts = Scripts.BESIDE
    limits: Limits = field(default_factory=Limits)

    def to_json(self) -> bytes:
        """Return the task as JSON, for a process that shares no memory with this one."""
        return json.dumps(asdict(self) | {"scripts": self.scripts.value}).encode()

    @classmethod
    def from_json(cls, content: bytes) -> "RenderTask":
        """Return the task that ``to_json`` wrote."""
        words = json.loads(content)
        return cls(**words | {"scripts": Scripts(words["scripts"]), "limits": Limits(**words["limits"])})


@dataclass(frozen=True)
class Rendering:
    """A page and what the index says of it."""

    html: bytes
    summary: dict[str, Any]
    figures: int
    seconds: float  # time that it took, [s]

    @property
    def digest(self) -> str:
        """SHA-256 of the page."""
        return hashlib.sha256(self.html).hexdigest()


def task_for(notebook: Path, parameters: Mapping[str, Json], *, title: str, **how: Any) -> RenderTask:
    """Return the task of rendering a notebook; ``how``: engine, scripts and limits of ``RenderTask``.

    WorkbookError: it can't be read, or there is no such engine.
    """
    try:
        text = notebook.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as failure:
        reason = getattr(failure, "strerror", None) or "not UTF-8 text"
        raise WorkbookError(f"{notebook.name}: can't be read: {reason}") from failure
    task = RenderTask(title, text, notebook.name, str(notebook.resolve().parent), dict(parameters), **how)
    if task.engine not in ENGINES:
        raise WorkbookError(f"there is no engine '{task.engine}'; there are {' and '.join(ENGINES)}")
    return task


def render(task: RenderTask, begin_cell: Callable[[str], None] = lambda _: None) -> Rendering:
    """Run the notebook and return its page. Takes over this process: call it in a fresh one.

    ``begin_cell`` hears the number of each cell. ParameterError: a parameter that the notebook doesn't take.
    WorkbookError: a cell failed or took too long, an output can't be shown, or the page isn't sound.
    """
    started = time.monotonic()
    from labcalc.workbooks.page import lay_out

    executed = execute(task, begin_cell)
    shown = ready_outputs(executed, task.name)
    body = body_of(executed)
    number = str(shown.summary.get("number", ""))
    lay_out_with = partial(lay_out, body, title=task.title, workbook=task.name, figures=shown.figures, number=number)
    bare = lay_out_with(scripts=Scripts.BESIDE)
    check_page(bare, shown, name=task.name, paths=machine_paths(task.folder, *_folders_in(task.parameters)))
    page = bare if task.scripts is Scripts.BESIDE else lay_out_with(scripts=task.scripts)
    if isinstance(lab := task.parameters.get("lab"), str) and lab:
        with chdir(_home(task)):
            page = _in_the_language_of(lab, page, task.parameters)
    return Rendering(page.encode("utf-8"), shown.summary, shown.figures, time.monotonic() - started)


def _in_the_language_of(lab: str, page: str, parameters: Mapping[str, Json]) -> str:
    """Return the page in the language that lab.toml asks for; what people named or wrote stays as it is."""
    from labcalc.lab.settings import load_laboratory

    try:
        laboratory = load_laboratory(lab)
    except SettingsError:  # a notebook that reads it has said so already
        return page
    if not laboratory.translation:
        return page
    from labcalc.exports import without_marks
    from labcalc.judgement import gather, gather_record, written_in
    from labcalc.workbooks.translating import translated

    names, exports = _texts_of(asdict(laboratory)), _texts_of(parameters.get("exports"))
    studied = [] if parameters.get("run") else map(Path, exports)
    for file in filter(None, [laboratory.rounds_file, *studied]):
        with suppress(LabcalcError):  # whoever reads it has said so
            names += dict.fromkeys([file.name, *written_in(file)])
    with suppress(LabcalcError):  # a page of a study needs no record
        material = gather(exports, lab) if parameters.get("run") else gather_record(lab)
        names += _texts_of([vars(one) for one in (*material.decisions, *material.waiting)])
        for table in (material.record, material.reading.table):
            rows = table[table["run"] == parameters["run"]] if parameters.get("run") else table
            own = rows[["sample", "product", "lot", "operator", "instrument"]]
            names += [str(one) for column in own for one in own[column].dropna().unique()]
            names += dict.fromkeys(without_marks(rows["remark"]))
    said = page.replace("\u00a0", " ")
    return translated(page, laboratory.translation, [name for name in names if escape(name) in said])


def _texts_of(value: Any) -> list[str]:
    inner = value.values() if isinstance(value, dict) else value if isinstance(value, list | tuple) else ()
    return [value] if isinstance(value, str) else [text for one in inner for text in _texts_of(one)]


def _folders_in(parameters: Mapping[str, Json]) -> list[str]:
    """Return the folders of the files that parameters name."""
    paths = [Path(text) for text in _texts_of(dict(parameters)) if len(text) < 4096 and "\0" not in text]
    return sorted({str(path.parent) for path in paths if path.is_absolute() and path.parent != Path(path.anchor)})


def _home(task: RenderTask) -> str:
    return task.folder if Path(task.folder).is_dir() else "."


def execute(task: RenderTask, begin_cell: Callable[[str], None] = lambda _: None) -> Any:
    """Check the parameters and run the notebook; takes over this process where the engine is labcalc's."""
    keep_imports_short()
    from labcalc.workbooks.parameters import check_parameters, with_parameters

    notebook = _read(task)
    check_parameters(notebook, task.name, task.parameters)
    numbers = {cell.id: number for number, cell in enumerate(notebook.cells, start=1)}
    notebook = with_parameters(notebook, task.parameters)
    with chdir(_home(task)):
        if task.engine == KERNEL:
            notebook = _in_a_kernel(task, notebook)
        else:
            from labcalc.workbooks.shell import run_cells

            run_cells(notebook, task.limits, lambda cell: begin_cell(str(numbers[cell])) if cell in numbers else None)
    for cell in notebook.cells:
        for output in cell.get("outputs", []):
            if output.output_type == "error":
                raise _failure(task, numbers.get(cell.id, 0), output.ename, output.evalue)
    return notebook


def _in_a_kernel(task: RenderTask, notebook: Any) -> Any:
    """Run the cells by papermill in a kernel of their own, as anyone would."""
    from nbclient.exceptions import CellTimeoutError, DeadKernelError
    from papermill.engines import papermill_engines
    from papermill.execute import prepare_notebook_metadata
    from papermill.iorw import load_notebook_node
    from traitlets.config import Config

    prepared = prepare_notebook_metadata(load_notebook_node(notebook), None, None)
    words: dict[str, Any] = {"kernel_name": "python3", "execution_timeout": task.limits.cell_seconds}
    words |= {"shutdown_kernel": "immediate", "coalesce_streams": True, "store_widget_state": False}
    words |= {"config": Config(KernelManager=_channels()), "progress_bar": False, "input_path": None}
    words |= {"extra_arguments": ["--ext=labcalc.workbooks.lean", "--log-level=ERROR"], "output_path": None}
    try:
        return papermill_engines.execute_notebook_with_engine("nbclient", prepared, **words)
    except CellTimeoutError:
        raise WorkbookError(f"{task.name}: a cell took longer than {task.limits.cell_seconds:g} s") from None
    except DeadKernelError:
        raise WorkbookError(f"{task.name}: its kernel ended before the notebook did") from None


def _read(task: RenderTask) -> Any:
    import nbformat

    try:
        notebook = nbformat.reads(task.notebook, as_version=4)
    except (ValueError, nbformat.ValidationError, KeyError) as failure:
        raise WorkbookError(f"{task.name}: not a notebook: {_one_line(failure)}") from failure
    for number, cell in enumerate(notebook.cells, start=1):
        cell.setdefault("id", f"cell-{number}")
    return notebook


def _channels() -> dict[str, str]:
    """Let a kernel talk by files in this process's own temporary folder: two never pick one port."""
    files = str(Path(tempfile.gettempdir()) / "kernel")
    return {} if sys.platform == "win32" or len(files) > _LONGEST_SOCKET else {"transport": "ipc", "ip": files}


def _failure(task: RenderTask, number: int, kind: str, text: str) -> WorkbookError:
    """Say what failed; labcalc's own refusals speak for themselves."""
    words = _one_line(text)
    own = kind in labcalc.errors.__all__ or kind == "TimeLimitError"
    told = words if own and words else ": ".join(filter(None, (kind, words)))
    return WorkbookError(f"{task.name}, cell {number}: {told}")


def _one_line(text: object) -> str:
    line = " ".join(str(text).split())
    return line if len(line) <= 400 else f"{line[:399]}…"
