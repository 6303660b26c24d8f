"""The page round a body: head, contents, styles, scripts; and what makes any body sound HTML for everyone.

The drawing script is the plotly.js of the installed plotly package, once beside the reports or inside each.
"""

import base64
import gzip
import hashlib
import json
import re
import unicodedata
from dataclasses import dataclass
from enum import Enum
from functools import lru_cache
from html import unescape
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from labcalc import __version__
from labcalc.errors import WorkbookError
from labcalc.wording import STEERING
from labcalc.writing import write_whole

TEMPLATES = Path(str(files("labcalc.workbooks") / "templates"))
_HEADING = re.compile(r"<h([1-6])([^>]*)>(.*?)</h\1>", re.S)
_TABLE = re.compile(r"<table\b.*?</table>", re.S)
_TAG = re.compile(r"<[^>]+>")
_SCRIPT = re.compile(r"(<script\b.*?</script>)", re.S)
_NEEDLESS = re.compile(r"</t[dhr]>(?=<t[dhr]\b|</t)")  # ends of cells and rows that HTML takes as read
_CLASSES = re.compile(r'(?:\bclass=|"css":)"([^"]*)"')  # of elements, and of those that the index makes later
_CLASS, _RULE = re.compile(r"\.([a-z][\w-]*)"), re.compile(r"([^{}@;]+)\{[^{}]*\}")
_EMPTY_HEAD, _UNSCOPED = re.compile(r"<th(?:\s[^>]*)?>\s*</th>"), re.compile(r"<th(?![^>]*\bscope=)(?=[\s>])")
_SCOPED_STYLE = re.compile(r"<style scoped>.*?</style>\s*", re.S)
_BETWEEN_WORDS = re.compile(r"[^a-z0-9]+")
_LINE_OF_PRINT = 90
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:°C|°F|mm²/s|mPa·s|kg/m³|%|h\b|K\b))")


class Scripts(Enum):
    """Where a report has its drawing script."""

    BESIDE = "beside"
    INSIDE = "inside"


@dataclass(frozen=True)
class Heading:
    """A line of the table of contents."""

    level: int
    text: str
    anchor: str


@lru_cache(maxsize=1)
def _environment() -> Any:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    return Environment(loader=FileSystemLoader(TEMPLATES), autoescape=True, undefined=StrictUndefined)


@lru_cache(maxsize=3)
def _text(name: str) -> str:
    return (TEMPLATES / name).read_text("utf-8")


def build_page(template: str, *, title: str, **words: Any) -> str:
    """Return a whole page from ``report.html.j2`` or ``index.html.j2``; nothing turns its text round."""
    words |= {"policy": words.get("policy", _policy()), "running": css_text(words.get("running", ""))}
    page: str = _environment().get_template(template).render(title=title, version=__version__, **words)
    return STEERING.sub("\ufffd", page.replace("<style>", f"<style>{_style(page)}", 1).replace("\r\n", "\n"))


def _style(page: str) -> str:
    """Return the styles of a page: the rules whose classes it has, less the space that lets people read them."""
    there = {name for found in set(_CLASSES.findall(page)) for name in found.split()} | {"js-plotly-plot", "plotly"}
    return "".join(text for text, needs in _rules() if not needs or any(there.issuperset(one) for one in needs))


@lru_cache(maxsize=1)
def _rules() -> tuple[tuple[str, tuple[frozenset[str], ...]], ...]:
    """Return the pieces of the styles, each rule with the classes that its selectors need; none of what is no rule."""
    plain = re.sub(r"\s*([{};,])\s*", r"\1", re.sub(r"/\*.*?\*/", "", _text("page.css")))
    pieces, at = [], 0
    for rule in _RULE.finditer(plain):
        needs = tuple(frozenset(_CLASS.findall(one)) for one in rule[1].split(","))
        pieces += [(plain[at : rule.start()], ()), (rule[0], needs)]
        at = rule.end()
    return (*pieces, (plain[at:], ()))


def css_text(text: str) -> str:
    r"""Return a text for the inside of a CSS string, cut in its middle where it is longer than a line of print.

    >>> css_text('BL-26 "</style>')
    'BL-26 \22 \3c \2f style\3e '
    """
    half = _LINE_OF_PRINT // 2
    cut = text if len(text) <= _LINE_OF_PRINT else f"{text[: half - 1]}…{text[-half:]}"
    return re.sub(r"[^A-Za-z0-9 .,:-]", lambda found: f"\\{ord(found[0]):x} ", cut)


def own_script(name: str) -> tuple[str, str]:
    """Return a script of ``templates/`` and the policy of a page that runs it and nothing else."""
    text = _text(name)
    return text, _policy(script_hash(text.encode()))


def inert_json(value: object) -> str:
    """Write JSON that can't end the element it stands in; the same bytes for the same value."""
    text = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def lay_out(body: str, *, title: str, workbook: str, figures: int, scripts: Scripts, number: str = "") -> str:
    """Return the page of a report round the HTML of its notebook, whose file name is ``workbook``.

    ``title`` is its only heading of the first level; ``number``, of the report, stands in the head of printed pages.
    """
    sound, contents = _number_headings(_NEEDLESS.sub("", _sound_tables(keep_units(body))))
    inside, beside = scripts is Scripts.INSIDE and figures > 0, scripts is Scripts.BESIDE and figures > 0
    word = hashlib.sha256(f"{title}\0{sound}".encode()).hexdigest()[:32] if beside else ""
    draw, running = _text("draw.js"), " · ".join(filter(None, (title, number)))
    also = [script_hash(plotly_script())] if inside else [f"nonce-{word}"] if beside else []
    policy = _policy(script_hash(draw.encode()), *also)
    words = {"running": running, "workbook": workbook, "body": sound, "contents": contents, "figures": figures}
    drawing = {"script_name": plotly_script_name(), "bundle": compressed_bundle() if inside else "", "draw": draw}
    return build_page("report.html.j2", title=title, nonce=word, policy=policy, **words, **drawing)


def keep_units(html: str) -> str:
    """Keep each number and its unit on one line; data for scripts stay as they are.

    >>> keep_units("<p>46 mm²/s at 40 °C</p>") == "<p>46\u00a0mm²/s at 40\u00a0°C</p>"
    True
    """
    parts = _SCRIPT.split(html)
    parts[::2] = [_BEFORE_UNIT.sub("\u00a0", part) for part in parts[::2]]
    return "".join(parts)


def _policy(*allowed: str) -> str:
    """Write the Content Security Policy: nothing comes from elsewhere, only scripts that we wrote run.

    From a file, browsers take no digest for a script that lies beside. Its element carries a word instead that follows
    from all of the page's content, so that nothing in the content can carry it.
    """
    scripts = " ".join(f"'{one}'" for one in allowed) or "'none'"
    own = f"script-src {scripts}; style-src 'unsafe-inline'; img-src data: blob:"
    return f"default-src 'none'; {own}; base-uri 'none'; form-action 'none'"


def _number_headings(body: str) -> tuple[str, list[Heading]]:
    """Give each heading an id of its own; the first heading of level 1 goes, since the title says it."""
    taken, contents, top_seen = {"content", "contents-title"}, list[Heading](), False

    def replace(found: re.Match[str]) -> str:
        nonlocal top_seen
        level, inner = int(found[1]), found[3]
        if level == 1 and not top_seen:
            top_seen = True
            return ""
        text, level = unescape(_TAG.sub("", inner)).strip(), max(level, 2)
        anchor = _anchor(text, taken)
        if level <= 3:
            contents.append(Heading(level, text, anchor))
        return f'<h{level} id="{anchor}">{inner}</h{level}>'

    return _HEADING.sub(replace, body), contents


def _anchor(text: str, taken: set[str]) -> str:
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
    stem = _BETWEEN_WORDS.sub("-", plain).strip("-") or "section"
    if stem.startswith(("figure-", "plotly-")):
        stem = f"section-{stem}"
    anchor, count = stem, 1
    while anchor in taken:
        count += 1
        anchor = f"{stem}-{count}"
    taken.add(anchor)
    return anchor


def _sound_tables(body: str) -> str:
    """Let wide tables scroll by themselves, and say of every header cell what it heads."""
    body = _SCOPED_STYLE.sub("", body).replace('<table border="1" ', "<table ")  # what pandas adds to a frame
    return _TABLE.sub(lambda table: f'<div class="wide">{_with_scopes(table[0])}</div>', body)


def _with_scopes(table: str) -> str:
    head, mark, rest = table.partition("</thead>")
    return (_scoped(head, "col") + mark + _scoped(rest, "row")) if mark else _scoped(table, "row")


def _scoped(part: str, scope: str) -> str:
    return _UNSCOPED.sub(f'<th scope="{scope}"', _EMPTY_HEAD.sub("<td></td>", part))


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
