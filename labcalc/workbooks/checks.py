"""What is looked at before a page gets its name: figures there, nothing from elsewhere, no path of this machine."""

import re
import tempfile
from collections.abc import Iterable, Iterator
from html import unescape
from pathlib import Path

from labcalc.errors import WorkbookError
from labcalc.workbooks.outputs import Shown
from labcalc.workbooks.scripts import drawn_traces

_TAG = re.compile(r"""<([a-z][^\s/>]*)((?:"[^"]*"|'[^']*'|[^"'>]+)*+)>""", re.I)
_ATTRIBUTE = re.compile(r"""([^\s=/"'>]+)\s*=\s*("[^"]*"|'[^']*'|[^\s"'>]+)""")
_FETCHING = {"src", "href", "xlink:href", "srcset", "data", "poster", "action", "formaction", "background"}
_ADDRESS = re.compile(r"\s*(?:[a-z][a-z0-9+.-]*:)?//\S+", re.I)
_IN_STYLE = re.compile(r"""@import\b[^;]{0,200}|url\(\s*["']?\s*(?:[a-z][a-z0-9+.-]*:)?//[^)]+""", re.I)
_SCRIPTS = re.compile(r"(<script\b[^>]*>).*?(</script>)", re.I | re.S)
_STYLE = re.compile(r"<style\b[^>]*>(.*?)</style>", re.I | re.S)
_PRINTED = re.compile(r"<pre\b[^>]*>(.*?)</pre>", re.I | re.S)


def check_page(page: str, shown: Shown, *, name: str, paths: Iterable[str]) -> None:
    """Refuse a page in which something is missing or too much.

    Looked at is markup, and what cells print: a remark in an export may read like an address or a path.

    page : The page, without the drawing script.
    shown : What the notebook put out: how many figures, and the types of their traces.
    name : File name of the notebook, for messages.
    paths : Folders that must not be named.
    Raises WorkbookError : The first thing that is wrong.
    """
    there = page.count('<div class="drawing"')
    if there != shown.figures:
        raise WorkbookError(f"{name}: the notebook made {shown.figures} figures, the page has {there}")
    if (odd := shown.traces - {"bar", "scatter"}) and (unknown := sorted(odd - drawn_traces())):
        raise WorkbookError(f"{name}: the drawing script doesn't know figures of type {', '.join(unknown)}")
    attributes = list(_attributes(page))
    if elsewhere := next(_from_elsewhere(page, attributes), ""):
        raise WorkbookError(f"{name}: the page would fetch something from elsewhere: {elsewhere[:120]}")
    text = "\n".join((*(value for _, _, value in attributes), *map(unescape, _PRINTED.findall(page))))
    named = "|".join(map(re.escape, paths))
    if named and (found := re.search(rf"(?<![\w+/=.-])(?:{named})(?![\w+=.-])", text)):
        around = text[found.start() : found.end() + 60].split("\n")[0]
        raise WorkbookError(f"{name}: the page names a folder of this machine: {around}")


def _attributes(page: str) -> Iterator[tuple[str, str, str]]:
    """Yield tag, name and value of every attribute; what stands inside scripts is no markup."""
    for tag, inside in _TAG.findall(_SCRIPTS.sub(r"\1\2", page)):
        for attribute, value in _ATTRIBUTE.findall(inside):
            yield tag.lower(), attribute.lower(), unescape(value.strip(value[0]) if value[0] in "'\"" else value)


def _from_elsewhere(page: str, attributes: Iterable[tuple[str, str, str]]) -> Iterator[str]:
    styles = _STYLE.findall(page)
    for tag, attribute, value in attributes:
        if attribute == "style":
            styles.append(value)
        elif attribute in _FETCHING and tag != "a" and _ADDRESS.match(value):
            yield f"<{tag} {attribute}={value}"
    yield from (found[0] for style in styles for found in _IN_STYLE.finditer(style))


def machine_paths(*others: Path | str) -> tuple[str, ...]:
    """Return the folders that no report may name: home, working folder, temporary folder, and others."""
    folders = [Path.home(), Path.cwd(), Path(tempfile.gettempdir()), *map(Path, others)]
    return tuple(sorted({str(folder) for folder in folders if folder != Path(folder.anchor)}))
