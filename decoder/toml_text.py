"""TOML files that people write: read in bounded memory, and every way of failing is one of two exceptions."""

from __future__ import annotations

import errno
import tomllib
from pathlib import Path
from typing import Any

__all__ = ["LARGEST_TOML", "read_toml_bytes", "toml_tables"]

LARGEST_TOML = 4 << 20
"""Bytes. A board file or a profile is some kilobytes; more is the wrong file."""


def read_toml_bytes(path: Path) -> bytes:
    """The bytes of a file, never more than ``LARGEST_TOML``: a device such as /dev/zero has no end.

    Raises
    ------
    OSError
        It cannot be read, it is too large, or the path cannot be one.
    """
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST_TOML + 1)
    except ValueError as error:  # a NUL in the path
        raise OSError(errno.EINVAL, str(error)) from error
    if len(data) > LARGEST_TOML:
        raise OSError(errno.EFBIG, f"it is too large: more than {LARGEST_TOML >> 20} MB, where some kilobytes would do")
    return data


def toml_tables(text: str) -> dict[str, Any]:
    """The tables of a TOML text.

    Raises
    ------
    tomllib.TOMLDecodeError
        It is none; also where Python's reader gives up in another way (a number of more than 4300
        digits is its ValueError, brackets nested a thousand deep its RecursionError).
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        raise
    except (ValueError, RecursionError) as error:
        raise tomllib.TOMLDecodeError(f"it cannot be read: {error}") from error
