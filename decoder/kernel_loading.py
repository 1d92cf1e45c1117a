"""Less work when a kernel that was kept is loaded.

* Its code comes with the surroundings (globals and constants) of each of numba's own functions that went into it, which
  those would need to speak to Python, and numba imports the modules of all of them: 0.1 s for what it makes of
  ``np.argmax`` and the like. Here a module of numba's that nobody has imported yet is named and not imported.
* Beside the machine code lies what LLVM would need to put the kernel into another one, and numba reads that too. Here
  it is read once somebody asks for it: a kernel is compiled that calls this one.
* What kernels call for their memory is compiled at each start; here only for a kernel that calls it.
* numba looks through all that is installed for extensions of its own. Kernels of ours need none.

None of them changes what a kernel does. Where numba's insides are not as they are known here, nothing is changed.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from functools import partial
from typing import Any

from busledger.decoder.kernel_instead import put_instead

__all__ = ["calls_for_memory", "load_lightly"]

_NUMBA_S = "numba."
_FROM_PYTHON = "_ZN7cpython"  # how the names of ways in from Python begin
_FOR_MEMORY = (b"NRT_", b"nrt_")  # how the names of numba's functions begin that count or give memory


def load_lightly() -> None:
    """From now on, for this process; numba must have been imported."""
    from numba.core import codegen, entrypoints, environment

    if {"_rebuild_env", "lookup_environment", "Environment"} <= set(vars(environment)):
        put_instead(environment, "_rebuild_env", partial(_naming_modules_only, environment))
    library = getattr(codegen, "JITCodeLibrary", None)
    known = {"_unserialize", "_get_module_for_linking", "get_pointer_to_function", "_set_compiled_object"}
    if library is not None and all(hasattr(library, name) for name in known):
        put_instead(library, "_get_module_for_linking", partial(_linking, codegen))
        put_instead(library, "get_pointer_to_function", partial(_pointing, codegen))
        put_instead(library, "_unserialize", _unserializing)
    if hasattr(entrypoints, "_already_initialized"):
        entrypoints._already_initialized = True


def calls_for_memory(kept: Any) -> bool:
    """Whether a kept kernel calls for memory; ``kept``: as numba's cache gives it. True where that is not known."""
    try:
        (_, kind, (code, *_)), *_ = kept
        return kind != "object" or any(name in code for name in _FOR_MEMORY)
    except (TypeError, ValueError):
        return True


def _naming_modules_only(environment: Any, rebuild: Any) -> Callable[..., Any]:
    def named_only(module: str, constants: list[Any], name: str) -> Any:
        if not module.startswith(_NUMBA_S) or module in sys.modules:
            return rebuild(module, constants, name)
        found = environment.lookup_environment(name)
        if found is None:
            found = environment.Environment({"__name__": module})
            found.consts[:] = constants
            found.env_name = name
            environment.Environment._memo[name] = found
        return found

    return named_only


def _unserializing(every: Any) -> Callable[..., Any]:
    def unserialize(cls: Any, generator: Any, state: Any) -> Any:
        name, kind, data = state
        if kind != "object":
            return every(cls, generator, state)
        made = generator.create_library(name)
        code, made._kept_for_linking = data
        made.enable_object_caching()
        made._set_compiled_object(code)
        made._finalize_final_module()
        return made

    return unserialize


def _read_for_linking(codegen: Any, library: Any) -> None:
    kept = vars(library).pop("_kept_for_linking", None)
    if kept is not None:
        library._shared_module = codegen.ll.parse_bitcode(kept)
        library._codegen._engine._load_defined_symbols(library._shared_module)


def _linking(codegen: Any, link: Any) -> Callable[..., Any]:
    def get_module_for_linking(self: Any) -> Any:
        _read_for_linking(codegen, self)
        return link(self)

    return get_module_for_linking


def _pointing(codegen: Any, point: Any) -> Callable[..., Any]:
    def get_pointer_to_function(self: Any, name: str) -> Any:
        if "_kept_for_linking" in vars(self):
            if name.startswith(_FROM_PYTHON):
                return self._codegen._engine.get_function_address(name)
            _read_for_linking(codegen, self)
        return point(self, name)

    return get_pointer_to_function
