"""How a small function is compiled that only kernels call.

Nobody calls it from Python, so it gets no way in from there and no cache of its own: both would take as long to
compile as the function itself. ``@inner()`` is for all of them; with ``_nrt=False`` where it allocates nothing,
and ``forceinline=True`` where the call itself would cost.

numba makes one more of a function for each constant that it is called with, and one for a loop's first round, where
a count is still the constant 0. LLVM puts constants into what it inlines by itself, so one for all integers will do.

numba would also optimise each such function in full, by itself, and make machine code of it that nothing ever runs:
its code is linked into the kernel that calls it, and optimised and made there once more. ``_LinkedOnly`` leaves that
to the kernel.
"""

from numba import config, njit
from numba.core.codegen import JITCodeLibrary
from numba.core.compiler import Compiler
from numba.core.types import Dispatcher, unliteral


class _NoEnvironment:
    """A code generator for a function that is never run by itself: of its environment, which it would need to speak to
    Python, nothing is told. (A kernel that was kept and is loaded again knows nothing of it either.)"""

    def __init__(self, codegen):
        self._codegen = codegen

    def __getattr__(self, name):
        return getattr(self._codegen, name)

    def set_env(self, name, env):
        pass


class _LinkedOnly(JITCodeLibrary):
    """Code that kernels link, and that is made into nothing by itself."""

    @property
    def codegen(self):
        return _NoEnvironment(self._codegen)

    def _optimize_final_module(self):
        pass

    def _finalize_final_module(self):
        self._finalize_dynamic_globals()
        self._verify_declare_only_symbols()
        self._finalized = True

    def get_pointer_to_function(self, name):
        self._ensure_finalized()
        return 0


class _Linked(Compiler):
    """numba's compiler, but for where the code goes."""

    def define_pipelines(self):
        if self.state.library is None:
            self.state.library = _LinkedOnly(self.state.targetctx.codegen(), self.state.func_id.func_qualname)
        return super().define_pipelines()


LINKED = {"no_cpython_wrapper": True, "no_cfunc_wrapper": True, "pipeline_class": _Linked}


class _Later:
    """A function that becomes one of numba's when a kernel that calls it is compiled, and that is seldom: kernels that
    were kept need none, and to make all of them ready would take a fiftieth of the start."""

    def __init__(self, function, options):
        self._function, self._options = function, options

    def __getattr__(self, name):
        if name == "_made":
            self._made = _made_of(self._function, self._options)
            return self._made
        return getattr(self._made, name)

    @property
    def _numba_type_(self):
        """What numba asks anything for that it does not know."""
        return Dispatcher(self._made)


def _made_of(function, options):
    made = njit(nogil=True, **LINKED, **options)(function)
    template = made.get_call_template
    made.get_call_template = lambda args, kws: template(
        [unliteral(kind) for kind in args], {name: unliteral(kind) for name, kind in kws.items()}
    )
    return made


def inner(**options):
    """A decorator as ``njit`` is, with these further options of it."""

    def compiled(function):
        return function if config.DISABLE_JIT else _Later(function, options)

    return compiled
