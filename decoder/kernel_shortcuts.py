"""Less work for numba while kernels are compiled.

* What an operator makes of numbers or of an array's elements (``uint64 + int64``, ``array[i]``): numba tries every
  implementation that it has for the operator, those of strings, sets and dates too, at each place in the code. Here the
  answer is remembered.
* Whether two sets of compiler options are the same: numba spells out all of them, about thirty, for each comparison.
  Here only those that were set are compared.
* A way into each kernel from C, beside the one from Python: nobody calls ours from C, so it is left out.
* The way in from Python takes each argument apart, once a call, and is most of what LLVM has to do with a kernel of
  many arrays and few lines. It stays as numba writes it, without LLVM's rounds: an array costs 2 ms less to compile and
  16 ns more at each call.

None of them changes what a kernel does. Where numba's insides are not as they are known here, nothing is changed.
"""

from __future__ import annotations

import operator
from collections.abc import Callable
from functools import partial
from typing import Any

from busledger.decoder.kernel_instead import put_instead

__all__ = ["take_shortcuts"]

_OURS = "busledger."


def take_shortcuts() -> None:
    """From now on, for this process; numba must have been imported."""
    from numba.core import callwrapper, lowering, targetconfig, types

    functions = getattr(types.functions, "BaseFunction", None)
    options = getattr(targetconfig, "TargetConfig", None)
    lower = getattr(lowering, "BaseLower", None)
    put_instead(functions, "get_call_type", partial(_remembering_operators, types))
    if options is not None and {"values", "__eq__", "__hash__"} <= set(vars(options)):
        put_instead(options, "__eq__", partial(_compared_quickly, options))
    put_instead(lower, "create_cfunc_wrapper", _leaving_out_c)
    put_instead(getattr(callwrapper, "PyCallWrapper", None), "build", _leaving_way_in)


def _remembering_operators(types: Any, ask: Any) -> Callable[..., Any]:
    numbers = (types.Number, types.Boolean, types.Literal)
    items = {operator.getitem, operator.setitem}
    operators = {getattr(operator, name) for name in operator.__all__} - items

    def get_call_type(self: Any, context: Any, args: Any, kws: Any) -> Any:
        key = self.typing_key
        looked_at = args[1:] if key in items and isinstance(args[0], types.Array) else args if key in operators else ()
        if kws or not looked_at or not all(isinstance(arg, numbers) for arg in looked_at):
            return ask(self, context, args, kws)
        known = self.__dict__.setdefault("_known", {})
        asked = (context, *args)
        if asked not in known:
            signature = ask(self, context, args, kws)
            known[asked] = signature, self._impl_keys[signature.args]
        signature, self._impl_keys[known[asked][0].args] = known[asked]
        return signature

    return get_call_type


def _compared_quickly(options: Any, every: Any) -> Callable[..., Any]:
    hash_of = options.__hash__
    hashes: dict[type, int] = {}

    def equal(self: Any, other: Any) -> Any:
        if self is other:
            return True
        if type(self) is not type(other):
            return every(self, other)
        mine, yours = self._values, other._values
        if mine == yours:
            return True
        return all(getattr(self, name) == getattr(other, name) for name in mine.keys() | yours.keys())

    def hashed(self: Any) -> int:  # numba hashes the options' names only, which are those of the class
        kind = type(self)
        if kind not in hashes:
            hashes[kind] = hash_of(self)
        return hashes[kind]

    options.__hash__ = hashed
    return equal


def _leaving_out_c(create: Any) -> Callable[..., Any]:
    def create_cfunc_wrapper(self: Any) -> None:
        if not str(self.fndesc.modname).startswith(_OURS):
            create(self)

    return create_cfunc_wrapper


def _leaving_way_in(build: Any) -> Callable[..., Any]:
    def build_plainly(self: Any) -> Any:
        made = build(self)
        if str(self.fndesc.modname).startswith(_OURS):
            try:
                for attribute in ("noinline", "optnone"):  # LLVM takes the second only beside the first
                    made[0].attributes.add(attribute)
            except (AttributeError, IndexError, TypeError, ValueError):
                return made  # another numba, or another LLVM: it only compiles a little longer
        return made

    return build_plainly
