"""A workbook's bytes → its parts as a stream of elements, within limits (ECMA-376, part 2: open packaging)."""

import posixpath
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import lru_cache
from io import BytesIO
from xml.parsers.expat import ExpatError, ParserCreate

from labcalc.exports.source.text import ContentError

_MB = 1 << 20
_PARTS = 10_000
_UNPACKED, _TIMES, _UTMOST = 8 * _MB, 40, 1024 * _MB  # at most 8 MB, or 40 times up to 1 GB; results: 7 to 20 times
_AT_ONCE = 1 << 20  # bytes parsed at a time; a long element is looked at again from its start with each of them
Start = Callable[[str, dict[str, str]], None]
Text = Callable[[str], None]


@lru_cache(maxsize=_PARTS)
def local(name: str) -> str:
    """Return the name of an element without its prefix."""
    return name.rpartition(":")[2]


@contextmanager
def refusing() -> Iterator[None]:
    """Turn what a damaged archive or part raises into one line."""
    from zipfile import BadZipFile
    from zlib import error

    try:
        yield
    except ContentError:
        raise
    except (BadZipFile, ExpatError, error, EOFError, LookupError, RuntimeError, ValueError):
        raise ContentError("the workbook can't be opened; expected an .xlsx file that is whole") from None


class Package:
    """The parts of an archive by their paths, in lower case."""

    def __init__(self, data: bytes) -> None:
        from zipfile import ZIP_DEFLATED, ZIP_STORED, ZipFile

        if data.count(b"PK\1\2") > _PARTS:
            raise ContentError(f"the workbook has over {_PARTS:,} parts; expected an .xlsx file of results")
        self._archive = ZipFile(BytesIO(data))
        self._parts = {one.filename.replace("\\", "/").lower(): one for one in self._archive.infolist()}
        xml = [one for path, one in self._parts.items() if path.endswith((".xml", ".rels"))]
        unpacked, packed = (sum(getattr(one, size) for one in xml) for size in ("file_size", "compress_size"))
        if unpacked > min(max(_UNPACKED, _TIMES * packed), _UTMOST):
            raise ContentError(
                f"the workbook unpacks to {unpacked / _MB:,.1f} MB, {unpacked / packed:,.0f} times its size; "
                f"expected at most {_UNPACKED // _MB} MB or {_TIMES} times; a table of that size can come as .csv"
            )
        if any(one.compress_type not in (ZIP_STORED, ZIP_DEFLATED) for one in xml):
            raise ValueError

    def related(self, part: str) -> dict[str, tuple[str, str]]:
        """Return kind and path of every part that a part names, by the name that it uses for it."""
        folder, name = posixpath.split(part)
        found: dict[str, tuple[str, str]] = {}

        def see(tag: str, said: dict[str, str]) -> None:
            if local(tag) == "Relationship":
                path = posixpath.normpath(posixpath.join("/", folder, said["Target"]))
                found[said["Id"]] = said["Type"].rpartition("/")[2], path.lstrip("/").lower()

        self.read(posixpath.join(folder, "_rels", f"{name}.rels"), see)
        return found

    def read(self, part: str, start: Start, end: Text | None = None, text: Text | None = None) -> None:
        """Hand over the elements of a part."""
        for _ in self.stream(part, start, end, text):
            pass

    def stream(self, part: str, start: Start, end: Text | None = None, text: Text | None = None) -> Iterator[None]:
        """Hand over the elements of a part, some at a time; a document type, and so an entity, is refused."""
        parser = ParserCreate()
        parser.buffer_text = True
        parser.StartElementHandler, parser.EndElementHandler, parser.CharacterDataHandler = start, end, text
        parser.StartDoctypeDeclHandler = _refuse_doctype
        with self._archive.open(self._parts[part]) as source:
            while chunk := source.read(_AT_ONCE):
                parser.Parse(chunk, False)
                yield
        parser.Parse(b"", True)
        yield


def _refuse_doctype(*_: object) -> None:
    raise ValueError
