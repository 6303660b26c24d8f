"""Make README's three pictures anew from the sample laboratory: python -m tests.readme_pictures."""

from __future__ import annotations

import base64
import tempfile
from pathlib import Path

from labcalc.judgement import gather, gather_record, report_month
from labcalc.shipped import sample_exports, sample_lab, workbook_file
from labcalc.workbooks import BatchOptions, month_report_job, render_batch, render_workbook, run_report_jobs
from tests.chromium import Tab, chromium

PICTURES = workbook_file("run_report").parent / "pictures"
SLIP, WARM = "MX15-26-0586", "HX32-26-0531"
_TOPS = ("body", "body", "figure")
WIDTH, HEIGHT = 1100, 760


def _take(tab: Tab, page: Path, name: str, top: str) -> None:
    """Take what is on the screen when the first element of that kind stands at its top."""
    tab.go(page.as_uri())
    tab.wait("document.documentElement?.dataset.drawn || document.documentElement?.dataset.ready")
    tab.run(f"document.querySelector({top!r}).scrollIntoView()")
    found = tab.ask("Page.captureScreenshot", format="webp", quality=70)["data"]
    (PICTURES / f"{name}.webp").write_bytes(base64.b64decode(found))


def main() -> None:
    PICTURES.mkdir(exist_ok=True)
    exports, lab = sample_exports(), sample_lab()
    material = gather(exports, lab)
    table = material.reading.table.drop_duplicates("sample").set_index("sample")["run"]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        pages = render_batch(
            run_report_jobs(material, exports, lab, [table[SLIP]]), BatchOptions(folder / "run", 1)
        ).paths
        month = month_report_job(report_month(gather_record()), lab, folder / "month")
        pages += render_batch([month], BatchOptions(folder / "month", 1)).paths
        words = {"run": table[WARM], "temperature_offset_K": 0.3}
        problem = render_workbook(workbook_file("problem_sample"), words, folder / "problem.html", title=WARM)
        with chromium(folder / "profile", WIDTH, HEIGHT) as tab:
            for page, stem, top in zip((*pages, problem.path), ("run", "month", "problem"), _TOPS, strict=True):
                _take(tab, page, stem, top)


if __name__ == "__main__":
    main()
