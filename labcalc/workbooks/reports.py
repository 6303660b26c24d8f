"""One report for each run of some exports."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

from labcalc.shipped import workbook_file
from labcalc.workbooks.batch import ReportJob, render_batch
from labcalc.workbooks.cluster import cluster_executor
from labcalc.workbooks.outcome import BatchResult, Progress
from labcalc.workbooks.scripts import Scripts

if TYPE_CHECKING:
    from labcalc.judgement import Material


def run_report_jobs(
    material: Material, exports: tuple[Path, ...], lab: Path | None, runs: Sequence[str] = ()
) -> list[ReportJob]:
    """Return a job for each run of the exports at hand.

    Parameters
    ----------
    material : Material
        What ``gather(exports, lab)`` returned; the notebook asks again by the same words and gets it from memory.
    exports : tuple of pathlib.Path
        The exports, as the notebook's parameter names them.
    lab : pathlib.Path, optional
        lab.toml, likewise.
    runs : sequence of str, optional
        Only these runs.

    Returns
    -------
    list of ReportJob
        In the order of the exports, or of the runs asked for.

    Raises
    ------
    UnknownRunError
        A run that the exports don't hold.
    """
    notebook = workbook_file("run_report")
    words = {"exports": [str(path.resolve()) for path in exports], "lab": str(lab.resolve()) if lab else ""}
    dossiers = map(material.dossier, runs or material.runs)
    return [
        ReportJob(
            name=dossier.run,
            title=", ".join(filter(None, (dossier.sample, dossier.product_name))),
            notebook=notebook,
            parameters={**words, "run": dossier.run},
            key=dossier.digest,
        )
        for dossier in dossiers
    ]


def render_run_reports(
    material: Material,
    exports: tuple[Path, ...],
    lab: Path | None,
    out: Path,
    *,
    runs: Sequence[str] = (),
    more: Sequence[ReportJob] = (),
    workers: int | None = None,
    again: bool = False,
    single_file: bool = False,
    pdf: bool = False,
    cluster: str | None = None,
    engine: str = "labcalc",
    progress: Callable[[Progress], None] | None = None,
    say: Callable[[str], None] | None = None,
) -> BatchResult:
    """Render a report for each run of the exports at hand, and an index page.

    Parameters
    ----------
    material, exports, lab, runs
        As for ``run_report_jobs``.
    out : pathlib.Path
        The folder.
    more : sequence of ReportJob, optional
        Other reports for the same folder, such as that of a month.
    workers, again, pdf, engine, progress, say
        As for ``render_batch``.
    single_file : bool
        Put the drawing script inside each report.
    cluster : str, optional
        Address of a dask.distributed scheduler that renders instead of this machine.

    Returns
    -------
    BatchResult
        One outcome a report.
    """
    jobs = [*more, *run_report_jobs(material, exports, lab, runs)]
    scripts = Scripts.INSIDE if single_file else Scripts.BESIDE
    with cluster_executor(cluster) if cluster else nullcontext() as executor:
        return render_batch(
            jobs,
            out,
            workers=workers,
            executor=executor,
            engine=engine,
            scripts=scripts,
            again=again,
            pdf=pdf,
            progress=progress,
            say=say,
        )
