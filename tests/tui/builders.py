"""Small sessions made from arrays: a clocked bus whose lines, cycles and faults are known beforehand.

The card: a loom controller with two banks of two four-bit chips. Each cycle is
100 ticks of 10 ns: address and RW change at 10, PHI2 rises at 50, data is there
at 60, PHI2 falls at 100, which is the sampling edge.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.columns import Cycles, Flag, Kind
from busledger.decoder.capture.columns import Capture
from busledger.decoder.findings import (
    CaptureFinding,
    CheckResult,
    CycleCounts,
    LaneCounts,
    NextStep,
    RegionCounts,
    Suspect,
)
from busledger.decoder.ledger.columns import Compared, Verdict
from busledger.decoder.progress import Progress, silent
from busledger.decoder.store import DETAIL_ROWS, Store, StoredLine, StoredRegion, StoredRule, StoreFacts
from busledger.decoder.store.writer import StoreWriter

TICK_FS = 10_000_000
PERIOD = 100
LINES = ("PHI2", "RW", *(f"A{n}" for n in range(16)), *(f"D{n}" for n in range(8)), "CS0", "CS1")
STUCK_LANE = 5


@dataclass(frozen=True)
class FakeChip:
    designator: str
    lanes: tuple[int, ...]


@dataclass(frozen=True)
class FakeRegion:
    name: str
    chips: tuple[FakeChip, ...]


@dataclass(frozen=True)
class FakePart:
    designator: str
    lanes: tuple[int, ...] = ()
    lines: tuple[str, ...] = ()


@dataclass(frozen=True)
class FakeBoard:
    name: str
    regions: tuple[FakeRegion, ...]
    decoders: tuple[FakePart, ...] = ()
    buffers: tuple[FakePart, ...] = ()


BOARD = FakeBoard(
    "Loom controller",
    (
        FakeRegion("bank0", (FakeChip("U1", (0, 1, 2, 3)), FakeChip("U2", (4, 5, 6, 7)))),
        FakeRegion("bank1", (FakeChip("U3", (0, 1, 2, 3)), FakeChip("U4", (4, 5, 6, 7)))),
    ),
    decoders=(FakePart("U9"),),
    buffers=(FakePart("U10", lanes=tuple(range(8))), FakePart("U11", lines=("A0", "A1"))),
)


@dataclass
class FakeSession:
    store: Store
    result: CheckResult
    board: FakeBoard | None = field(default_factory=lambda: BOARD)
    capture_path: str = "loom.vcd"
    board_path: Path | None = None


def facts(region_names: tuple[str, ...] = ("bank0", "bank1"), data_bits: int = 8) -> StoreFacts:
    """Two regions of 1 KiB at 0 and 0x400."""

    def role(name: str) -> str:
        letter = name.rstrip("0123456789")
        return {"A": "address", "D": "data", "CS": "select"}.get(letter, "control")

    return StoreFacts.model_validate(
        {
            "tick_fs": TICK_FS,
            "lines": tuple(
                StoredLine.model_validate({"name": name, "role": role(name), "active_low": name.startswith("CS")})
                for name in LINES
            ),
            "regions": tuple(
                StoredRegion(name=name, start=1024 * n, end=1024 * n + 1023) for n, name in enumerate(region_names)
            ),
            "rules": (StoredRule(name="transfer", setup_ticks=20, hold_ticks=3),),
            "profile": "6502",
            "data_bits": data_bits,
        }
    )


def columns(start: int, stop: int, total: int) -> tuple[Capture, Cycles, Compared]:
    """Cycles ``start:stop`` of a run: each cell is written, then read back; D5 of bank1 reads low every 7th read."""
    n = np.arange(start, stop, dtype=np.int64)
    cell = (n // 2) % 2048
    write = n % 2 == 0
    value = (cell * 37 + (n // 4096) * 11) & 0xFF
    bank1 = cell >= 1024
    wrong = ~write & bank1 & (n % 7 == 0) & (value >> STUCK_LANE & 1 == 1)
    data = np.where(wrong, value & ~(1 << STUCK_LANE), value)
    cycles = Cycles.empty(len(n))
    cycles.sample[:] = n * 4 + 3
    cycles.time[:] = n * PERIOD + 100
    cycles.kind[:] = np.where(write, Kind.WRITE, Kind.READ)
    cycles.address[:] = cell
    cycles.data[:] = data
    cycles.kept[:] = data
    cycles.region[:] = bank1
    cycles.flags[:] = np.where(n % 50 == 49, Flag.UNSETTLED, 0)
    cycles.width[:] = 1
    compared = Compared.empty(len(n))
    compared.verdict[:] = np.where(write, Verdict.WRITE, np.where(wrong, Verdict.MISMATCH, Verdict.AGREES))
    compared.expected[:] = value
    compared.known[:] = np.where(write, 0, 0xFF)
    compared.mismatch[:] = np.where(wrong, 1 << STUCK_LANE, 0)
    compared.writer[:] = np.where(write, -1, n - 1)

    time = (n[:, None] * PERIOD + np.array([10, 50, 60, 100])).ravel()
    address = cell.astype(np.uint64) << np.uint64(2)
    read = (~write).astype(np.uint64) << np.uint64(1)
    selects = (bank1.astype(np.uint64) << np.uint64(26)) | ((~bank1).astype(np.uint64) << np.uint64(27))
    base = address | read | selects
    before = np.roll(data, 1).astype(np.uint64) << np.uint64(18)
    now = data.astype(np.uint64) << np.uint64(18)
    one = np.uint64(1)
    levels = np.stack([base | before, base | before | one, base | now | one, base | now], 1).reshape(-1, 1)
    return Capture(time, levels, np.zeros_like(levels), TICK_FS), cycles, compared


def moved_of(capture: Capture, rows: int = DETAIL_ROWS) -> NDArray[np.uint64]:
    """What ``Store.moved`` holds, row by row: the plain twin of the store's own way."""
    words = capture.levels.shape[1]
    groups = np.zeros((-(-len(capture) // rows), words), np.uint64)
    for row in range(1, len(capture)):
        for word in range(words):
            levels = int(capture.levels[row, word]) ^ int(capture.levels[row - 1, word])
            unknown = int(capture.unknown[row, word]) ^ int(capture.unknown[row - 1, word])
            groups[row // rows, word] |= np.uint64(levels | unknown)
    return groups


def make_store(
    entry: Path, total: int = 4096, *, chunk: int = 1 << 20, names: tuple[str, ...] = ("bank0", "bank1")
) -> Store:
    """Write a run of ``total`` cycles."""
    with StoreWriter(entry) as writer:
        for start in range(0, total, chunk):
            capture, cycles, compared = columns(start, min(total, start + chunk), total)
            writer.add_capture(capture)
            writer.add_cycles(cycles)
            writer.add_compared(compared)
        return writer.finish(facts(names))


def make_result(store: Store) -> CheckResult:
    """What ``check`` would say of the run: one suspect, one rival."""
    wrong = len(store.mismatch_rows)
    regions = tuple(
        RegionCounts(
            name=region.name,
            writes=1024,
            reads=1024,
            reads_compared=1024,
            mismatches=wrong if n == 1 else 0,
            reads_unknown=0,
            reads_stale=0,
            reads_disagree=0,
            lanes=tuple(
                LaneCounts(
                    lane=f"D{lane}",
                    compared=1024,
                    low_for_high=wrong if n == 1 and lane == STUCK_LANE else 0,
                    high_for_low=0,
                )
                for lane in range(8)
            ),
            start=region.start,
            end=region.end,
        )
        for n, region in enumerate(store.facts.regions)
    )
    suspect = Suspect(
        rank=1,
        fault="stuck-low",
        scope="chip",
        component="U4",
        region="bank1",
        lanes=("D5",),
        intermittent=True,
        rate=0.14,
        rate_95=(0.12, 0.16),
        probability=0.91,
        explains=wrong,
        contradicted=0,
        summary="U4 (2114, bank1) reads D5 low where it was written high",
        evidence=("every wrong read is low on D5", "bank0 shares the bus lane and is never wrong"),
        first_cycles=tuple(int(r) for r in store.mismatch_rows[:3]),
    )
    rival = suspect.model_copy(
        update={
            "rank": 2,
            "fault": "floating",
            "probability": 0.06,
            "summary": "U4 does not drive D5",
            "evidence": ("the bus would keep its last level",),
        }
    )
    return CheckResult(
        capture=CaptureFinding(
            path="loom.vcd", duration_s=0.004, channels=28, samples=len(store.capture), resolution_s=1e-8
        ),
        profile="6502",
        board="Loom controller",
        cycles=CycleCounts(total=len(store), by_kind={"read": len(store) // 2, "write": len(store) // 2}),
        regions=regions,
        mismatch_total=wrong,
        suspects=(suspect, rival),
        next_steps=(NextStep(text="Swap U4 with U2 and see whether the fault follows the chip", gain_bits=0.8),),
    )


def make_session(folder: Path, total: int = 4096, **more: object) -> FakeSession:
    """A session over a store in ``folder``."""
    folder.mkdir(exist_ok=True)
    store = make_store(folder / "entry", total)
    session = FakeSession(store, make_result(store))
    for name, value in more.items():
        setattr(session, name, value)
    return session


def factory_of(session: FakeSession) -> Callable[[Progress], FakeSession]:
    """A factory that gives a ready session."""

    def factory(progress: Progress = silent) -> FakeSession:
        progress("decode", 1, 1, "cycles")
        return session

    return factory
