"""The accesses that fell in a region, kept for the diagnosis: in memory while
they are few, in a temporary file past that, so that memory stays flat."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from dataclasses import fields
from typing import IO

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.columns import Cycles
from busledger.decoder.errors import OutputError
from busledger.decoder.ledger.columns import Compared, Verdict

__all__ = ["AccessLog"]

_ROWS_IN_MEMORY = 2_000_000  # about 90 bytes a row
_BLOCK = 1 << 18
_RIGHT = [Verdict.WRITE, Verdict.AGREES, Verdict.UNKNOWN]


class AccessLog:
    """An append-only list of (Cycles, Compared) rows with region >= 0 and a verdict
    (``everywhere``: outside the regions too, for as long as they are not known).

    Attributes
    ----------
    verdicts : int64 (len(Verdict),): rows kept of each verdict

    Raises
    ------
    OutputError
        when the temporary file cannot be written (disk full).
    """

    def __init__(self, rows_in_memory: int = _ROWS_IN_MEMORY, *, everywhere: bool = False) -> None:
        self._limit = rows_in_memory
        self._everywhere = everywhere
        self._held: list[tuple[Cycles, Compared]] = []
        self._held_rows = 0
        self._file: IO[bytes] | None = None
        self._sizes: list[int] = []
        self._rows = 0
        self.verdicts: NDArray[np.int64] = np.zeros(len(Verdict), np.int64)

    def __len__(self) -> int:
        return self._rows

    def append(self, cycles: Cycles, compared: Compared) -> tuple[Cycles, Compared] | None:
        """Keep the rows of this block that the ledger took, and give them back; None where there are none."""
        rows = compared.verdict != Verdict.NOT_TAKEN
        if not self._everywhere:
            rows &= cycles.region >= 0
        places = np.flatnonzero(rows)
        if not len(places):
            return None
        kept = (cycles, compared) if len(places) == len(rows) else (cycles.take(places), compared.take(places))
        self.verdicts += np.bincount(kept[1].verdict, minlength=len(Verdict))
        self._held.append(kept)
        self._held_rows += len(kept[0])
        self._rows += len(kept[0])
        if self._held_rows > self._limit:
            self._spool()
        return kept

    @property
    def all_agree(self) -> bool:
        """Whether every read that could be compared with anything, a write or an earlier read, was right."""
        return int(self.verdicts[_RIGHT].sum()) == self._rows

    def blocks(self) -> Iterator[tuple[Cycles, Compared]]:
        """All rows in time order, in blocks; may be called any number of times."""
        if self._file is not None:
            at = 0
            for size in self._sizes:
                self._file.seek(at)
                yield self._load(size)
                at = self._file.tell()
        yield from self._held

    def whole(self) -> tuple[Cycles, Compared]:
        """All rows at once, for logs known to be small."""
        parts = list(self.blocks())
        return Cycles.concat([c for c, _ in parts]), Compared.concat([d for _, d in parts])

    def close(self) -> None:
        """Drop the temporary file."""
        if self._file is not None:
            self._file.close()
            self._file = None
            self._sizes = []

    def _spool(self) -> None:
        try:
            if self._file is None:
                self._file = tempfile.TemporaryFile(prefix="busledger-")  # noqa: SIM115 - lives as long as the log
            self._file.seek(0, 2)
            for cycles, compared in self._held:
                for start in range(0, len(cycles), _BLOCK):
                    stop = min(start + _BLOCK, len(cycles))
                    for columns in (cycles.slice(start, stop), compared.slice(start, stop)):
                        for field in fields(columns):
                            self._file.write(np.ascontiguousarray(getattr(columns, field.name)).data)
                    self._sizes.append(stop - start)
        except OSError as error:
            raise OutputError(
                f"cannot keep the accesses for the diagnosis: {error.strerror or error}",
                where=tempfile.gettempdir(),
                expected="room for about 90 bytes an access",
                hint="Free some space there, or set TMPDIR to a folder on a larger disk.",
            ) from error
        self._held = []
        self._held_rows = 0

    def _load(self, size: int) -> tuple[Cycles, Compared]:
        assert self._file is not None
        cycles, compared = Cycles.empty(size), Compared.empty(size)
        for columns in (cycles, compared):
            for field in fields(columns):
                column = getattr(columns, field.name)
                column[:] = np.frombuffer(self._file.read(column.nbytes), column.dtype)
        return cycles, compared
