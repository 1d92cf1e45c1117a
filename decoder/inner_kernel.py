"""How a small function is compiled that only kernels call.

Nobody calls it from Python, so it gets no way in from there and no cache of its own: both would take as long to
compile as the function itself. ``@inner()`` is for all of them; with ``_nrt=False`` where it allocates nothing,
and ``forceinline=True`` where the call itself would cost.

numba makes one more of a function for each constant that it is called with, and one for a loop's first round, where
a count is still the constant 0. LLVM puts constants into what it inlines by itself, so one for all integers will do.
"""

from numba import njit
from numba.core.types import unliteral


def inner(**options):
    """A decorator as ``njit`` is, with these further options of it."""

    def compiled(function):
        made = njit(nogil=True, no_cpython_wrapper=True, no_cfunc_wrapper=True, **options)(function)
        if made is not function:  # it is with NUMBA_DISABLE_JIT
            template = made.get_call_template
            made.get_call_template = lambda args, kws: template(
                [unliteral(kind) for kind in args], {name: unliteral(kind) for name, kind in kws.items()}
            )
        return made

    return compiled
