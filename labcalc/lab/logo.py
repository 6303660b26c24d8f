"""The laboratory's logo: a picture that every page holds, and that does nothing."""

import base64
import re
from collections.abc import Mapping
from pathlib import Path

_LARGEST = 100_000  # bytes of a logo, [B]: every page holds it
_KINDS: Mapping[str, re.Pattern[bytes]] = {
    "png": re.compile(rb"\x89PNG\r\n\x1a\n"),
    "jpeg": re.compile(rb"\xff\xd8\xff"),
    "svg+xml": re.compile(rb"\s*(?:<\?xml[^>]*>\s*|<!--.*?-->\s*)*<svg[\s>]", re.DOTALL),
}
"""How a picture of each kind begins (PNG, 3rd edition, 5.2; JPEG: ITU-T T.81, B.1.1.3; SVG 2, 5.1)."""
_ACTIVE = re.compile(rb"<\s*(?:\w+:)?(?:script|foreignObject)\b|\son\w+\s*=|\bhref\s*=\s*[\"'](?!#|data:image/)", re.I)
"""What an SVG does or fetches; a page shows it as an ``img``, where none of that works, and a logo needs none."""


def logo_uri(file: Path) -> str:
    """Return a picture as a ``data:`` URI. ValueError: what is wrong with it, and what is expected."""
    try:
        content = file.read_bytes()
    except OSError as failure:
        raise ValueError(f"'{file.name}' can't be read: {failure.strerror}") from failure
    if len(content) > _LARGEST:
        raise ValueError(f"'{file.name}' has {len(content)} bytes; {_LARGEST} or fewer are expected")
    kind = next((kind for kind, begins in _KINDS.items() if begins.match(content)), "")
    if not kind:
        raise ValueError(f"'{file.name}': a PNG, JPEG or SVG picture is expected")
    if kind == "svg+xml" and (found := _ACTIVE.search(content)):
        what = found[0].strip().decode("ascii", "replace")
        raise ValueError(f"'{file.name}' holds {what!r}: an SVG without scripts or links is expected")
    return f"data:image/{kind};base64,{base64.b64encode(content).decode()}"
