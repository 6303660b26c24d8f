"""One report for each run of some exports: the jobs that a batch renders."""

from __future__ import annotations

from pathlib import Path

from labcalc.judgement import Material
from labcalc.shipped import workbook_file
from labcalc.workbooks.batch import ReportJob

__all__ = ["run_report_jobs"]


def run_report_jobs(material: Material, exports: tuple[Path, ...], lab: Path | None) -> list[ReportJob]:
    """Return a job for each run of the exports at hand.

    Parameters
    ----------
    material : Material
        What ``gather(exports, lab)`` returned; the notebook asks again by the same words and gets it from memory.
    exports : tuple of pathlib.Path
        The exports, as the notebook's parameter names them.
    lab : pathlib.Path, optional
        lab.toml, likewise.

    Returns
    -------
    list of ReportJob
        In the order of the exports.
    """
    notebook = workbook_file("run_report")
    words = {"exports": [str(path.resolve()) for path in exports], "lab": str(lab.resolve()) if lab else ""}
    return [
        ReportJob(
            name=run,
            title=f"Run report {run}",
            notebook=notebook,
            parameters={**words, "run": run},
            key=material.dossier(run).digest,
        )
        for run in material.runs
    ]
