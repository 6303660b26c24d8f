"""plotly.js: the file of the installed plotly package, written once beside the reports or put inside each."""

import base64
import gzip
import hashlib
import re
from enum import Enum
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path

from labcalc.errors import WorkbookError
from labcalc.writing import write_whole


class Scripts(Enum):
    """Where a report has its drawing script."""

    BESIDE = "beside"
    INSIDE = "inside"


@lru_cache(maxsize=1)
def plotly_script() -> bytes:
    """Return plotly.js as the installed plotly package has it."""
    spec = find_spec("plotly")  # finds the file without importing plotly
    places = list(spec.submodule_search_locations or ()) if spec is not None else []
    for place in places:
        file = Path(place) / "package_data" / "plotly.min.js"
        if file.is_file():
            return file.read_bytes()
    raise WorkbookError("the installed plotly package holds no plotly.min.js, so figures can't be drawn")


def script_hash(script: bytes) -> str:
    """Return the hash by which a page allows an inline script (Content Security Policy Level 3, hash-source)."""
    return f"sha256-{base64.b64encode(hashlib.sha256(script).digest()).decode()}"


@lru_cache(maxsize=1)
def plotly_script_name() -> str:
    """Return the name of the shared script: the first 8 digits of its SHA-256 are in it."""
    return f"plotly-{hashlib.sha256(plotly_script()).hexdigest()[:8]}.min.js"


@lru_cache(maxsize=1)
def bundle_hash() -> str:
    """Return the hash by which a page allows plotly.js as an inline script."""
    return script_hash(plotly_script())


@lru_cache(maxsize=1)
def compressed_bundle() -> str:
    """Return plotly.js as gzip in base64; the same bytes every time."""
    return base64.b64encode(gzip.compress(plotly_script(), compresslevel=9, mtime=0)).decode()


def provide_script(folder: Path) -> Path:
    """Write the shared script into a folder unless the very same is there."""
    script = folder / plotly_script_name()
    if not script.is_file() or script.read_bytes() != plotly_script():
        write_whole(script, plotly_script())
    return script


@lru_cache(maxsize=1)
def drawn_traces() -> frozenset[str]:
    """Return the trace types that the script draws; another would be drawn as something else, without an error."""
    return frozenset(re.findall(r'moduleType:"trace",name:"(\w+)"', plotly_script().decode("utf-8")))
