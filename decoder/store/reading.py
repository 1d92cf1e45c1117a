"""A decoded capture on disk: flat columns that numpy maps, written whole or not at all.

An entry is a directory. Each column is one file: 64 bytes that name it (magic,
column, dtype), then the values. ``meta.json`` comes last and carries the facts,
the size of every file and a checksum of itself, so that a half-written or
damaged entry is noticed when it is opened. Column values are not summed again
at opening (that would read them all); sizes, magic and the rename that follows
fsync vouch for them.

The writer works under a name of its own beside the final one and renames the
directory when everything is on the disk, so two processes never see each
other's half.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydantic import ValidationError

from busledger.decoder.bus.columns import Cycles
from busledger.decoder.capture.columns import Capture
from busledger.decoder.ledger.columns import Compared
from busledger.decoder.store.layout import (
    DETAIL_ROWS,
    GROUPS,
    HEAD_BYTES,
    META,
    SCHEMA,
    StoreDamagedError,
    StoredLine,
    StoredRegion,
    StoredRule,
    StoreFacts,
    checksum,
    head,
)

__all__ = ["Store", "StoreDamagedError", "StoreFacts", "StoredLine", "StoredRegion", "StoredRule"]


def _map(path: Path, key: str, dtype: np.dtype[Any], values: int) -> NDArray[Any]:
    """``values`` values of one column file, mapped read-only."""
    expected = HEAD_BYTES + values * dtype.itemsize
    try:
        size = path.stat().st_size
        with path.open("rb") as file:
            beginning = file.read(HEAD_BYTES)
        if size != expected:
            raise StoreDamagedError(f"A column has {size} bytes", where=str(path), expected=f"{expected}")
        if beginning != head(key, dtype):
            raise StoreDamagedError("A column has a wrong beginning", where=str(path))
        if values == 0:
            return np.empty(0, dtype)
        # A plain array over the map: memmap's own subclass makes every slice slower.
        return np.memmap(path, dtype, "r", HEAD_BYTES, (values,)).view(np.ndarray)
    except OSError as error:
        raise StoreDamagedError(f"A column cannot be read: {error.strerror or error}", where=str(path)) from error


def _rows(column: NDArray[Any], words: int) -> NDArray[Any]:
    return column.reshape(column.size // words, words)


@dataclass(frozen=True, slots=True, eq=False)
class Store:
    """An open entry; all columns are read-only maps, so opening takes no longer for more cycles.

    Attributes
    ----------
    capture : rows of levels, columns as ``Capture``
    cycles, compared : one row a cycle
    mismatch_rows, disagree_rows : int64, rising, the cycles with that verdict
    moved : uint64, shape (blocks, words), the lines that differ between any two neighbouring rows of ``DETAIL_ROWS``
        rows of levels, the row before the first among them
    coarse : the first of each ``DETAIL_ROWS`` rows of levels
    cycles_before : int64, shape (blocks,), how many cycles came before that row's time
    documents : texts kept with the entry, by name
    """

    path: Path
    facts: StoreFacts
    capture: Capture
    cycles: Cycles
    compared: Compared
    mismatch_rows: NDArray[np.int64]
    disagree_rows: NDArray[np.int64]
    moved: NDArray[np.uint64]
    coarse: Capture
    cycles_before: NDArray[np.int64]
    documents: Mapping[str, str] = field(default_factory=dict)

    @classmethod
    def open(cls, entry: Path) -> Store:
        """Map an entry. Raises StoreDamagedError for anything that ``StoreWriter.finish`` did not leave so."""
        where = str(entry / META)
        try:
            meta = json.loads((entry / META).read_text(encoding="utf-8"))
            if meta["schema"] != SCHEMA:
                raise StoreDamagedError("The entry is of another version", where=where, expected=SCHEMA)
            body = meta["body"]
            if meta["checksum"] != checksum(body):
                raise StoreDamagedError("The entry's facts do not match their checksum", where=where)
            facts = StoreFacts.model_validate(body["facts"])
            words, rows, documents = int(body["words"]), dict(body["rows"]), dict(body["documents"])
            groups = {
                group: {
                    name: _map(entry / f"{group}.{name}", f"{group}.{name}", dtype, int(rows[f"{group}.{name}"]))
                    for name, dtype in columns.items()
                }
                for group, columns in GROUPS.items()
            }
            capture = groups["capture"]
            levels, unknown = (_rows(capture[name], words) for name in ("levels", "unknown"))
            detail = groups["detail"]
            moved, coarse_levels, coarse_unknown = (
                _rows(detail[name], words) for name in ("moved", "levels", "unknown")
            )
        except OSError as error:
            raise StoreDamagedError(f"The entry cannot be read: {error.strerror or error}", where=where) from error
        except (ValueError, KeyError, TypeError, AttributeError, ValidationError) as error:
            raise StoreDamagedError("The entry's facts are not readable", where=where) from error
        lengths = {len(column) for group in ("cycles", "compared") for column in groups[group].values()}
        if (
            len(lengths) != 1
            or not len(capture["time"]) == len(levels) == len(unknown)
            or (
                {len(column) for column in (moved, coarse_levels, coarse_unknown, detail["time"], detail["cycles"])}
                != {-(-len(levels) // DETAIL_ROWS)}
            )
        ):
            raise StoreDamagedError("The entry's columns differ in length", where=where)
        nothing = np.broadcast_to(np.uint64(0), lengths.pop())  # as long as the others, and no memory
        return cls(
            path=entry,
            facts=facts,
            capture=Capture(capture["time"], levels, unknown, facts.tick_fs),
            cycles=Cycles(**groups["cycles"]),
            compared=Compared(**groups["compared"], selected=nothing, selects_seen=nothing),
            mismatch_rows=groups["index"]["mismatch_rows"],
            disagree_rows=groups["index"]["disagree_rows"],
            moved=moved,
            coarse=Capture(detail["time"], coarse_levels, coarse_unknown, facts.tick_fs),
            cycles_before=detail["cycles"],
            documents=documents,
        )

    def __len__(self) -> int:
        return len(self.cycles)
