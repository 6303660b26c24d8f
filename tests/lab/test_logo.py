"""The logo of lab.toml: a small picture that does nothing, told by its first bytes, and part of every digest."""

from __future__ import annotations

import base64
from pathlib import Path

import pytest

from labcalc.errors import SettingsError
from labcalc.lab import load_laboratory

SVG = b'<?xml version="1.0"?>\n<!-- drawn by hand -->\n<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 9 9"></svg>'
PNG = b"\x89PNG\r\n\x1a\n" + b"\0" * 20  # signature: PNG specification, third edition, 5.2
JPEG = b"\xff\xd8\xff\xe0" + b"\0" * 20  # SOI and the marker after it: ITU-T T.81, table B.1


def lab_with(folder: Path, content: bytes | None) -> Path:
    lab = folder / "lab.toml"
    lab.write_text('[laboratory]\nname = "L"\ntime_zone = "UTC"\nlogo = "logo"\n', encoding="utf-8")
    if content is not None:
        (folder / "logo").write_bytes(content)
    return lab


@pytest.mark.parametrize(("content", "kind"), [(SVG, "svg+xml"), (PNG, "png"), (JPEG, "jpeg")])
def test_a_picture_is_told_by_its_bytes(tmp_path: Path, content: bytes, kind: str) -> None:
    laboratory = load_laboratory(lab_with(tmp_path, content))
    head, _, data = laboratory.logo_uri.partition(",")
    assert (head, base64.b64decode(data)) == (f"data:image/{kind};base64", content)


def test_another_picture_is_another_digest(tmp_path: Path) -> None:
    """lab.toml stays the same, so pages that hold the old picture must not count as up to date."""
    first = load_laboratory(lab_with(tmp_path, PNG))
    second = load_laboratory(lab_with(tmp_path, JPEG))
    assert first.sha256 == second.sha256
    assert len({first.digest, second.digest, first.sha256}) == 3


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (None, "can't be read: No such file or directory"),
        (b"GIF89a", "a PNG, JPEG or SVG picture is expected"),
        (PNG + b"\0" * 100_000, "has 100028 bytes; 100000 or fewer are expected"),
        (SVG.replace(b"></svg>", b"><script>1</script></svg>"), "holds '<script'"),
        (SVG.replace(b"></svg>", b"><svg:script/></svg>"), "holds '<svg:script'"),
        (SVG.replace(b"viewBox", b"onload='x()' viewBox"), "holds 'onload='"),
        (SVG.replace(b"></svg>", b"><image href='http://x/y.png'/></svg>"), """holds "href='": an SVG without"""),
        (SVG.replace(b"></svg>", b"><foreignObject/></svg>"), "holds '<foreignObject'"),
    ],
)
def test_what_is_no_such_picture_is_refused(tmp_path: Path, content: bytes | None, told: str) -> None:
    with pytest.raises(SettingsError) as refused:
        load_laboratory(lab_with(tmp_path, content))
    assert "laboratory.logo: 'logo'" in str(refused.value)
    assert told in str(refused.value)
