"""While kernels are compiled, Python's collector of garbage rests: its rounds over numba's trees take a sixth of it.

numba tells of each compilation, and holds a lock of its own as long as it lasts: kernels that compile one another are
told one inside the other.
"""

from __future__ import annotations

import gc
from typing import Any

__all__ = ["rest_while_compiling"]


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
            self.depth += 1

        def on_end(self, event: Any) -> None:
            self.depth -= 1
            if self.depth == 0 and self.was_on:
                gc.enable()

    event.register("numba:compile", Rest())  # type: ignore[no-untyped-call]
