"""Where the installed command begins: an interruption is quiet even while the program is still loading."""

from __future__ import annotations

import atexit
import gc
import os

__all__ = ["main"]

INTERRUPTED = 130


def main() -> int:
    """Load the commands and run one; the exit status."""
    # What is loaded stays; looking for garbage in it takes 20 ms each time, and Python would do so all the while.
    gc.set_threshold(500_000, 10, 50)
    # numpy and scipy each bring a BLAS whose threads, one a core, look busily for work from the start: 0.1 s of a core.
    # What is multiplied here is small. Who has set it otherwise keeps it.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # pydantic would look through all that is installed for plugins of its own.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "1")
    try:
        from busledger.tui.class_making import compile_methods_later

        compile_methods_later()
        from busledger.tui.commands.main import main as run
    except KeyboardInterrupt:
        return INTERRUPTED
    # Python looks for garbage once more at its end, though the system is about to take all of it: half a second where
    # kernels were compiled.
    atexit.register(gc.freeze)
    return run()
