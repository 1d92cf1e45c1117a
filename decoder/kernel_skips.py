"""Rounds of numba's over a function in which there is nothing for it to do, left out while kernels are compiled.

* Closures, comprehensions and lists that become arrays are looked for, and whole-array expressions. For both numba
  first works out where each variable's life ends, and writes that into the function, only to take it out again. Here a
  kernel without any of them is left as it is.
* Where a variable's life ends numba loads it, to count one user less of its memory, and overwrites it. In a function
  that counts no memory (``_nrt=False``) that says nothing, and LLVM takes it out again; here it is not written.

None of them changes what a kernel does. Where numba's insides are not as they are known here, nothing is changed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from typing import Any

from busledger.decoder.kernel_instead import put_instead

__all__ = ["skip_rounds"]

_OURS = "busledger."
_LISTS = frozenset({"build_list", "make_function"})
_WHOLE = frozenset({"unary", "binop", "inplace_binop", "call", "arrayexpr"})


def skip_rounds() -> None:
    """From now on, for this process; numba must have been imported."""
    from numba.core import ir, lowering, typed_passes, types, untyped_passes

    closures = getattr(untyped_passes, "InlineClosureLikes", None)
    rewrites = getattr(typed_passes, "NopythonRewrites", None)
    lower = getattr(lowering, "Lower", None)
    put_instead(closures, "run_pass", partial(_looking_for_closures, ir))
    put_instead(rewrites, "run_pass", partial(_without_whole_arrays, ir, types))
    if hasattr(lower, "_alloca_var") and hasattr(lower, "typeof"):
        put_instead(lower, "delvar", _without_ends)


def _expressions(made: Any, ir: Any) -> Iterator[tuple[str, Any]]:
    """(name of what it is given to, expression) of each; a statement that ends a variable's life as ("", None)."""
    for block in made.blocks.values():
        for one in block.body:
            if isinstance(one, ir.Assign):
                if isinstance(one.value, ir.Expr):
                    yield one.target.name, one.value
            elif isinstance(one, ir.Del):
                yield "", None


def _ours(made: Any) -> bool:
    return str(made.func_id.modname).startswith(_OURS)


def _looking_for_closures(ir: Any, run_pass: Any) -> Callable[..., Any]:
    def lean(self: Any, state: Any) -> bool:
        # The round lies in a module that brings all that numba knows of arrays, lists and strings, a tenth of the start
        # of a run whose kernels are kept: not before one is compiled.
        from numba.core import inline_closurecall

        closures = getattr(inline_closurecall, "InlineClosureCallPass", None)
        put_instead(closures, "run", partial(_without_closures, ir))
        return bool(run_pass(self, state))

    return lean


def _without_closures(ir: Any, run: Any) -> Callable[..., Any]:
    def lean(self: Any) -> None:
        made = self.func_ir
        if not _ours(made) or any(one is None or one.op in _LISTS for _, one in _expressions(made, ir)):
            run(self)

    return lean


def _without_whole_arrays(ir: Any, types: Any, run_pass: Any) -> Callable[..., Any]:
    def lean(self: Any, state: Any) -> bool:
        made, kinds = state.func_ir, state.typemap

        def may_be_rewritten(name: str, one: Any) -> bool:
            if one is None or one.op in _LISTS:
                return True
            if one.op not in _WHOLE or not isinstance(kinds.get(name), types.Array):
                return False
            return one.op != "call" or isinstance(kinds.get(one.func.name), types.Function)

        if not _ours(made) or any(may_be_rewritten(name, one) for name, one in _expressions(made, ir)):
            return bool(run_pass(self, state))
        return True

    return lean


def _without_ends(every: Any) -> Callable[..., Any]:
    def delvar(self: Any, name: str) -> None:
        if self.context.enable_nrt or not _ours(self.func_ir):
            every(self, name)
            return
        if name not in self._blk_local_varmap and not self._disable_sroa_like_opt:
            self._singly_assigned_vars.discard(name)
        self._alloca_var(name, self.typeof(name))

    return delvar
