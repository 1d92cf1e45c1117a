"""``buffers``: direction, enable and every lane of the bus drivers, against the cycles."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.board import Board, Buffer
from busledger.decoder.bus import KIND_NAMES, Cycles, Layout, Profile
from busledger.decoder.capture import Capture
from busledger.decoder.checks.buffers import buffer_kernel as kernel
from busledger.decoder.checks.buffers.arrays import Carried, Drivers, PathSums, RegionLines, Served, Sides
from busledger.decoder.checks.buffers.buffer_counts import BufferCounts
from busledger.decoder.checks.buffers.buffer_verdict import buffer_findings, buffer_result
from busledger.decoder.checks.buffers.doubtful_reads import Doubtful
from busledger.decoder.checks.buffers.held import FEW_READS, held_few
from busledger.decoder.checks.lines import (
    READS,
    WRITES,
    Setting,
    kinds_of_regions,
    pins,
    relevant_mask,
    rule_strobes,
    ticks,
)
from busledger.decoder.checks.results import BuffersResult, worst_first
from busledger.decoder.checks.windows import CycleJoin, Joined

__all__ = ["BuffersCheck"]

# Doubled at once, and halved, the judged figures change no answer and no finding (as in checks/evidence.py).
STEP_NS = 20.0
"""Worst delay from side to side where the parts library has none; LS drivers take up to 18 ns (TI TTL Data Book)."""
LET_GO_NS = 28.0
"""Worst time to turn off: 74LS245, tPHZ (TI TTL Data Book)."""
_TRANSFERS = ("read", "write", "opcode-fetch", "io-read", "io-write", "dma-read", "dma-write")
_ADDRESS_LINE = re.compile(r"A[DB]?(\d+)$")


class BuffersCheck:
    """Feed every block with its cycles (regions filled in), then ``finish``."""

    def __init__(self, board: Board, profile: Profile, layout: Layout, tick_fs: int, grid_ticks: float | None) -> None:
        self._board, self._profile = board, profile
        self._setting = setting = Setting.of(layout, tick_fs, grid_ticks)
        self._join = CycleJoin(rule_strobes(profile, setting))
        self._skipped: list[str] = []
        self._data = [
            _Lanes(b, board, setting, Doubtful.of(b, board, profile, layout)) for b in board.buffers if b.lanes
        ]
        self._selects = _selects_of(board, setting)
        self._lines = [_Lanes(b, board, setting, Doubtful()) for b in board.buffers if b.lines]
        for one in self._lines:
            if not one.clipped:
                self._skipped.append(f"{one.buffer.designator}: no line of its card side is clipped")
        self._lines = [one for one in self._lines if one.clipped]
        for one in self._data:
            if not one.clipped and not one.pinned:
                self._skipped.append(
                    f"{one.buffer.designator}: neither its control lines nor its card side are clipped; "
                    "only what the near side shows is judged"
                )
        n = len(self._data)
        self._pin = np.array([one.pin for one in self._data], np.int64).reshape(n, kernel.PIN_SIZE)
        self._tally = np.zeros((n, kernel.TALLY_SIZE), np.int64)
        self._tally[:, [kernel.C_FIRST, kernel.C_OVERLAP_FIRST, kernel.C_TWO_FIRST]] = -1
        self._earlier = np.full(n, kernel.NEITHER, np.int8)
        # A direction line of the bus turns for every read there is, so that it does not say who drives.
        can_drive = np.array(
            [
                one.pin[kernel.P_ACTIVE] >= 0
                or (one.buffer.direction is not None and one.buffer.direction.line not in profile.lines)
                for one in self._data
            ],
            np.bool_,
        )
        self._skipped += [
            f"{one.buffer.designator}: no enable of it is clipped, and {one.buffer.direction.line} turns for every "
            "read: whether it fights others cannot be told"
            for one, known in zip(self._data, can_drive, strict=True)
            if one.pinned and not known and one.buffer.direction is not None
        ]
        shared = np.array([[_told_apart(a, b) for b in self._data] for a in self._data], np.bool_).reshape(n, n)
        control = [line for one in self._data for line in one.control]
        self._drivers = Drivers(
            can_be_off=np.array([one.pin[kernel.P_ACTIVE] >= 0 for one in self._data], np.bool_),
            can_drive=can_drive,
            pin=self._pin,
            shared=shared & np.outer(can_drive, can_drive),
            watched=relevant_mask(setting.words, pins(setting.names, control)),
            role=np.stack([one.role for one in self._data] or [np.zeros((1, 0), np.int8)], axis=-1),
            writes=WRITES,
            standing=np.zeros(n, np.int64),
        )
        self._address, self._near = (
            relevant_mask(
                setting.words,
                pins(
                    setting.names,
                    [x.name for x in profile.lines.values() if x.role == role and x.name in setting.clipped],
                ),
            )
            for role in ("address", "data")
        )
        self._last_address = np.uint32(0xFFFFFFFF)
        self._turn = ticks(LET_GO_NS, tick_fs)
        holds = [x.min for x in profile.limits() if x.measure == "write-data-hold" and x.min is not None]
        self._hold = ticks(min(holds, default=0.0), tick_fs)

    def feed(self, block: Capture, cycles: Cycles) -> None:
        """One block of levels and the cycles that the extractor gave for it."""
        self.take(self._join.feed(block, cycles))

    def finish(self, cycles: Cycles | None = None) -> BuffersResult:
        """Everything that was seen; ``cycles`` is the extractor's tail."""
        self.take(self._join.finish(cycles))
        results, findings = [], []
        for index, one in enumerate(self._data):
            tally = self._tally[index] if one.pinned else None
            counts = BufferCounts(
                one.buffer, "data", one.names, tally, one.table, one.first, one.delay, one.apart,
                one.held, one.words, one.paged, one.doubtful,
            )  # fmt: skip
            results.append(buffer_result(counts, self._setting))
            findings.extend(buffer_findings(counts, results[-1], self._setting))
        for one in self._lines:
            counts = BufferCounts(one.buffer, "address", one.names, None, one.table, one.first, one.delay, one.apart)
            results.append(buffer_result(counts, self._setting))
            findings.extend(buffer_findings(counts, results[-1], self._setting))
        return BuffersResult(buffers=tuple(results), findings=worst_first(findings), skipped=tuple(self._skipped))

    def take(self, joined: Sequence[Joined]) -> None:
        """As ``feed``, with the windows that a join shared by several checks has made of the block's cycles."""
        for one in joined:
            self._judge(one)

    def _judge(self, joined: Joined) -> None:
        cycles = joined.cycles
        roles = np.empty((len(cycles), len(self._data)), np.int8)
        if self._data:
            kernel.watch_controls(
                joined.windows, Served(cycles.region, cycles.kind, cycles.address_unknown), self._selects,
                roles, self._earlier, self._drivers,
                self._address, self._near, self._setting.skew_ticks, self._hold, self._turn, self._tally,
            )  # fmt: skip
        before, self._last_address = self._last_address, cycles.address[-1]
        for index, one in enumerate(self._data):
            role = np.ascontiguousarray(roles[:, index])
            one.keeps(role, before, cycles)
            if one.clipped:
                one.paths(joined, role, self._setting)
        for one in self._lines:
            role = one.roles(cycles)
            one.paths(joined, np.where(role >= 0, kernel.SERVED_WRITE, -1).astype(np.int8), self._setting)


def _selects_of(board: Board, setting: Setting) -> RegionLines:
    """The regions' selects, as clipped: a cycle whose select does not come is none that a driver has to serve."""
    lines = [r.select if r.select in setting.clipped else None for r in board.regions] + [None]
    at = [divmod(setting.names.index(line), 64) if line is not None else (0, 0) for line in lines]
    away = [2 if line is None else 1 - board.select_level(line) for line in lines]
    return RegionLines(
        np.array([word for word, _ in at], np.int64), np.array([bit for _, bit in at], np.uint64),
        np.array(away, np.int64),
    )  # fmt: skip


def _told_apart(one: _Lanes, other: _Lanes) -> bool:
    """Whether two buffers have lanes in common and control lines that are not the very same."""
    same_pins = one.pin == other.pin
    return not same_pins and bool(set(one.buffer.lanes) & set(other.buffer.lanes))


def _role_table(served: NDArray[np.bool_]) -> NDArray[np.int8]:
    """int8 (regions, kinds of cycle): what one is to a buffer that serves these regions, the last one none."""
    kinds = np.arange(len(KIND_NAMES))
    table = np.full((len(served), len(kinds)), kernel.NEITHER, np.int8)
    moves = np.array([name in _TRANSFERS for name in KIND_NAMES], np.bool_)
    for mask, mine, other in (
        (READS, kernel.SERVED_READ, kernel.OTHER_READ),
        (WRITES, kernel.SERVED_WRITE, kernel.OTHER_WRITE),
    ):
        table[:, mask & moves] = np.where(served, mine, other)[:, None]
    return table


class _Lanes:
    """One buffer's lines and the kernel's arrays for them."""

    def __init__(self, buffer: Buffer, board: Board, setting: Setting, doubtful: Doubtful) -> None:
        self.buffer, self.doubtful = buffer, doubtful
        self.numbers = np.array(buffer.lanes, np.int64)
        near = [f"D{lane}" for lane in buffer.lanes] if buffer.lanes else list(buffer.lines)
        self._latched = buffer.part.kind == "latch" and not buffer.lanes
        pairs = [
            (name, buffer.far_side[name])
            for name in near
            if name in buffer.far_side
            and buffer.far_side[name] in setting.clipped
            and (name in setting.clipped or (self._latched and _ADDRESS_LINE.match(name)))
        ]
        self.names = tuple(pairs) if pairs else tuple((name, None) for name in near)
        self.clipped = bool(pairs)
        self._lane_bits = [int(name[1:]) for name, _ in pairs] if buffer.lanes else []
        self._address_bits = [int(m.group(1)) if (m := _ADDRESS_LINE.match(n)) else 0 for n, _ in pairs]
        self._near = pins(setting.names, [n if n in setting.clipped else far for n, far in pairs])
        self._far = pins(setting.names, [far for _, far in pairs])
        self.pin = self._control(setting)
        self.pinned = self.pin[kernel.P_TO_CPU] >= 0 or self.pin[kernel.P_ACTIVE] >= 0
        self.role = _role_table(np.array([r.name in buffer.serves for r in board.regions] + [False], np.bool_))
        self.table = np.zeros((len(pairs), 4, 2, 2, 2), np.int64)
        self.first = np.full(len(pairs), -1, np.int64)
        self.delay = np.zeros((len(pairs), 2, kernel.BINS), np.int64)
        self.apart = np.zeros((len(pairs), len(pairs)), np.int64)
        self.held = np.zeros((len(buffer.lanes) + 1, 2, 2), np.int64)
        self.words = np.zeros((2, 256), np.int64)
        self.paged = 0
        self._cycles = 0
        # The other channel may be late by a sample, and what it shows then is seen up to a sample later.
        self._settle = ticks(self._through_ns(), setting.tick_fs) + setting.skew_ticks

    def _through_ns(self) -> float:
        found = [ns for d in self.buffer.part.delays for ns in (d.tplh_max, d.tphl_max) if ns and d.path == "data"]
        return max(found, default=STEP_NS)

    @property
    def control(self) -> list[str]:
        """The lines of its direction and its enable that are clipped."""
        pin = ((self.buffer.direction, kernel.P_TO_CPU), (self.buffer.enable, kernel.P_ACTIVE))
        return [one.line for one, column in pin if one is not None and self.pin[column] >= 0]

    def _control(self, setting: Setting) -> list[int]:
        pin = [0, 0, -1, 0, 0, -1]
        direction, enable = self.buffer.direction, self.buffer.enable
        if direction is not None and direction.line in setting.clipped:
            word, bit = divmod(setting.names.index(direction.line), 64)
            pin[:3] = [word, bit, direction.level]
        if enable is not None and enable.line in setting.clipped:
            word, bit = divmod(setting.names.index(enable.line), 64)
            pin[3:] = [word, bit, enable.level]
        return pin

    def roles(self, cycles: Cycles) -> NDArray[np.int8]:
        """int8 (k,): what each cycle is to this buffer; cycles that move no data are left out."""
        role: NDArray[np.int8] = self.role.reshape(-1).take(kinds_of_regions(cycles), mode="wrap")
        role[cycles.address_unknown != 0] = kernel.NEITHER
        return role

    def keeps(self, role: NDArray[np.int8], before: np.uint32, cycles: Cycles) -> None:
        """Counts what reads gave beside what the bus carried before; ``before`` the address of the cycle before."""
        carried = Carried(cycles.address, cycles.data, cycles.data_unknown, cycles.kept)
        self._cycles += len(cycles)
        count = held_few if self._cycles <= FEW_READS else kernel.held_lanes
        self.paged += int(count(role, before, carried, self.numbers, self.held, self.words))

    def paths(self, joined: Joined, role: NDArray[np.int8], setting: Setting) -> None:
        """Runs the lane kernel over the cycles."""
        cycles = joined.cycles
        kept = np.zeros(len(cycles), np.uint32)
        stated = np.zeros(len(cycles), np.uint32)
        for place, bit in enumerate(self._lane_bits):
            kept |= ((cycles.kept >> np.uint32(bit)) & np.uint32(1)) << np.uint32(place)
        if self._latched:
            for place, bit in enumerate(self._address_bits):
                stated |= ((cycles.address >> np.uint32(bit)) & np.uint32(1)) << np.uint32(place)
        kernel.lane_paths(
            joined.windows, role, kept, stated, self._latched,
            Sides(self._near.word, self._near.bit, self._far.word, self._far.bit),
            setting.skew_ticks, self._settle, setting.bin_ticks, int(self.buffer.part.inverting),
            PathSums(self.table, self.first, self.delay, self.apart),
        )  # fmt: skip
