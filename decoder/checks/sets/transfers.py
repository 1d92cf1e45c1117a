"""The transfers of one wired set, set aside while the other sets are decoded."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus import READ_KINDS, WRITE_KINDS, Cycles
from busledger.decoder.errors import OutputError

__all__ = ["ROW", "Transfers"]

ROW = np.dtype(
    [
        ("time", np.int64),
        ("address", np.uint32),
        ("address_unknown", np.uint32),
        ("data", np.uint32),
        ("data_unknown", np.uint32),
        ("kind", np.uint8),
        ("judged", np.bool_),
    ]
)
"""One transfer: the columns of ``Cycles`` that both sides of a bus share; ``judged``: it lies in a region, if any are
stated."""

_TAKEN = np.array([*READ_KINDS, *WRITE_KINDS], np.uint8)
_BLOCK = 1 << 17


@dataclass
class Transfers:
    """An append-only list of ``ROW`` in a temporary file, 26 bytes each, so that memory stays flat.

    ``regions_stated``: only transfers inside a region are judged.

    Raises
    ------
    OutputError
        when the temporary file cannot be written (disk full).
    """

    regions_stated: bool = False
    rows: int = 0
    _file: IO[bytes] = field(default_factory=lambda: tempfile.TemporaryFile())  # noqa: SIM115 - as long as the list

    def __len__(self) -> int:
        return self.rows

    def append(self, cycles: Cycles) -> None:
        """Keep the reads and writes of this block."""
        cycles = cycles.take(np.isin(cycles.kind, _TAKEN))
        made = np.empty(len(cycles), ROW)
        for name in ("time", "address", "address_unknown", "data", "data_unknown", "kind"):
            made[name] = getattr(cycles, name)
        made["judged"] = (cycles.region >= 0) | (not self.regions_stated)
        try:
            self._file.seek(0, 2)
            self._file.write(made.tobytes())
        except OSError as error:
            raise OutputError(
                f"cannot keep the cycles of a wired set: {error.strerror or error}",
                where=tempfile.gettempdir(),
                expected=f"room for {ROW.itemsize} bytes a cycle",
                hint="Free some space there, or set TMPDIR to a folder on a larger disk.",
            ) from error
        self.rows += len(made)

    def blocks(self, block_rows: int = _BLOCK) -> Iterator[NDArray[Any]]:
        """All rows in time order, ``ROW`` arrays of at most ``block_rows``; may be called any number of times."""
        for start in range(0, self.rows, block_rows):
            size = min(block_rows, self.rows - start)
            self._file.seek(start * ROW.itemsize)
            yield np.frombuffer(self._file.read(size * ROW.itemsize), ROW)

    def close(self) -> None:
        """Drop the temporary file."""
        self._file.close()
