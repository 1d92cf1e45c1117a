"""What an entry of the decoded-capture store holds: its facts, its columns, how a column file begins."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import fields
from typing import Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict

from busledger.decoder.bus.columns import Cycles
from busledger.decoder.errors import CaptureError
from busledger.decoder.ledger.columns import Compared

__all__ = [
    "DETAIL_ROWS",
    "GROUPS",
    "HEAD_BYTES",
    "META",
    "SCHEMA",
    "StoreDamagedError",
    "StoreFacts",
    "StoredLine",
    "StoredRegion",
    "StoredRule",
    "checksum",
    "head",
]

SCHEMA = "busledger.store/3"
META = "meta.json"
HEAD_BYTES = 64
_MAGIC = b"busledger column 1\n"


class StoreDamagedError(CaptureError):
    """An entry is incomplete, altered, or from another version: decode again."""


class _Facts(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class StoredLine(_Facts):
    """One line of the capture's levels, bit k of ``levels`` = entry k of ``StoreFacts.lines``."""

    name: str
    role: Literal["address", "data", "control", "select", "other"] = "other"
    active_low: bool = False


class StoredRule(_Facts):
    """A rule of the profile, by ``Cycles.rule``: its window around the sampling edge, in ticks."""

    name: str
    setup_ticks: int = 0
    hold_ticks: int = 0


class StoredRegion(_Facts):
    """A region, by ``Cycles.region``; ``end`` is inclusive."""

    name: str
    start: int | None = None
    end: int | None = None
    kind: str = "ram"


class StoreFacts(_Facts):
    """What the columns mean. ``tick_fs``: femtoseconds a tick; ``gaps``: spans without samples, ticks."""

    tick_fs: int
    lines: tuple[StoredLine, ...]
    regions: tuple[StoredRegion, ...] = ()
    rules: tuple[StoredRule, ...] = ()
    address_bits: int = 16
    data_bits: int = 8
    profile: str = ""
    program: str = ""
    gaps: tuple[tuple[int, int], ...] = ()


def _dtypes(columns: Cycles | Compared) -> dict[str, np.dtype[Any]]:
    return {f.name: getattr(columns, f.name).dtype for f in fields(columns)}


_CYCLE = _dtypes(Cycles.empty())
# What the clipped selects showed is asked for by the diagnosis only, which runs before an entry is written.
_COMPARED = {n: t for n, t in _dtypes(Compared.empty()).items() if n not in ("selected", "selects_seen")}
_CAPTURE: dict[str, np.dtype[Any]] = {
    "time": np.dtype(np.int64),
    "levels": np.dtype(np.uint64),
    "unknown": np.dtype(np.uint64),
}
_INDEX: dict[str, np.dtype[Any]] = {"mismatch_rows": np.dtype(np.int64), "disagree_rows": np.dtype(np.int64)}
# What a picture of the whole capture is drawn from, for each so many rows of levels: which lines moved in them, the
# first of them, and how many cycles came before it. The rows themselves lie all over the disk.
DETAIL_ROWS = 256
_DETAIL: dict[str, np.dtype[Any]] = {"moved": np.dtype(np.uint64), **_CAPTURE, "cycles": np.dtype(np.int64)}
# Every column file of an entry is named ``group.column``.
GROUPS: dict[str, Mapping[str, np.dtype[Any]]] = {
    "capture": _CAPTURE,
    "cycles": _CYCLE,
    "compared": _COMPARED,
    "index": _INDEX,
    "detail": _DETAIL,
}


def head(name: str, dtype: np.dtype[Any]) -> bytes:
    """The first ``HEAD_BYTES`` bytes of a column file."""
    return (_MAGIC + f"{name} {dtype.str}\n".encode()).ljust(HEAD_BYTES, b" ")


def checksum(body: Any) -> str:
    """BLAKE2b of a JSON value in its one canonical spelling."""
    text = json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return hashlib.blake2b(text.encode(), digest_size=20).hexdigest()
