"""What is left out while kernels are compiled changes nothing about what they do.

Expected values are Python's own, or numpy's, of the same function left uncompiled.
"""

from __future__ import annotations

import os
from typing import Any

import numba
import numpy as np
import pytest
from numba.core import base, callwrapper, codegen, ir, lowering, postproc, targetconfig, types
from numba.core.compiler import Flags, run_frontend
from numba.core.runtime import _nrt_python, rtsys
from numba.core.runtime.context import NRTContext
from numba.core.typing import context, templates

from busledger.decoder.inner_kernel import inner
from busledger.decoder.kernel_passes import shorten_passes
from busledger.decoder.kernel_shortcuts import take_shortcuts

pytestmark = pytest.mark.skipif(os.environ.get("NUMBA_DISABLE_JIT") == "1", reason="nothing is compiled")
take_shortcuts()
shorten_passes()
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
    assert callwrapper.PyCallWrapper.build.instead_of
    assert ir.Inst._rec_list_vars.instead_of
    assert postproc.PostProcessor.run.instead_of
    assert base.BaseContext.refresh.instead_of
    assert context.BaseContext.refresh.instead_of
    assert NRTContext.get_meminfos.instead_of
    assert base._has_loc.instead_of
    assert templates._OverloadFunctionTemplate._get_jit_decorator.instead_of
    assert codegen.CPUCodeLibrary._optimize_functions.instead_of


def _branching(values: Any, pair: Any, most: int) -> Any:
    found, last = [], pair[1]
    for k in range(len(values)):
        while values[k] > most and k < last:
            values[k] -= max(most, 1)
        if values[k] in pair:
            found.append(str(values[k : k + 1]))
    return found if found else (pair, last)


def test_the_variables_of_every_node_are_those_that_numba_finds() -> None:
    made = run_frontend(_branching)
    slow = ir.Inst._rec_list_vars.instead_of
    nodes = [node for block in made.blocks.values() for node in block.body]
    nodes += [node.value for node in nodes if isinstance(node, ir.Assign) and isinstance(node.value, ir.Expr)]
    assert {type(node) for node in nodes} >= {ir.Assign, ir.Branch, ir.Expr, ir.SetItem, ir.Return}

    def before(node: Any) -> list[Any]:
        kept = ir.Stmt.list_vars, ir.Expr.list_vars, ir.Inst._rec_list_vars
        try:
            ir.Inst._rec_list_vars = slow
            ir.Stmt.list_vars = lambda self: slow(self, self.__dict__)
            ir.Expr.list_vars = lambda self: slow(self, self._kws)
            return list(node.list_vars())
        finally:
            ir.Stmt.list_vars, ir.Expr.list_vars, ir.Inst._rec_list_vars = kept

    for node in nodes:
        quick = node.list_vars()
        assert [id(one) for one in quick] == [id(one) for one in before(node)], node


def test_variables_die_where_numba_has_them_die() -> None:
    quick, slow = run_frontend(_branching), run_frontend(_branching)
    postproc.PostProcessor(quick).run(emit_dels=True)
    postproc.PostProcessor.run.instead_of(postproc.PostProcessor(slow), emit_dels=True)
    assert [str(node) for block in quick.blocks.values() for node in block.body] == [
        str(node) for block in slow.blocks.values() for node in block.body
    ]


def test_a_generator_still_knows_what_it_keeps() -> None:
    @njit
    def rising(most: int) -> Any:
        step = 2
        for k in range(most):
            yield k * step

    assert list(rising(4)) == [0, 2, 4, 6]


def test_what_is_said_of_a_function_later_is_heard() -> None:
    """numba's tables are looked at again where they have grown."""

    @njit
    def before(value: Any) -> Any:
        return abs(value)

    assert before(-1) == 1

    def doubled(value: Any) -> Any:
        return 2 * value

    @numba.extending.overload(doubled)
    def _(value: Any) -> Any:
        def twice(value: Any) -> Any:
            return value * 2

        return twice

    @njit
    def after(value: Any) -> Any:
        return doubled(value)

    assert after(21) == 42


def test_memory_is_given_back_as_often_as_it_is_taken() -> None:
    @njit
    def kept(values: Any, many: int) -> Any:
        pair = (values, np.zeros(many, np.int64))
        made = [np.ones(many, np.int64) for _ in range(3)]
        inside = (pair, made[0])
        return inside[0][1], np.maximum(inside[1], pair[0][:many])

    _nrt_python.memsys_enable_stats()
    before = rtsys.get_allocation_stats()
    zeros, most = kept(np.arange(8), 4)
    assert zeros.tolist() == [0, 0, 0, 0]
    assert most.tolist() == [1, 1, 2, 3]
    del zeros, most
    after = rtsys.get_allocation_stats()
    assert after.alloc > before.alloc
    assert after.alloc - before.alloc == after.free - before.free


@pytest.mark.parametrize(
    "function",
    [lambda one, loc=None: one, lambda one: one, lambda *, loc: loc, lambda *loc: loc, lambda **loc: loc, len],
)
def test_whether_a_function_is_told_its_place_is_seen_as_numba_sees_it(function: Any) -> None:
    assert base._has_loc(function) == base._has_loc.instead_of(function)


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


def test_only_the_way_into_a_kernel_of_ours_is_left_as_numba_writes_it() -> None:
    """The kernel itself is not: there LLVM's work pays."""

    def emptied(touched: Any, n: int, part: Any) -> None:
        for k in range(n):
            part[touched[k]] = 0

    emptied.__module__ = "busledger.made_up_kernel"
    ours, theirs = njit(emptied), njit(_sums.py_func)
    part = np.ones(4, np.uint8)
    ours(np.array([2, 0], np.int32), 2, part)
    theirs(np.ones(3, np.int64), 1)
    assert part.tolist() == [0, 1, 0, 1]
    left = {name: next(iter(one.inspect_llvm().values())).count(" optnone ") for name, one in
            (("ours", ours), ("theirs", theirs))}  # fmt: skip
    assert left == {"ours": 1, "theirs": 0}


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
