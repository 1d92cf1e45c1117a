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

from inspect import CO_VARARGS, CO_VARKEYWORDS
from types import FunctionType
from typing import Any

__all__ = ["shorten_passes"]

_LEAF, _VARIABLE, _NODE, _SEQUENCE, _MAPPING = range(5)


def shorten_passes() -> None:
    """From now on, for this process; numba must have been imported."""
    from numba.core import base, codegen, ir, postproc
    from numba.core.runtime import context
    from numba.core.typing import context as typing_context
    from numba.core.typing import templates

    if {"list_vars", "_rec_list_vars"} <= set(vars(ir.Inst)) and "list_vars" in vars(ir.Stmt):
        _list_quickly(ir)
    if hasattr(postproc.PostProcessor, "_insert_var_dels") and hasattr(postproc, "VariableLifetime"):
        _live_when_asked(postproc)
    for one in (base.BaseContext, typing_context.BaseContext):
        if hasattr(one, "refresh") and hasattr(one, "load_additional_registries"):
            _refresh_what_is_new(one)
    if hasattr(context.NRTContext, "get_meminfos"):
        _counted_by_type(context.NRTContext)
    if hasattr(base, "_has_loc"):
        _see_arguments(base)
    if hasattr(templates, "_OverloadFunctionTemplate"):
        _link_only(templates._OverloadFunctionTemplate)
    if {"_optimize_functions", "add_ir_module"} <= set(vars(codegen.CPUCodeLibrary)):
        _optimize_defined(codegen.CPUCodeLibrary)
    bound = getattr(getattr(base, "ll", None), "ffi", None)  # llvmlite's
    listeners = getattr(getattr(getattr(bound, "lib", None), "_lock", None), "_cblist", [])
    listeners[:] = [pair for pair in listeners if getattr(pair[0], "__module__", "") != "numba.core.base"]


def _list_quickly(ir: Any) -> None:
    if hasattr(ir.Inst._rec_list_vars, "instead_of"):
        return
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

    of_value.instead_of = ir.Inst._rec_list_vars  # type: ignore[attr-defined]
    ir.Inst._rec_list_vars = of_value
    ir.Stmt.list_vars = lambda self: gather(self.__dict__.values(), [])
    ir.Expr.list_vars = lambda self: gather(self._kws.values(), [])


def _live_when_asked(postproc: Any) -> None:
    run = postproc.PostProcessor.run
    if hasattr(run, "instead_of"):
        return

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

    lean.instead_of = run  # type: ignore[attr-defined]
    postproc.PostProcessor.run = lean


def _refresh_what_is_new(contexts: Any) -> None:
    """A registry only grows, so that one of the same length holds nothing new; they are the same for a context and for
    those that are made of it for one kernel."""
    refresh = contexts.refresh
    if hasattr(refresh, "instead_of"):
        return
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

    shorter.instead_of = refresh  # type: ignore[attr-defined]
    contexts.refresh = shorter


def _counted_by_type(counting: Any) -> None:
    every = counting.get_meminfos
    if hasattr(every, "instead_of"):
        return
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

    get_meminfos.instead_of = every  # type: ignore[attr-defined]
    counting.get_meminfos = get_meminfos


def _see_arguments(base: Any) -> None:
    ask = base._has_loc
    if hasattr(ask, "instead_of"):
        return

    def has_loc(function: Any) -> bool:
        if type(function) is not FunctionType or hasattr(function, "__wrapped__"):
            return bool(ask(function))
        code = function.__code__
        lists = bool(code.co_flags & CO_VARARGS) + bool(code.co_flags & CO_VARKEYWORDS)
        return "loc" in code.co_varnames[: code.co_argcount + code.co_kwonlyargcount + lists]

    has_loc.instead_of = ask  # type: ignore[attr-defined]
    base._has_loc = has_loc


def _link_only(template: Any) -> None:
    choose = getattr(template, "_get_jit_decorator", None)
    if choose is None or hasattr(choose, "instead_of"):
        return

    def for_kernels(self: Any) -> Any:
        from numba import jit

        from busledger.decoder.inner_kernel import LINKED

        jitter = choose(self)
        return (lambda **options: jitter(**{**LINKED, **options})) if jitter is jit else jitter

    for_kernels.instead_of = choose  # type: ignore[attr-defined]
    template._get_jit_decorator = for_kernels


def _optimize_defined(library: Any) -> None:
    every = library._optimize_functions
    if hasattr(every, "instead_of"):
        return

    def once(self: Any, module: Any) -> None:
        module.data_layout = self._codegen._data_layout
        manager, builder = self._codegen._function_pass_manager()
        for function in module.functions:
            if not function.is_declaration:
                manager.run(function, builder)

    once.instead_of = every  # type: ignore[attr-defined]
    library._optimize_functions = once
