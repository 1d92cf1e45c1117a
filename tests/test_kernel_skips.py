"""Rounds of the compiler that are left out change nothing about what a kernel does.

Expected values are Python's own, or numpy's, of the same function left uncompiled.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from types import ModuleType
from typing import Any

import numba
import numpy as np
import pytest
from numba.core import inline_closurecall, lowering, typed_passes, untyped_passes

from busledger.decoder.kernel_skips import skip_rounds

pytestmark = pytest.mark.skipif(os.environ.get("NUMBA_DISABLE_JIT") == "1", reason="nothing is compiled")
skip_rounds()
SOURCES = {
    "loops": """
def kernel(values, most):
    total, last, kept = 0, -1, values[0]
    for k in range(values.shape[0]):
        if values[k] > most:
            late = values[k] - most
            kept = late
        elif k % 3 == 0:
            continue
        total += kept
        last = k
        if total > 10 * most:
            break
    return total, last, kept
""",
    "whole arrays": """
def kernel(values, most):
    some = values[1:] * 2 - values[:-1]
    return some.sum() + (np.sqrt(values * 1.0) + 0.5).max(), int(some[0]), most
""",
    "lists and closures": """
def kernel(values, most):
    def above(value):
        return value - most
    rest = [above(value) for value in values if value > most]
    both = np.array([most, 2 * most])
    return sum(rest), len(rest), int(both.sum())
""",
    "set again": """
def kernel(values, most):
    before = 0
    for k in range(values.shape[0]):
        if k > 0:
            most += before
        before = values[k]
    return most, before, 0
""",
}


@pytest.fixture(params=list(SOURCES))
def kernel(request: pytest.FixtureRequest) -> Iterator[Callable[..., Any]]:
    """A function of a module of ours: others are left to numba."""
    module = ModuleType("busledger.made_for_this_test_kernel")
    vars(module)["np"] = np
    sys.modules[module.__name__] = module
    exec(SOURCES[request.param], vars(module))
    yield vars(module)["kernel"]
    del sys.modules[module.__name__]


def test_numbas_insides_are_those_that_are_known_here() -> None:
    assert untyped_passes.InlineClosureLikes.run_pass.instead_of
    numba.njit(lambda: 0)()  # once anything is compiled
    assert inline_closurecall.InlineClosureCallPass.run.instead_of
    assert typed_passes.NopythonRewrites.run_pass.instead_of
    assert lowering.Lower.delvar.instead_of


@pytest.mark.parametrize("values", [[1, 9, 2, 8, 3, 7], [5], [0, 0, 0, 12, 1]])
def test_a_kernel_gives_what_python_gives(kernel: Callable[..., Any], values: list[int]) -> None:
    column = np.array(values * 2)
    assert numba.njit(kernel)(column, 4) == pytest.approx(kernel(column, 4))


@pytest.mark.parametrize("kernel", ["loops", "set again"], indirect=True)
def test_so_does_one_that_counts_no_memory(kernel: Callable[..., Any]) -> None:
    column = np.array([3, 14, 1, 5, 9, 2, 6])
    assert numba.njit(_nrt=False)(kernel)(column, 4) == kernel(column, 4)
