"""The certificates on a month's page: value, U, k, number, validity, and ``not given`` where it isn't known."""

from __future__ import annotations

import hashlib
from pathlib import Path

from labcalc.figures import show_certificates
from labcalc.judgement import gather_record, report_month
from labcalc.shipped import sample_lab

STATED = """lot = "T-2511"
certificate = "C-4711 <b>"
producer = "Oil House"
accreditation = "RM 12, ISO 17034"
coverage_factor = 2.1
file = "c.pdf"
"""


def test_what_a_certificate_says_stands_in_the_month(tmp_path: Path) -> None:
    exports = Path(sample_lab()).parent / "exports"
    text = Path(sample_lab()).read_text("utf-8").replace('"exports/', f'"{exports}/')
    (tmp_path / "lab.toml").write_text(text, encoding="utf-8")
    plain = report_month(gather_record(tmp_path / "lab.toml"), "2026-03")
    assert [(one["oil"], one["lot"]) for one in plain.certificates] == [
        ("Reference oil thin", "T-2511"),
        ("Reference oil thick", "K-2512"),
    ]
    html = show_certificates(plain).html
    assert html.count("not given: number, producer, accreditation, file, k</td>") == html.count("not given") == 2
    assert "kinematic viscosity at 40 °C: 15.021 ± 0.024 mm²/s<br>" in html
    assert "from 2025-12-01<br>to 2027-11-30<br>not given: " in html
    (tmp_path / "lab.toml").write_text(text.replace('lot = "T-2511"\n', STATED), encoding="utf-8")
    missing = report_month(gather_record(tmp_path / "lab.toml"), "2026-03")
    assert "can&#x27;t be read: No such file or directory" in show_certificates(missing).html
    (tmp_path / "c.pdf").write_bytes(b"%PDF")
    known = report_month(gather_record(tmp_path / "lab.toml"), "2026-03")
    html = show_certificates(known).html
    assert "C-4711 &lt;b&gt;<br>Oil House<br>RM 12, ISO 17034<br>from 2025-12-01" in html
    assert "15.021 ± 0.024 mm²/s (k 2.1)" in html
    assert hashlib.sha256(b"%PDF").hexdigest() in html
    assert len({plain.digest, missing.digest, known.digest}) == 3
    thin = next(one for one in known.oils if one.chart.lot == "T-2511" and one.chart.unit == "%")
    before = next(one for one in plain.oils if one.chart.name == thin.chart.name)
    assert abs(thin.chart.certified_uncertainty / before.chart.certified_uncertainty - 2.0 / 2.1) < 1e-12
