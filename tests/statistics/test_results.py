"""What functions return can't be changed afterwards; what holds arrays alone is told apart by identity."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
from dataclasses import FrozenInstanceError, is_dataclass

import numpy as np
import pytest

from labcalc import statistics
from labcalc.statistics import (
    Beyond,
    ewma_chart,
    rules_run_length,
    run_rule_signals,
    shares_over_time,
    simulated_run_length,
    sustained_shift,
)
from labcalc.statistics.charts.control_limits import STANDARD_LIMITS
from labcalc.statistics.charts.run_length import RuleChain
from labcalc.statistics.charts.run_rules import NELSON

MODULES = [
    importlib.import_module(info.name) for info in pkgutil.walk_packages(statistics.__path__, "labcalc.statistics.")
]
RECORDS = {
    thing for module in MODULES for _, thing in inspect.getmembers(module, inspect.isclass) if is_dataclass(thing)
}


@pytest.mark.parametrize("record", sorted(RECORDS, key=str), ids=lambda one: one.__name__)
def test_a_result_can_t_be_changed(record: type) -> None:
    with pytest.raises(FrozenInstanceError):
        object.__new__(record).anything = 1


@pytest.mark.parametrize(
    "made",
    [
        lambda: ewma_chart([1.0, 2.0], STANDARD_LIMITS),
        lambda: run_rule_signals([1.0, 2.0], NELSON),
        lambda: rules_run_length((Beyond(1, 1, 2.0),)),
        lambda: RuleChain(np.zeros(2), np.zeros((2, 3), dtype=np.intp)),
        lambda: simulated_run_length((Beyond(1, 1, 2.0),), charts=3),
        lambda: sustained_shift([1.0, 2.0], 1.0, 20.0, 19.0),
        lambda: shares_over_time(np.ones((3, 1)), np.ones(3), np.ones((3, 1))),
    ],
)
def test_arrays_are_told_apart_by_identity(made: object) -> None:
    one, other = made(), made()  # type: ignore[operator]
    assert len({one, other, one}) == 2
