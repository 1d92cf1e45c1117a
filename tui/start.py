"""Where the installed command begins: an interruption is quiet even while the program is still loading."""

from __future__ import annotations

__all__ = ["main"]

INTERRUPTED = 130


def main() -> int:
    """Load the commands and run one; the exit status."""
    try:
        from busledger.tui.commands.main import main as run
    except KeyboardInterrupt:
        return INTERRUPTED
    return run()
