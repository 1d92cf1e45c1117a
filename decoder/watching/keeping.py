"""The signals around failures, and around right reads of the same cells, as dumps that every command reads.

Bounded in number and in bytes: the first windows, the latest, and of the rest a
fair sample (algorithm R of A. G. Waterman: D. E. Knuth, The Art of Computer
Programming 2, 3.4.2). What stays is drawn from the windows' own numbers, so
that a watch that was killed and goes on keeps the same ones.
"""

from __future__ import annotations

import contextlib
import gzip
import io
import random
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from busledger.decoder.capture import Capture
from busledger.decoder.ledger import Verdict
from busledger.decoder.pipeline import Decoded
from busledger.decoder.watching.failures import Failure

__all__ = ["Keeper", "dump_of"]

_FIRST, _LATEST, _SAMPLE, _RIGHT = 8, 8, 16, 24
_EAGER = 8  # windows that may follow one another closely
_APART = 50  # else a window begins this many times its length after the last
_CELLS, _RIGHT_OF_A_CELL = 12, 2
_MOST_ROWS = 1 << 19
_RING_ROWS = 1 << 21  # of levels that may still be wanted, about 50 MB
_UNITS = {10**15: "s", 10**12: "ms", 10**9: "us", 10**6: "ns", 10**3: "ps", 1: "fs"}


@dataclass
class _Window:
    """A span of ticks around a read, waiting for its last rows."""

    name: str
    number: int
    begin: int
    end: int
    told: list[str] = field(default_factory=list)
    right: bool = False


@dataclass
class _Files:
    """The windows that are on the disk: numbers in the order of time, and their bytes."""

    first: list[int] = field(default_factory=list)
    sample: list[int] = field(default_factory=list)
    latest: list[int] = field(default_factory=list)
    passed: int = 0
    right: list[str] = field(default_factory=list)
    bytes: dict[str, int] = field(default_factory=dict)


class Keeper:
    """Sees every block, and writes ``failure-000012.vcd.gz`` and ``right-000003-4123.vcd.gz`` into ``folder``.

    Parameters
    ----------
    span_ticks : length of a window, half of it before the read; 0 keeps nothing
    most_bytes : that all files together may have

    Attributes
    ----------
    lost : windows that the disk had no room for
    """

    def __init__(self, folder: Path, names: Sequence[str], tick_fs: int, span_ticks: int, most_bytes: int) -> None:
        self._folder, self._names, self._tick_fs = folder, tuple(names), tick_fs
        self._half, self._most = span_ticks // 2, most_bytes
        self._ring: list[Capture] = []
        self._open: list[_Window] = []
        self._files = _Files()
        self._windows = self._rights = 0
        self._last_begin = -(1 << 62)
        self._cells: dict[tuple[int, int], int] = {}
        self.lost = 0

    def state(self) -> dict[str, Any]:
        """Everything that changes, for ``go_on``; of the levels only what a window may still want."""
        held = [
            Capture(b.time.copy(), b.levels.copy(), b.unknown.copy(), b.tick_fs, (), b.first_row) for b in self._ring
        ]
        names = ("_open", "_files", "_windows", "_rights", "_last_begin", "_cells", "lost")
        return {"_ring": held, **{name: getattr(self, name) for name in names}}

    def go_on(self, state: dict[str, Any]) -> None:
        """Take up what ``state`` gave."""
        for name, value in state.items():
            setattr(self, name, value)

    @property
    def files(self) -> tuple[str, ...]:
        """Names of the files that are kept, windows of failures first."""
        files = self._files
        numbers = (*files.first, *sorted(files.sample), *files.latest)
        return (*(_failure_name(number) for number in numbers), *files.right)

    # -- what is wanted -----------------------------------------------------
    def failed(self, failure: Failure, region: int, text: str) -> str | None:
        """A wrong read: the name of the file that will hold it, None where none will."""
        if not self._half:
            return None
        cell = (region, failure.address)
        if cell in self._cells or len(self._cells) < _CELLS:
            self._cells.setdefault(cell, 0)
        last = next((w for w in reversed(self._open) if not w.right), None)
        if last is not None and failure.tick <= last.end - self._half // 2:
            last.told.append(text)
            return last.name
        eager = self._windows < _EAGER
        if not eager and failure.tick < self._last_begin + 2 * self._half * _APART:
            return None
        self._windows += 1
        self._last_begin = failure.tick - self._half
        name = _failure_name(self._windows)
        self._open.append(_Window(name, self._windows, self._last_begin, failure.tick + self._half, [text]))
        return name

    def look(self, block: Decoded) -> None:
        """Right reads of cells that have failed."""
        wanted = [cell for cell, times in self._cells.items() if times < _RIGHT_OF_A_CELL]
        if not wanted or not self._half or len(self._files.right) >= _RIGHT:
            return
        cycles = block.cycles
        right = np.flatnonzero(block.compared.verdict == Verdict.AGREES)
        right = right[np.isin(cycles.address[right], np.array([a for _, a in wanted], np.uint32))]
        for region, address in wanted:
            rows = right[(cycles.region[right] == region) & (cycles.address[right] == address)]
            for row in rows.tolist():
                tick = int(cycles.time[row])
                if any(w.begin <= tick <= w.end for w in self._open):
                    continue
                self._cells[region, address] += 1
                self._rights += 1
                name = f"right-{self._rights:06d}-{address:04X}.vcd.gz"
                text = f"a right read of {address:04X}"
                self._open.append(_Window(name, self._rights, tick - self._half, tick + self._half, [text], True))
                break

    # -- what is written ----------------------------------------------------
    def feed(self, levels: Capture) -> None:
        """The block's levels, before its reads are looked at."""
        if self._half and len(levels):
            self._ring.append(levels)

    def settle(self, *, ended: bool = False) -> None:
        """Write the windows whose last rows have come, and let go of levels that none will want."""
        if not self._ring:
            return
        now = int(self._ring[-1].time[-1])
        done = [w for w in self._open if ended or w.end < now]
        self._open = [w for w in self._open if w not in done]
        for window in done:
            self._write(window)
        # A read of the next block may lie as far back as the youngest cycles wait: a window before the rows here.
        keep_from = min([now - 4 * self._half, *(w.begin for w in self._open)])
        while len(self._ring) > 1 and int(self._ring[1].time[0]) <= keep_from:
            self._ring.pop(0)
        while len(self._ring) > 1 and sum(map(len, self._ring)) > _RING_ROWS:
            self._ring.pop(0)
        first = self._ring[0]
        at = max(0, int(np.searchsorted(first.time, keep_from, side="right")) - 1)
        if at:
            self._ring[0] = first.slice(at, len(first))

    def _write(self, window: _Window) -> None:
        rows = self._rows(window.begin, window.end)
        if not len(rows):
            return
        data = gzip.compress(dump_of(rows, self._names, self._tick_fs, window.begin, window.told), 6, mtime=0)
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            path = self._folder / window.name
            temporary = path.with_suffix(".part")
            temporary.write_bytes(data)
            temporary.replace(path)
        except OSError:
            self.lost += 1
            with contextlib.suppress(OSError):
                (self._folder / window.name).with_suffix(".part").unlink(missing_ok=True)
            return
        self._files.bytes[window.name] = len(data)
        if window.right:
            self._files.right.append(window.name)
        else:
            self._place(window.number)
        self._shrink()

    def _place(self, number: int) -> None:
        """The newest window: among the first, or the latest, whose oldest then takes its chance in the sample."""
        files = self._files
        if number in (*files.first, *files.sample, *files.latest):
            return  # written again after a restart
        if number <= _FIRST:
            files.first.append(number)
            return
        files.latest.append(number)
        if len(files.latest) <= _LATEST:
            return
        oldest = files.latest.pop(0)
        place = random.Random(oldest).randrange(files.passed + 1)
        files.passed += 1
        if len(files.sample) < _SAMPLE:
            files.sample.append(oldest)
        elif place < _SAMPLE:
            self._remove(_failure_name(files.sample[place]))
            files.sample[place] = oldest
        else:
            self._remove(_failure_name(oldest))

    def _shrink(self) -> None:
        """Fewer, where their bytes are too many: of the sample, then of the right reads, then of the latest."""
        files = self._files
        while sum(files.bytes.values()) > self._most:
            if files.sample:
                self._remove(_failure_name(files.sample.pop(random.Random(files.passed).randrange(len(files.sample)))))
            elif files.right:
                self._remove(files.right.pop(0))
            elif len(files.latest) > max(1, len(files.first)):
                self._remove(_failure_name(files.latest.pop(0)))
            elif len(files.first) > 1:
                self._remove(_failure_name(files.first.pop()))
            else:
                return

    def _remove(self, name: str) -> None:
        self._files.bytes.pop(name, None)
        with contextlib.suppress(OSError):
            (self._folder / name).unlink(missing_ok=True)

    def _rows(self, begin: int, end: int) -> Capture:
        """The rows from the one that holds at ``begin`` to ``end``."""
        parts = [b for b in self._ring if int(b.time[-1]) >= begin and int(b.time[0]) <= end]
        before = [b for b in self._ring if int(b.time[-1]) < begin]
        if before:
            parts.insert(0, before[-1].slice(len(before[-1]) - 1, len(before[-1])))
        if not parts:
            return self._ring[-1].slice(0, 0)
        joined = Capture(
            np.concatenate([b.time for b in parts]),
            np.concatenate([b.levels for b in parts]),
            np.concatenate([b.unknown for b in parts]),
            parts[0].tick_fs,
        )
        low = max(0, int(np.searchsorted(joined.time, begin, side="right")) - 1)
        high = min(int(np.searchsorted(joined.time, end, side="right")), low + _MOST_ROWS)
        return joined.slice(low, high)


def dump_of(rows: Capture, names: Sequence[str], tick_fs: int, begin: int, told: Sequence[str]) -> bytes:
    """A VCD (IEEE 1364-2005, clause 18) of ``rows``, its time 0 at tick ``begin``; ``told`` are its comments."""
    unit = max(fs for fs in _UNITS if tick_fs % fs == 0)
    codes = [_code(k) for k in range(len(names))]
    out = io.StringIO()
    for text in told[:100]:
        out.write(f"$comment {_one_line(text)} $end\n")
    out.write(f"$timescale {tick_fs // unit} {_UNITS[unit]} $end\n$scope module watch $end\n")
    for code, name in zip(codes, names, strict=True):
        out.write(f"$var wire 1 {code} {_one_line(name)} $end\n")
    out.write("$upscope $end\n$enddefinitions $end\n")
    held: tuple[list[int], list[int]] | None = None
    for time, levels, unknown in zip(rows.time.tolist(), rows.levels.tolist(), rows.unknown.tolist(), strict=True):
        out.write(f"#{max(0, time - begin)}\n")
        for word, (level, lost) in enumerate(zip(levels, unknown, strict=True)):
            changed = -1 if held is None else (level ^ held[0][word]) | (lost ^ held[1][word])
            for k in range(64 * word, min(64 * word + 64, len(names))):
                bit = k - 64 * word
                if changed >> bit & 1:
                    out.write(f"{'x' if lost >> bit & 1 else level >> bit & 1}{codes[k]}\n")
        held = (levels, unknown)
    return out.getvalue().encode()


def _failure_name(number: int) -> str:
    return f"failure-{number:06d}.vcd.gz"


def _one_line(text: str) -> str:
    """A comment or a name must not hold the word that ends it, nor break the line."""
    return " ".join(text.replace("$", "S").split())


def _code(number: int) -> str:
    """Identifier codes of printable characters, shortest first (clause 18.2.1)."""
    code, number = "", number + 1
    while number:
        number, digit = divmod(number - 1, 94)
        code = chr(33 + digit) + code
    return code
