"""Less work between a kernel's bytecode and its machine code: what numba asks or makes again and again.

* Its representation of a function is searched for variables at every pass; here each kind of node is looked at once.
* After every pass it works out which variables live where, though only generators, and passes that ask, read that;
  here it is worked out for those that do.
* Tables of all that numba can compile are gone through for anything new at every second call; here their lengths are
  looked at first.
* Which values hold memory that is counted, it finds by taking each value apart; here its type is asked.
* What numba says of ``max`` or ``np.zeros`` is compiled as if Python could call it; only kernels do (``inner_kernel``).
* LLVM's round over functions makes all that it needs anew for each of them, and for those that are only named.
* Each call of LLVM is told to listeners that there are none of.

None of them changes what a kernel does. Where numba's insides are not as they are known here, nothing is changed.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from inspect import CO_VARARGS, CO_VARKEYWORDS
from types import FunctionType
from typing import Any

from busledger.decoder.kernel_instead import put_instead

__all__ = ["shorten_passes"]

_LEAF, _VARIABLE, _NODE, _SEQUENCE, _MAPPING = range(5)


def shorten_passes() -> None:
    """From now on, for this process; numba must have been imported."""
    from numba.core import base, codegen, ir, postproc
    from numba.core.runtime import context
    from numba.core.typing import context as typing_context
    from numba.core.typing import templates

    if {"list_vars", "_rec_list_vars"} <= set(vars(ir.Inst)) and "list_vars" in vars(ir.Stmt):
        put_instead(ir.Inst, "_rec_list_vars", partial(_listed_quickly, ir))
    if hasattr(postproc.PostProcessor, "_insert_var_dels") and hasattr(postproc, "VariableLifetime"):
        put_instead(postproc.PostProcessor, "run", partial(_living_when_asked, postproc))
    for one in (base.BaseContext, typing_context.BaseContext):
        if hasattr(one, "load_additional_registries"):
            put_instead(one, "refresh", _refreshing_what_is_new)
    put_instead(context.NRTContext, "get_meminfos", _counted_by_type)
    put_instead(base, "_has_loc", _seeing_arguments)
    put_instead(getattr(templates, "_OverloadFunctionTemplate", None), "_get_jit_decorator", _linking_only)
    if {"_optimize_functions", "add_ir_module"} <= set(vars(codegen.CPUCodeLibrary)):
        put_instead(codegen.CPUCodeLibrary, "_optimize_functions", lambda every: _optimize_defined)
    bound = getattr(getattr(base, "ll", None), "ffi", None)  # llvmlite's
    listeners = getattr(getattr(getattr(bound, "lib", None), "_lock", None), "_cblist", [])
    listeners[:] = [pair for pair in listeners if getattr(pair[0], "__module__", "") != "numba.core.base"]


def _listed_quickly(ir: Any, every: Any) -> Callable[..., Any]:
    kinds: dict[type, int] = {}

    def kind_of(value: Any) -> int:
        if isinstance(value, ir.Var):
            return _VARIABLE
        if isinstance(value, ir.Inst):
            return _NODE
        return _SEQUENCE if isinstance(value, list | tuple) else _MAPPING if isinstance(value, dict) else _LEAF

    def gather(values: Any, found: list[Any]) -> list[Any]:
        for value in values:
            type_ = type(value)
            kind = kinds.get(type_)
            if kind is None:
                kind = kinds[type_] = kind_of(value)
            if kind == _LEAF:
                continue
            if kind == _VARIABLE:
                found.append(value)
            elif kind == _NODE:
                found += value.list_vars()
            else:
                gather(value if kind == _SEQUENCE else value.values(), found)
        return found

    def of_value(self: Any, value: Any) -> list[Any]:
        return gather((value,), [])

    ir.Stmt.list_vars = lambda self: gather(self.__dict__.values(), [])
    ir.Expr.list_vars = lambda self: gather(self._kws.values(), [])
    return of_value


def _living_when_asked(postproc: Any, run: Any) -> Callable[..., Any]:
    def lean(self: Any, emit_dels: bool = False, extend_lifetimes: bool = False) -> None:
        made = self.func_ir
        if made.is_generator or not str(made.func_id.modname).startswith(("busledger.", "numba.")):
            run(self, emit_dels, extend_lifetimes)
            return
        made.blocks = postproc.transforms.canonicalize_cfg(made.blocks)
        made.variable_lifetime = postproc.VariableLifetime(made.blocks)
        made.generator_info = None
        if emit_dels:
            self._insert_var_dels(extend_lifetimes=extend_lifetimes)

    return lean


def _refreshing_what_is_new(refresh: Any) -> Callable[..., Any]:
    """A registry only grows, so that one of the same length holds nothing new; they are the same for a context and for
    those that are made of it for one kernel."""
    seen: dict[int, tuple[Any, int]] = {}

    def length(registries: Any) -> int:
        return sum(
            len(listed) for registry in registries for listed in vars(registry).values() if isinstance(listed, list)
        )

    def shorter(self: Any) -> None:
        registries = getattr(self, "_registries", None)
        if registries is None:
            refresh(self)
            return
        key = id(registries)
        typing = getattr(self, "typing_context", None)
        if key in seen and seen[key][1] == length(registries):
            if typing is not None:
                typing.refresh()
            return
        refresh(self)
        seen[key] = registries, length(registries)

    return shorter


def _counted_by_type(every: Any) -> Callable[..., Any]:
    counts: dict[Any, bool] = {}

    def holds(manager: Any, kind: Any) -> bool:
        if kind not in counts:
            counts[kind] = manager[kind].contains_nrt_meminfo()
        return counts[kind]

    def get_meminfos(self: Any, builder: Any, kind: Any, value: Any) -> list[Any]:
        manager = self._context.data_model_manager
        if not holds(manager, kind):
            return []
        model = manager[kind]
        found = [(kind, model.get_nrt_meminfo(builder, value))] if model.has_nrt_meminfo() else []
        for member, getter in model.traverse(builder):
            if holds(manager, member):
                found += get_meminfos(self, builder, member, getter(value))
        return found

    return get_meminfos


def _seeing_arguments(ask: Any) -> Callable[..., Any]:
    def has_loc(function: Any) -> bool:
        if type(function) is not FunctionType or hasattr(function, "__wrapped__"):
            return bool(ask(function))
        code = function.__code__
        lists = bool(code.co_flags & CO_VARARGS) + bool(code.co_flags & CO_VARKEYWORDS)
        return "loc" in code.co_varnames[: code.co_argcount + code.co_kwonlyargcount + lists]

    return has_loc


def _linking_only(choose: Any) -> Callable[..., Any]:
    def for_kernels(self: Any) -> Any:
        from numba import jit

        from busledger.decoder.inner_kernel import LINKED

        jitter = choose(self)
        return (lambda **options: jitter(**{**LINKED, **options})) if jitter is jit else jitter

    return for_kernels


def _optimize_defined(library: Any, module: Any) -> None:
    module.data_layout = library._codegen._data_layout
    manager, builder = library._codegen._function_pass_manager()
    for function in module.functions:
        if not function.is_declaration:
            manager.run(function, builder)
