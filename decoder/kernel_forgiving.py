"""Kernels run even where their compiled code cannot be kept.

numba raises when the folder of its cache is full, damaged or nowhere to be had.
The compiled code is only kept to save time, so none of these may stop a run:
then a kernel is compiled in memory. numba is slow to import, so this waits for
whoever imports it first.
"""

from __future__ import annotations

import contextlib
import importlib.abc
import importlib.machinery
import pickle
import sys
from collections.abc import Callable, Iterator, Sequence
from types import ModuleType
from typing import Any

from busledger.decoder.kernel_garbage import rest_while_compiling
from busledger.decoder.kernel_loading import calls_for_memory, load_lightly
from busledger.decoder.kernel_passes import shorten_passes
from busledger.decoder.kernel_shortcuts import take_shortcuts
from busledger.decoder.kernel_skips import skip_rounds

__all__ = ["forgive_caches", "when_compiling"]

_WAITED_FOR = "numba.core.dispatcher"
_SUSPECT = (OSError, EOFError, pickle.UnpicklingError)
_first_compilation: list[Callable[[], None]] = []


def when_compiling(tell: Callable[[], None]) -> None:
    """``tell`` is called once, before the first kernel that has to be compiled: the first run takes a while."""
    _first_compilation[:] = [tell]


def forgive_caches() -> None:
    """From now on no trouble with numba's cache is an error."""
    module = sys.modules.get(_WAITED_FOR)
    if module is not None:
        _change(module)
    elif not any(isinstance(finder, _Finder) for finder in sys.meta_path):
        sys.meta_path.insert(0, _Finder())


class _Finder(importlib.abc.MetaPathFinder):
    """Lets everything be found as usual, and steps in behind the one module waited for."""

    def find_spec(
        self, name: str, path: Sequence[str] | None = None, target: ModuleType | None = None
    ) -> importlib.machinery.ModuleSpec | None:
        if name != _WAITED_FOR:
            return None
        sys.meta_path.remove(self)
        spec = importlib.machinery.PathFinder.find_spec(name, path, target)
        if spec is not None and spec.loader is not None:
            spec.loader.exec_module = _and_then(spec.loader.exec_module)  # type: ignore[method-assign, assignment]
        return spec


def _and_then(execute: Callable[[ModuleType], None]) -> Callable[[ModuleType], None]:
    def both(module: ModuleType) -> None:
        execute(module)
        _change(module)

    return both


def _made_ready(target_context: Any) -> bool:
    """The functions that kernels call for their memory can be linked; False where numba keeps them elsewhere."""
    try:
        from numba.core.runtime.nrt import rtsys
    except ImportError:
        return False
    rtsys.initialize(target_context)
    return True


def _change(dispatcher: Any) -> None:
    """Caches that forgive, in the module where functions get theirs."""
    kept = dispatcher.FunctionCache
    if getattr(kept, "forgives", False):
        return
    rest_while_compiling()
    take_shortcuts()
    shorten_passes()
    load_lightly()
    skip_rounds()

    class ForgivingCache(kept):  # type: ignore[misc, valid-type]
        forgives = True

        @contextlib.contextmanager
        def _guard_against_spurious_io_errors(self) -> Iterator[None]:
            with contextlib.suppress(*_SUSPECT):
                yield

        def load_overload(self, sig: Any, target_context: Any) -> Any:
            # numba would first import all that it can compile, a quarter of a second; code that is kept needs only what
            # it calls while it runs
            found = None
            if all(hasattr(self, name) for name in ("_index_key", "_cache_file", "_impl", "_enabled")):
                with self._guard_against_spurious_io_errors():
                    found = self._rebuilt(sig, target_context) if self._enabled else None
            else:
                found = super().load_overload(sig, target_context)
            if found is None and _first_compilation:
                _first_compilation.pop()()
            return found

        def _rebuilt(self, sig: Any, target_context: Any) -> Any:
            made = self._cache_file.load(self._index_key(sig, target_context.codegen()))
            if made is None or (calls_for_memory(made) and not _made_ready(target_context)):
                return None
            return self._impl.rebuild(target_context, made)

    def cache_of(function: Any) -> Any:
        try:
            return ForgivingCache(function)
        except RuntimeError:  # no folder that could be written: numba's own words are "no locator available"
            return dispatcher.NullCache()

    cache_of.forgives = True  # type: ignore[attr-defined]
    dispatcher.FunctionCache = cache_of
