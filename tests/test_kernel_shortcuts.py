"""What is left out while kernels are compiled changes nothing about what they do.

Expected values are Python's own, or numpy's, of the same function left uncompiled.
"""

from __future__ import annotations

import os
from typing import Any

import numba
import numpy as np
import pytest
from numba.core import lowering, targetconfig, types
from numba.core.compiler import Flags

from busledger.decoder.inner_kernel import inner
from busledger.decoder.kernel_shortcuts import take_shortcuts

pytestmark = pytest.mark.skipif(os.environ.get("NUMBA_DISABLE_JIT") == "1", reason="nothing is compiled")
take_shortcuts()
njit: Any = numba.njit


@inner(_nrt=False)
def _shared(values: Any, k: int, by: int) -> Any:
    return values[k] // by


@inner(_nrt=False)
def _through(values: Any, k: int, by: int) -> Any:
    return _shared(values, k, by) + 1


@njit(nogil=True)
def _sums(values: Any, by: int) -> Any:
    total = 0
    for k in range(values.shape[0]):
        total += _through(values, k, by) - _shared(values, k, by)
        values[k] = values[k] ^ values[0]
    return total


@njit
def _mixed(one: Any, two: Any) -> Any:
    return one + two, one * two, one < two, one == two


def test_numbas_insides_are_those_that_the_shortcuts_know() -> None:
    assert types.functions.BaseFunction.get_call_type.instead_of
    assert targetconfig.TargetConfig.__eq__.instead_of
    assert lowering.BaseLower.create_cfunc_wrapper.instead_of


def test_a_function_of_kernels_alone_is_linked_into_them() -> None:
    values = np.arange(5, dtype=np.int64)
    assert _sums(values, 2) == 5
    assert values.tolist() == [0, 1, 2, 3, 4]  # values[0] is 0


def test_an_error_inside_it_comes_out_of_the_kernel() -> None:
    with pytest.raises(ZeroDivisionError):
        _sums(np.ones(3, np.int64), 0)


def test_it_makes_no_machine_code_of_its_own() -> None:
    _sums(np.ones(3, np.int64), 1)
    libraries = [made.library for made in _shared.overloads.values()]
    assert libraries
    assert all(library.get_pointer_to_function(library.name) == 0 for library in libraries)


KINDS = (np.uint8, np.int64, np.uint64, np.float64)


@pytest.mark.parametrize(("one", "two"), [(np.uint8, np.int64), (np.int64, np.uint64), (np.uint32, np.float64)])
def test_operators_give_what_numba_gives_without_the_shortcut(
    one: Any, two: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    quick = _mixed(one(3), two(5))
    functions = types.functions.BaseFunction
    monkeypatch.setattr(functions, "get_call_type", functions.get_call_type.instead_of)
    slow = njit(_mixed.py_func)(one(3), two(5))
    assert quick == slow
    assert [type(v) for v in quick] == [type(v) for v in slow]


def test_elements_of_arrays_keep_their_own_kinds() -> None:
    def first(values: Any) -> Any:
        values[1] = values[0] + values[0]
        return values[0], values[1]

    compiled = njit(first)
    for kind in KINDS:
        assert compiled(np.array([2, 0], kind)) == (2, 4)
    assert compiled(np.array([True, False])) == (True, True)


@pytest.mark.parametrize("one", [{}, {"nrt": True}, {"nrt": False}, {"nrt": True, "release_gil": True}])
@pytest.mark.parametrize("two", [{}, {"nrt": True}, {"nrt": False}, {"boundscheck": True}])
def test_options_are_the_same_when_all_of_them_are(one: dict[str, bool], two: dict[str, bool]) -> None:
    mine, yours = Flags(), Flags()
    for flags, given in ((mine, one), (yours, two)):
        for name, value in given.items():
            setattr(flags, name, value)
    assert (mine == yours) == (mine.values() == yours.values())
    assert hash(mine) == hash(yours) or mine != yours
