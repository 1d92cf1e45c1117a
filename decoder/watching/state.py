"""What a watch knows, in one file: whole or not at all, and nothing in it that runs.

The file is a pickle, because that is what holds numpy columns and their owners
together. It is read with a list of what may be in it: our own columns, numpy's
arrays and plain values; anything else is refused.
"""

from __future__ import annotations

import hashlib
import io
import os
import pickle
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from busledger.decoder.errors import OutputError, UsageError

__all__ = ["load_state", "packed_state", "save_state", "unpacked_state"]

_MAGIC = b"busledger watch 1\n"
_PLAIN = {
    "builtins": {"dict", "list", "tuple", "set", "frozenset", "int", "float", "bool", "str", "bytes", "bytearray",
                 "complex", "slice", "range", "object"},
    "collections": {"Counter", "OrderedDict", "defaultdict", "deque"},
    "copyreg": {"_reconstructor"},
    "types": {"MappingProxyType"},
}  # fmt: skip
_NUMPY = {"dtype", "ndarray", "_reconstruct", "scalar", "_frombuffer"}


def _shared(name: str) -> object:
    """Stands in a state for the object of that name, which the reader has."""
    raise pickle.UnpicklingError(f"{name} is read through ``unpacked_state``")


class _Saver(pickle.Pickler):
    """Leaves what both processes have anyway (``shared``) out of the file.

    Asked for objects of classes only: a ``persistent_id`` would be asked for every number too, a third of the time.
    """

    def __init__(self, file: io.BytesIO, shared: Mapping[str, object]) -> None:
        super().__init__(file, pickle.HIGHEST_PROTOCOL)
        self._names = {id(value): name for name, value in shared.items() if value is not None}

    def reducer_override(self, obj: object) -> Any:
        name = self._names.get(id(obj))
        return NotImplemented if name is None else (_shared, (name,))


class _Loader(pickle.Unpickler):
    def __init__(self, data: bytes, shared: Mapping[str, object]) -> None:
        super().__init__(io.BytesIO(data))
        self._shared = shared

    def _shared_of(self, name: object) -> object:
        if not isinstance(name, str) or name not in self._shared:
            raise pickle.UnpicklingError(f"nothing is called {name!r} here")
        return self._shared[name]

    def find_class(self, module: str, name: str) -> Any:
        if (module, name) == (__name__, "_shared"):
            return self._shared_of
        ours = module == "busledger.decoder" or module.startswith("busledger.decoder.")
        numpys = module.split(".")[0] == "numpy" and (name in _NUMPY or name.endswith("dtype"))
        if numpys or name in _PLAIN.get(module, ()):
            return super().find_class(module, name)
        if ours and "." not in name:
            found = super().find_class(module, name)
            if isinstance(found, type):
                return found
        raise pickle.UnpicklingError(f"{module}.{name} has no place in it")


def packed_state(state: object, shared: Mapping[str, object]) -> bytes:
    """``state`` as bytes; objects of ``shared`` go in by their names."""
    file = io.BytesIO()
    _Saver(file, shared).dump(state)
    return file.getvalue()


def unpacked_state(data: bytes, shared: Mapping[str, object]) -> Any:
    """What ``packed_state`` made; the objects of ``shared`` are put in their places."""
    return _Loader(data, shared).load()


def save_state(path: Path, data: bytes) -> None:
    """Write ``data`` as the file's whole new content.

    Raises
    ------
    OutputError
        the disk is full or the folder gone; the old file is whole then.
    """
    from zstandard import ZstdCompressor

    from busledger.decoder.report import whole_file

    with whole_file(path) as file:
        file.write(_MAGIC + hashlib.blake2b(data, digest_size=16).digest() + ZstdCompressor(level=1).compress(data))


def load_state(path: Path) -> bytes:
    """The bytes that ``save_state`` was given.

    Raises
    ------
    UsageError
        there is no such file, or it is another program's or another version's.
    OutputError
        it cannot be read.
    """
    from zstandard import ZstdDecompressor, ZstdError

    where = str(path)
    try:
        raw = path.read_bytes()
        owner = path.stat().st_uid
    except FileNotFoundError as error:
        raise UsageError("there is no watch to go on with", where=where, hint="Leave --resume out.") from error
    except OSError as error:
        raise OutputError(f"cannot be read: {error.strerror}", where=where) from error
    if owner not in (os.geteuid(), 0):
        raise UsageError("this watch is another user's", where=where, expected="a folder of your own")
    if not raw.startswith(_MAGIC):
        raise UsageError("this is not the state of a watch by this version", where=where, hint="Begin a new watch.")
    at = len(_MAGIC) + 16
    try:
        data = ZstdDecompressor().decompress(raw[at:], max_output_size=1 << 32)
    except ZstdError as error:
        raise UsageError("the state of the watch is damaged", where=where, hint="Begin a new watch.") from error
    if hashlib.blake2b(data, digest_size=16).digest() != raw[at - 16 : at]:
        raise UsageError("the state of the watch is damaged", where=where, hint="Begin a new watch.")
    return data
