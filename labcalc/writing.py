"""Files that appear under their name only when whole."""

import os
from pathlib import Path

PART = ".part"  # the last letters of a file that is still being written


def write_whole(path: Path, content: bytes) -> None:
    """Write a file aside, then give it its name."""
    aside = path.with_name(f".{path.name}.{os.getpid()}{PART}")
    try:
        aside.write_bytes(content)
        aside.replace(path)
    except OSError as failure:  # a disk that is full doesn't say of which file
        raise OSError(failure.errno, failure.strerror, str(path)) from None
    finally:
        aside.unlink(missing_ok=True)
