"""The page round a body: head, contents, styles, scripts; and what makes any body sound HTML for everyone."""

import hashlib
import json
import re
import unicodedata
from dataclasses import dataclass
from functools import lru_cache
from html import unescape
from importlib.resources import files
from pathlib import Path
from typing import Any

from labcalc import __version__
from labcalc.wording import STEERING
from labcalc.workbooks.scripts import Scripts, bundle_hash, compressed_bundle, plotly_script_name, script_hash

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
    words |= {"policy": words.get("policy", _policy()), "running": _css_text(words.get("running", ""))}
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


def _css_text(text: str) -> str:
    r"""Return a text for the inside of a CSS string, cut in its middle where it is longer than a line of print.

    >>> _css_text('BL-26 "</style>')
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
    draw = _text("draw.js")
    allowed = [script_hash(draw.encode()), *([bundle_hash()] if inside else []), *([f"nonce-{word}"] if beside else [])]
    return build_page(
        "report.html.j2",
        title=title,
        running=" · ".join(filter(None, (title, number))),
        workbook=workbook,
        body=sound,
        contents=contents,
        figures=figures,
        bundle=compressed_bundle() if inside else "",
        script_name=plotly_script_name(),
        nonce=word,
        draw=draw,
        policy=_policy(*allowed),
    )


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
    return (
        f"default-src 'none'; script-src {scripts}; style-src 'unsafe-inline'; img-src data: blob:; "
        "base-uri 'none'; form-action 'none'"
    )


def _number_headings(body: str) -> tuple[str, list[Heading]]:
    """Give each heading an id of its own; the first heading of level 1 goes, since the title says it."""
    taken = {"content", "contents-title"}
    contents: list[Heading] = []
    top_seen = False

    def replace(found: re.Match[str]) -> str:
        nonlocal top_seen
        level, inner = int(found[1]), found[3]
        if level == 1 and not top_seen:
            top_seen = True
            return ""
        text = unescape(_TAG.sub("", inner)).strip()
        anchor = _anchor(text, taken)
        level = max(level, 2)
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
