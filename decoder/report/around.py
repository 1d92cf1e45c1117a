"""The levels around the first wrong reads, gathered while blocks pass by."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.columns import KIND_NAMES, Cycles
from busledger.decoder.capture.columns import FEMTOSECONDS, Capture
from busledger.decoder.ledger.columns import Compared, Verdict
from busledger.decoder.report.numbers import lane_ranges, seconds

__all__ = ["Scene", "SceneCollector"]

_CYCLES_BEFORE = 2.0
_CYCLES_AFTER = 1.0
_MOST_ROWS = 2000


@dataclass(frozen=True, slots=True)
class Scene:
    """Levels around one wrong read.

    Attributes
    ----------
    names : the lines, in the order of the columns
    time_ns : float64, shape (n,), from the sampling edge; row i holds until row i + 1
    levels, unknown : bool, shape (n, lines)
    span_ns : (first, last) moment shown
    lanes : the data lines that differ, by the names that they have among ``names``
    due : the level that each of ``lanes`` should have had at the sampling edge
    sampled_at : when that was, in words
    caption : one sentence
    """

    names: tuple[str, ...]
    time_ns: NDArray[np.float64]
    levels: NDArray[np.bool_]
    unknown: NDArray[np.bool_]
    span_ns: tuple[float, float]
    lanes: tuple[str, ...]
    caption: str
    due: tuple[bool, ...] = ()
    sampled_at: str = ""


@dataclass
class SceneCollector:
    """Keeps the first wrong read of each kind (region and lanes), at most ``most``.

    ``names[k]`` is the line in bit k % 64 of word k // 64; ``tick_fs`` femtoseconds a tick.
    """

    names: Sequence[str]
    tick_fs: int
    address_bits: int
    data_bits: int
    most: int = 3
    scenes: list[Scene] = field(default_factory=list)
    _seen: set[tuple[int, int]] = field(default_factory=set)
    _tail: Capture | None = None

    @property
    def full(self) -> bool:
        """Whether there are enough scenes."""
        return len(self.scenes) >= self.most

    def feed(self, levels: Capture, cycles: Cycles, compared: Compared) -> bool:
        """Take one block of levels and the cycles that ended in it; False once there are enough scenes."""
        rows = _joined(self._tail, levels)
        if len(cycles) and len(rows):
            pace = self._pace(cycles)
            for k in np.flatnonzero(compared.verdict == Verdict.MISMATCH):
                kind = int(cycles.region[k]), int(compared.mismatch[k])
                if kind not in self._seen:
                    self._seen.add(kind)
                    self.scenes.append(self._scene(rows, cycles, compared, int(k), pace))
                if self.full:
                    return False
        self._tail = _last_rows(rows)
        return True

    def _pace(self, cycles: Cycles) -> float:
        """Ticks from one cycle to the next, usually."""
        return float(np.median(np.diff(cycles.time))) if len(cycles) > 1 else 1000.0

    def _scene(self, rows: Capture, cycles: Cycles, compared: Compared, k: int, pace: float) -> Scene:
        edge = int(cycles.time[k])
        begin, end = edge - _CYCLES_BEFORE * pace, edge + _CYCLES_AFTER * pace
        low = max(int(np.searchsorted(rows.time, begin, side="right")) - 1, 0)
        high = min(int(np.searchsorted(rows.time, end, side="right")), low + _MOST_ROWS)
        ns = self.tick_fs / 1e6
        wrong = [b for b in range(self.data_bits) if compared.mismatch[k] >> b & 1]
        bit = np.arange(len(self.names))
        word, shift = bit // 64, (bit % 64).astype(np.uint64)
        return Scene(
            names=tuple(self.names),
            time_ns=(rows.time[low:high] - edge).astype(np.float64) * ns,
            levels=(rows.levels[low:high][:, word] >> shift & np.uint64(1)).astype(np.bool_),
            unknown=(rows.unknown[low:high][:, word] >> shift & np.uint64(1)).astype(np.bool_),
            span_ns=((begin - edge) * ns, (end - edge) * ns),
            lanes=tuple(self._line(b) for b in wrong),
            due=tuple(bool(compared.expected[k] >> b & 1) for b in wrong),
            sampled_at=seconds(edge * self.tick_fs * FEMTOSECONDS),
            caption=self._caption(cycles, compared, k),
        )

    def _line(self, lane: int) -> str:
        """The line that carries a data lane: on a multiplexed bus it carries an address bit too."""
        shared = f"AD{lane}"
        return shared if f"D{lane}" not in self.names and shared in self.names else f"D{lane}"

    def _caption(self, cycles: Cycles, compared: Compared, k: int) -> str:
        at = seconds(int(cycles.time[k]) * self.tick_fs * FEMTOSECONDS)
        wide, deep = -(-self.address_bits // 4), -(-self.data_bits // 4)
        differing = [f"D{b}" for b in range(self.data_bits) if compared.mismatch[k] >> b & 1]
        kind = KIND_NAMES[cycles.kind[k]].capitalize()
        what = f"{cycles.data[k]:0{deep}X} read, {compared.expected[k]:0{deep}X} expected"
        verb = "differs" if len(differing) == 1 else "differ"
        return f"{kind} of {cycles.address[k]:0{wide}X} at {at}: {what}; {lane_ranges(differing)} {verb}"


def _joined(tail: Capture | None, block: Capture) -> Capture:
    if tail is None or not len(tail):
        return block
    return Capture(
        time=np.concatenate([tail.time, block.time]),
        levels=np.concatenate([tail.levels, block.levels]),
        unknown=np.concatenate([tail.unknown, block.unknown]),
        tick_fs=block.tick_fs,
    )


def _last_rows(rows: Capture) -> Capture:
    """What the next block may need to look back at."""
    keep = slice(max(len(rows) - _MOST_ROWS, 0), None)
    return Capture(rows.time[keep].copy(), rows.levels[keep].copy(), rows.unknown[keep].copy(), rows.tick_fs)
