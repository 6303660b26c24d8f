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


@pytest.mark.skipif(find_spec("isoduration") is None, reason="durations aren't installed")
def test_a_duration_is_checked_as_ever() -> None:
    code = (
        f"{SHORT}import nbformat, sys, jsonschema; print('arrow' in sys.modules, end=' ')\n"
        "checked = jsonschema.Draft202012Validator({'format': 'duration'}, format_checker=jsonschema.FormatChecker())\n"
        "print([checked.is_valid(one) for one in ('P3DT4H', 'P3X', '3 days')], 'arrow' in sys.modules, end=' ')\n"
        "from isoduration import DurationParsingException as one, parse_duration; print(one is ValueError)"
    )
    assert run(code) == "False [True, False, False] True False"


def test_what_numpy_has_is_there_for_who_wants_it() -> None:
    code = (
        f"{SHORT}import numpy, scipy.special, sys; print('numpy.testing._private' in sys.modules, end=' ')\n"
        "from numpy.testing import *; print(numpy.testing.assert_equal is assert_equal, numpy.f2py.__all__)"
    )
    assert run(code) == "False True ['run_main', 'get_include']"


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
