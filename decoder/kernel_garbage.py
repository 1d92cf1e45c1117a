"""While kernels are compiled, Python's collector of garbage rests: its rounds over numba's trees take much of the time.

numba tells of each compilation, and holds a lock of its own as long as it lasts: kernels that compile one another are
told one inside the other. A round after each kernel costs a tenth of all that compiling does, so the collector also
comes less often once one was compiled: a first run then takes some 230 MB more.
"""

from __future__ import annotations

import gc
from collections.abc import Callable
from typing import Any

__all__ = ["rest_while_compiling"]

_NEW_OBJECTS = 3_000_000  # between two rounds


def rest_while_compiling() -> None:
    """From now on, for this process; numba must have been imported."""
    from numba.core import event

    class Rest(event.Listener):
        depth = 0
        was_on = False

        def on_start(self, event: Any) -> None:
            if self.depth == 0:
                self.was_on = gc.isenabled()
                gc.disable()
                first, *others = gc.get_threshold()
                gc.set_threshold(max(first, _NEW_OBJECTS) if first else 0, *others)
            self.depth += 1

        def on_end(self, event: Any) -> None:
            self.depth -= 1
            if self.depth == 0 and self.was_on:
                gc.enable()

    register: Callable[[str, event.Listener], None] = event.register
    register("numba:compile", Rest())
