"""nbformat is imported without the slow grammar, and whoever wants the grammar gets it."""

from __future__ import annotations

import subprocess
import sys
from importlib.util import find_spec

import pytest

SHORT = "from labcalc.workbooks.lean import keep_imports_short; keep_imports_short()\n"


def run(code: str) -> str:
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


def test_the_grammar_is_not_compiled() -> None:
    code = SHORT + "import nbformat, sys; print('lark' in sys.modules)"
    assert run(code) == "False"


@pytest.mark.skipif(find_spec("rfc3987_syntax") is None, reason="the grammar isn't installed")
def test_the_grammar_is_there_for_who_wants_it() -> None:
    code = (
        f"{SHORT}import nbformat; from rfc3987_syntax import is_valid_syntax, parse\n"
        "print(is_valid_syntax('iri', 'https://example.org/ö'), is_valid_syntax('iri', 'no iri'), callable(parse))"
    )
    assert run(code) == "True False True"


def test_selectors_are_compiled_for_who_wants_them() -> None:
    code = (
        f"{SHORT}import nbconvert.exporters, sys; print('soupsieve.css_parser' in sys.modules)\n"
        "from bs4 import BeautifulSoup; print(BeautifulSoup('<p class=a>x</p>', 'html.parser').select_one('p.a').text)"
    )
    assert run(code) == "False\nx"


def test_the_compiler_is_loaded_for_who_wants_it() -> None:
    code = (
        f"{SHORT}import scipy.special, sys; print('numpy.f2py.crackfortran' in sys.modules)\n"
        "import numpy; print(callable(numpy.f2py.get_include)); from numpy import f2py; print(callable(f2py.run_main))"
    )
    assert run(code) == "False\nTrue\nTrue"


@pytest.mark.parametrize("searched", [True, False])
def test_garbage_is_looked_for_again_after_a_quick_start(searched: bool) -> None:
    code = f"""
import gc
from labcalc.workbooks.lean import quick_start
gc.enable() if {searched} else gc.disable()
try:
    with quick_start():
        inside = gc.isenabled()
        raise OSError
except OSError:
    print(inside, gc.isenabled())
"""
    assert run(code) == f"False {searched}"


def test_importing_the_room_stays_light() -> None:
    heavy = ["numpy", "papermill", "nbconvert", "nbformat", "IPython", "pandas", "plotly", "jinja2", "distributed"]
    code = f"import sys, labcalc.workbooks; print([name for name in {heavy} if name in sys.modules])"
    assert run(code) == "[]"
