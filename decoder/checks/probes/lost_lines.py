"""Clips that are off for a while, or from some moment on, as memory and the other lines show it.

A line that rests is nothing by itself: programs leave lines alone for as long as they like. But where in that time an
address that nobody wrote gives other data than before, and each time by the one line that rests; or gives what stood
on the other side of the line; or where a strobe stays active while addresses go by, the line was not seen.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus import READ_KINDS, WRITE_KINDS, Cycles, Flag, Kind, Layout, Profile, bit_numbers, line_names
from busledger.decoder.capture import Capture
from busledger.decoder.checks.probes import lost_kernel as kernel
from busledger.decoder.checks.probes.lost_rests import ended, rest_of_few, settled
from busledger.decoder.checks.probes.write_runs import WriteRuns
from busledger.decoder.figures import count

__all__ = ["LostLine", "LostLines"]

# Judged, all of them, to be slow to speak.
_FEW = 200  # transfers: a program's loop may leave a data line alone for so long
_LONGER_THERE = 3  # times any other rest of the line, in transfers
_ADDRESSES = 6  # different ones that differ by the one line
_OTHERS = 4  # times as many as those that differ by more
_OTHER_SIDE, _READS = 4, 16  # different addresses that give what stood on the other side, and reads of them
_TURNED, _AT_LEAST = 16, 0.05  # times that they turn back to their own: chance alone gives one address of sixty
_BESIDE = 0.3  # of the addresses that give something else instead: new code on both sides of the line
_NEW, _IN_A_ROW = 12, 8  # the same of addresses never read before, which may be a mirror of those: but not where a
# program is fetched from one to the next
_ASIDE, _MORE = 8, 2  # addresses compared with another place; times as many as are alike there
_LONG = 200  # transfers, of an address line's rest then
_GONE_BY = 64  # addresses gone by while a strobe stays active
_WITHOUT = 256  # the same while nothing is read
_WRITTEN = 0.4  # edges of write strobes an address: a transfer of a sector that the processor has no part in makes two
_WRITES_ONLY = 600  # transfers while the line says write, in the way of a program: more than a sector
_LONGER = 16  # times the second longest rest of the line at that level
_FEW_ROWS = 150_000  # of a block: to load a kernel that counts them takes as long as to count them without

_WAY = np.full(len(Kind), kernel.NEITHER, np.uint8)
_WAY[list(READ_KINDS)] = kernel.READ
_WAY[list(WRITE_KINDS)] = kernel.WRITE
_MEMORY = np.ones(len(Kind), np.uint8)
_MEMORY[[Kind.IO_READ, Kind.IO_WRITE]] = 0
_TOLD = ("COUNT", "SHOWN", "ALL", "BACK", "FRESH", "FRESH_ALL", "NEXT", "ODD", "MISSED", "ASIDE", "CHANCE")
_UNSURE = int(Flag.UNSETTLED | Flag.UNKNOWN | Flag.SHORT_STROBE)


@dataclass(frozen=True, slots=True)
class LostLine:
    """A clip that is off: its ``line``, first and last tick, None = to the end; ``why`` in words; ``shown`` times."""

    line: str
    first: int
    last: int | None
    why: str
    shown: int

    def sentence(self, moment: Callable[[int], str]) -> str:
        """What to tell; ``moment`` puts a tick into words."""
        since = moment(self.first)
        when = f"has come off at {since}" if self.last is None else f"was off from {since} to {moment(self.last)}"
        return f"the clip on {self.line} {when}: {self.why}"


class LostLines:
    """Feed every block of rows with its cycles, then ``found``.

    Parameters
    ----------
    profile, layout : which line is which, and which are clipped
    """

    def __init__(self, profile: Profile, layout: Layout) -> None:
        self._profile = profile
        self._address = _lines(profile, layout, "address")
        self._data = _lines(profile, layout, "data")
        self._lanes = max(self._data, default=-1) + 1
        self._wired = sum(1 << bit for bit in self._address if bit < kernel.ADDRESSES)
        self._slots = np.full((kernel.SLOTS, kernel.SLOT_SIZE), kernel.NO_KEY, np.int64)
        self._bits = np.zeros((64, kernel.BIT_SIZE), np.int64)
        self._state = np.zeros(kernel.STATE_SIZE, np.int64)
        self._changes = np.zeros((kernel.GROUP, kernel.CHANGE_SIZE), np.int64)
        self._strobes = _strobes(profile, layout)
        places = [layout.bit(line) for line in self._strobes]
        self._directions = _named(profile, "direction", layout)
        self._reads, self._written = (_named(profile, what, layout) for what in ("read", "write"))
        self._words = np.array([place // 64 for place in places], np.int64)
        self._places = np.array([1 << place % 64 for place in places], np.uint64)
        self._width = (0,) * layout.words
        self._number = np.full(64 * layout.words, -1, np.int64)
        self._number[places] = np.arange(len(places))
        named = (self._address.values(), _named(profile, "write", layout), self._strobes)
        self._moves, self._writes, self._watched = (_mask(layout, lines) for lines in named)
        self._runs = WriteRuns()
        self._before = np.zeros(layout.words, np.uint64)
        self._since = np.zeros((len(places), kernel.SINCE_SIZE), np.int64)
        self._total = np.zeros(kernel.TOTAL_SIZE, np.int64)
        self._rests = np.zeros((2 * len(places), kernel.REST_SIZE), np.int64)

    def feed(self, levels: Capture, cycles: Cycles) -> None:
        """One block of rows and the cycles that ended in it."""
        if len(levels) and self._address and len(self._places):
            if len(levels) <= _FEW_ROWS:
                rest_of_few(
                    levels.time, levels.levels, (self._moves, self._writes), self._words, self._places, self._before,
                    self._since, self._total, self._rests,
                )  # fmt: skip
            else:
                kernel.rest(
                    levels.time, levels.levels, self._moves, self._writes, self._watched, self._number, self._width,
                    self._before, self._since, self._total, self._rests,
                )  # fmt: skip
        if len(cycles) and self._directions:
            way = _WAY.take(cycles.kind)
            time, address = cycles.time, cycles.address
            if not way.all():  # some are no transfers
                moved = np.flatnonzero(way)
                way, time, address = way[moved], time[moved], address[moved]
            self._runs.feed(time, way == kernel.WRITE, address)
        if len(cycles) and 0 < self._lanes <= kernel.ADDRESSES:
            columns = (
                cycles.time, cycles.kind, cycles.flags & np.uint16(_UNSURE), cycles.address, cycles.address_unknown,
                cycles.data, cycles.data_unknown,
            )  # fmt: skip
            kernel.look(
                columns, _WAY, _MEMORY, self._lanes, self._wired, self._slots, self._bits, self._state,
                self._changes,
            )

    def __getstate__(self) -> dict[str, Any]:
        """Of the table of addresses, most of which a machine has not, those that were seen."""
        seen = np.flatnonzero((self._slots != kernel.NO_KEY).any(axis=1))
        return {**self.__dict__, "_slots": (seen, self._slots[seen])}

    def __setstate__(self, state: dict[str, Any]) -> None:
        self.__dict__.update(state)
        seen, rows = state["_slots"]
        self._slots = np.full((kernel.SLOTS, kernel.SLOT_SIZE), kernel.NO_KEY, np.int64)
        self._slots[seen] = rows

    def found(self) -> tuple[LostLine, ...]:
        """The clips that are off, the plainest first."""
        if self._profile.family == "chip":
            return ()
        bits = settled(self._bits, self._state)
        rests = ended((self._before[self._words] & self._places) != 0, self._since, self._total, self._rests)
        lost = [*self._of_data(bits), *self._of_addresses(bits), *self._of_strobes(rests)]
        return tuple(sorted(lost, key=lambda one: -one.shown))

    def _of_data(self, bits: NDArray[np.int64]) -> Iterator[LostLine]:
        for bit, line in self._data.items():
            row = bits[kernel.ADDRESSES + bit]
            shown, others = int(row[kernel.BEST + kernel.SHOWN]), int(row[kernel.BEST + kernel.ODD])
            rest, other = int(row[kernel.BEST + kernel.COUNT]), int(row[kernel.OTHER])
            # A driver whose lane fails leaves the line to writes and to other cards, time and again.
            if rest < max(_FEW, _LONGER_THERE * other):
                continue
            if shown >= _ADDRESSES and shown >= _OTHERS * others:
                why = (
                    f"it rests in {count(rest)} transfers, in which {count(shown)} "
                    f"addresses that nobody wrote give what they gave before but for {line}"
                )
                yield LostLine(line, *_span(row), why, shown)

    def _of_addresses(self, bits: NDArray[np.int64]) -> Iterator[LostLine]:
        for bit, line in self._address.items():
            row = bits[bit] if bit < kernel.ADDRESSES else bits[0] * 0
            told = {name: int(row[kernel.BEST + getattr(kernel, name)]) for name in _TOLD}
            if told["ASIDE"] >= _ASIDE and _by_chance(told):
                told["FRESH"] = 0
            shown, others = told["SHOWN"] + told["FRESH"], told["ODD"] + told["MISSED"]
            bent = told["SHOWN"] >= _OTHER_SIDE and told["ALL"] >= _READS
            new = told["FRESH"] >= _NEW and told["NEXT"] >= _IN_A_ROW and told["COUNT"] >= _LONG
            # An address line that is stuck on the card shows the same where ROM is gone through, once for each half.
            if told["COUNT"] < _LONGER_THERE * int(row[kernel.OTHER]):
                continue
            turns = bent and told["BACK"] >= _TURNED
            if not (bent or new) or shown < (_AT_LEAST if turns else _BESIDE) * others:
                continue
            why = (
                f"it rests in {count(told['COUNT'])} cycles, in which {count(shown)} addresses that nobody wrote give "
                f"what stood on the other side of {line} before"
            )
            yield LostLine(line, *_span(row), why, shown)

    def _of_strobes(self, rests: NDArray[np.int64]) -> Iterator[LostLine]:
        for nth, line in enumerate(self._strobes):
            for level in (0, 1):
                row, other = rests[2 * nth + level], rests[2 * nth + 1 - level]
                longest, second = int(row[kernel.R_LONGEST]), int(row[kernel.R_SECOND])
                never_moved = row[kernel.R_OPEN] and not second and not other[kernel.R_LONGEST]
                if never_moved or longest < max(_LONGER * max(1, second), self._least(line, level, row)):
                    continue
                still = "high" if level else "low"
                why = (
                    f"it stays {still} while {count(longest)} addresses go by, where it never did for more than "
                    f"{count(second)}"
                )
                last = None if row[kernel.R_OPEN] else int(row[kernel.R_TO])
                yield LostLine(line, int(row[kernel.R_FROM]), last, why, longest)

    def _least(self, line: str, level: int, row: NDArray[np.int64]) -> int:
        """Addresses that must go by while the line rests at the level; more than there are, where it may."""
        never = int(row[kernel.R_LONGEST]) + 1
        one = self._profile.lines[line]
        if one.role == "clock":
            return _GONE_BY
        if line in self._directions:
            writes = level == int(one.active_low) and self._runs.like_a_program(_WRITES_ONLY)
            within = row[kernel.R_FROM] <= self._runs.longest.first and (
                row[kernel.R_OPEN] or self._runs.longest.first <= row[kernel.R_TO]
            )
            return _GONE_BY if writes and within else never
        if level == 1 - int(one.active_low):
            return _GONE_BY
        return _WITHOUT if line in self._reads and row[kernel.R_WRITES] < _WRITTEN * row[kernel.R_LONGEST] else never


def _by_chance(told: dict[str, int]) -> bool:
    """Whether the addresses that give what the other side gave are hardly more than those that give what some other
    place gave: code that does one thing many times over is alike everywhere."""
    return told["FRESH"] * told["ASIDE"] < _MORE * told["CHANCE"] * (told["FRESH"] + told["MISSED"])


def _span(row: NDArray[np.int64]) -> tuple[int, int | None]:
    """First and last tick of a bit's best rest; None as the last one where it is the present one, too."""
    first = int(row[kernel.BEST + kernel.FROM])
    return first, None if first == row[kernel.FROM] else int(row[kernel.BEST + kernel.TO])


def _lines(profile: Profile, layout: Layout, what: str) -> dict[int, str]:
    """Bit → the clipped line that carries it."""
    pieces = [p for source in (profile.addresses if what == "address" else profile.datas) for p in source.pieces]
    found: dict[int, str] = {}
    for piece in pieces:
        for line, bit in zip(line_names(piece.lines), bit_numbers(piece.bits), strict=True):
            if layout.wired(line):
                found.setdefault(bit, line)
    return found


def _named(profile: Profile, what: str, layout: Layout) -> tuple[str, ...]:
    given = getattr(profile.file.behaviour, what, ()) or ()
    return tuple(line for line in ((given,) if isinstance(given, str) else given) if layout.wired(line))


def _strobes(profile: Profile, layout: Layout) -> tuple[str, ...]:
    """The clipped lines that no bus leaves alone for long, at one level at the least."""
    roles = [line.name for line in profile.lines.values() if line.role in ("strobe", "clock")]
    return tuple(line for line in dict.fromkeys([*roles, *_named(profile, "direction", layout)]) if layout.wired(line))


def _mask(layout: Layout, lines: Iterable[str]) -> NDArray[np.uint64]:
    found = np.zeros(layout.words, np.uint64)
    for line in lines:
        place = layout.bit(line)
        found[place // 64] |= np.uint64(1 << place % 64)
    return found
