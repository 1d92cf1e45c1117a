"""Result files, written whole or not at all.

A file is written under a temporary name in its own folder and takes its real
name only when every byte is on the disk; a full disk or an interruption leaves
the old file as it was.
"""

from __future__ import annotations

import contextlib
import os
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from busledger.decoder.errors import OutputError, UsageError

__all__ = ["refuse_overwriting", "whole_file"]


def refuse_overwriting(target: str | Path, *inputs: str | Path | None) -> None:
    """Raise UsageError if ``target`` is one of ``inputs`` under any name (links included)."""
    for source in inputs:
        if source is None or str(source) == "-" or str(target) == "-":
            continue
        with contextlib.suppress(OSError):
            if Path(target).samefile(source) or Path(target).resolve() == Path(source).resolve():
                raise UsageError(
                    "the output would be written over the input",
                    where=str(target),
                    hint="Choose another name for the output.",
                )


@contextlib.contextmanager
def whole_file(path: str | Path) -> Iterator[BinaryIO]:
    """A binary file that appears at ``path`` when the block ends without an error.

    A symbolic link is followed, and the file it points to is replaced. A device
    or a pipe cannot be replaced: it is written to directly.

    Raises
    ------
    OutputError
        The folder does not exist, may not be written to, or the disk is full.
    """
    try:
        target = Path(path).resolve()
        old = target.stat() if target.exists() else None
    except (OSError, RuntimeError) as error:
        raise _output_error(path, error) from error
    if old is not None and stat.S_ISDIR(old.st_mode):
        raise OutputError("this is a folder, not a file", where=str(path), expected="the name of a file to write")
    if old is not None and not stat.S_ISREG(old.st_mode):
        yield from _written_directly(path, target)
        return
    temporary = target.with_name(f".{target.name[:100]}.{os.getpid()}.part")
    try:
        with _open_new(temporary) as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        if old is not None:
            temporary.chmod(stat.S_IMODE(old.st_mode))
        temporary.replace(target)
    except BaseException as error:
        with contextlib.suppress(OSError):
            temporary.unlink()
        if isinstance(error, OSError):
            raise _output_error(path, error) from error
        raise


def _open_new(temporary: Path) -> BinaryIO:
    """A leftover of an earlier process with the same number is in nobody's use: it goes."""
    temporary.unlink(missing_ok=True)
    return os.fdopen(os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666), "wb")


def _written_directly(path: str | Path, target: Path) -> Iterator[BinaryIO]:
    try:
        with target.open("wb") as file:
            yield file
    except OSError as error:
        raise _output_error(path, error) from error


def _output_error(path: str | Path, error: OSError | RuntimeError) -> OutputError:
    reason = getattr(error, "strerror", None) or str(error)
    return OutputError(
        f"the file could not be written ({reason})",
        where=str(path),
        hint="Whatever stood there before is untouched; free some space or choose another place.",
    )
