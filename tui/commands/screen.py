"""What the commands print: where to, how wide, in which characters, and quietly when nobody listens."""

from __future__ import annotations

import errno
import os
import shutil
import sys
from collections.abc import Mapping, Sequence
from typing import TextIO

from busledger.decoder.errors import OutputError
from busledger.decoder.text import plain

__all__ = ["ascii_wanted", "colour_wanted", "complain", "show", "show_data", "show_paragraphs", "show_table", "width"]

_WIDEST = 110  # longer lines are hard to read
_MESSAGE_LIMIT = 2000


def width() -> int:
    """Columns to write into: the terminal's, or COLUMNS, or 80."""
    return max(20, min(shutil.get_terminal_size().columns, _WIDEST))


def colour_wanted(stream: TextIO | None = None, environ: Mapping[str, str] = os.environ) -> bool:
    """Colour only on a terminal that can show it, and not against NO_COLOR."""
    stream = sys.stdout if stream is None else stream
    if environ.get("NO_COLOR") or environ.get("TERM") == "dumb":
        return False
    return stream is not None and stream.isatty()


def ascii_wanted(encoding: str | None, environ: Mapping[str, str] = os.environ) -> bool:
    """Whether only ASCII can be trusted to show: by the encoding, or by a C or POSIX locale.

    Python turns LC_CTYPE of a C locale into C.UTF-8 for its own use (PEP 538),
    so LC_CTYPE alone does not speak against the C locale.
    """
    if (encoding or "ascii").lower().replace("-", "").replace("_", "") != "utf8":
        return True
    if environ.get("LC_ALL"):
        return environ["LC_ALL"] in ("C", "POSIX")
    return environ.get("LC_CTYPE", "C.UTF-8") in ("C", "POSIX", "C.UTF-8") and environ.get("LANG", "") in ("C", "POSIX")


def show(text: str) -> bool:
    """Print text on standard output; False when the reader has gone (a closed pipe)."""
    encoding = getattr(sys.stdout, "encoding", None)
    if not text.isascii() and ascii_wanted(encoding):
        from busledger.decoder.report import to_ascii

        text = to_ascii(text)
    return show_data(text.encode(encoding or "ascii", "backslashreplace"))


def show_table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> bool:
    """Print a table that fits the terminal."""
    from busledger.decoder.report import table_text

    return show(table_text(heads, rows, width=width(), colour=colour_wanted()))


def show_paragraphs(texts: Sequence[str], *, title: bool = False) -> bool:
    """Print wrapped paragraphs; empty ones are left out."""
    from busledger.decoder.report import paragraphs

    return show(paragraphs([text for text in texts if text], width=width(), colour=colour_wanted(), title=title))


def show_data(data: bytes) -> bool:
    """Write bytes on standard output; False when the reader has gone.

    Raises
    ------
    OutputError
        Standard output is closed, or the disk behind it is full.
    """
    try:
        if sys.stdout is None:
            raise OSError(errno.EBADF, os.strerror(errno.EBADF))
        sys.stdout.flush()
        sys.stdout.buffer.write(data)
        sys.stdout.buffer.flush()
    except BrokenPipeError:
        _nobody_listens()
        return False
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        _nobody_listens()
        raise OutputError(f"standard output could not be written ({reason})") from error
    return True


def complain(message: str) -> None:
    """One message on standard error, after the program's name; its lines stay lines."""
    lines = [plain(line, _MESSAGE_LIMIT) for line in message.splitlines() or [""]]
    text = "busledger: " + "\n  ".join(lines)
    encoding = getattr(sys.stderr, "encoding", None) or "ascii"
    try:
        sys.stderr.write(text.encode(encoding, "backslashreplace").decode(encoding) + "\n")
        sys.stderr.flush()
    except (OSError, ValueError, AttributeError):
        return  # standard error is closed: the exit status still tells


def _nobody_listens() -> None:
    """Point standard output at nothing, so that Python's own flush at exit stays quiet."""
    try:
        nothing = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nothing, sys.stdout.fileno())
        os.close(nothing)
    except (OSError, ValueError, AttributeError):
        return
