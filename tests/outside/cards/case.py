"""Makes one case: a card, what is wrong with it, the capture, and the truth."""

from __future__ import annotations

import json
import lzma
import math
import random
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from . import cpus, waves
from .bench import FLAG, Bench
from .board import Board, decode, to_toml
from .choose import Chooser
from .draw import draw_board
from .faults import Fault, activity
from .traffic import draw_traffic
from .truth import Judge
from .vcd import Writer

KINDS = ("healthy", "single-hard", "single-intermittent", "double", "many")


@dataclass
class Case:
    """One capture with its board file and the truth."""

    seed: int
    kind: str
    vcd: bytes
    board: str
    image: bytes | None
    truth: dict[str, Any]
    parts: list[str] = field(default_factory=list)
    wiring: dict[str, str] = field(default_factory=dict)
    accesses: list[tuple[str, int, int]] = field(default_factory=list)


def free_code(rng: random.Random, board: Board) -> list[tuple[int, int]]:
    """Places for program that no region and no select answers for."""
    level = {"PHI2": 1, "E": 1, "VMA": 1, "MREQ": 0, "IOM": 0, "RFSH": 1}
    out: list[tuple[int, int]] = []
    for _ in range(4000):
        start = rng.randrange(0x0100, 0xFE00) & 0xFF80
        length = rng.choice([64, 128, 256])
        clear = True
        for address in range(start, start + length, 32):
            pins = {**level, **{f"A{n}": address >> n & 1 for n in range(16)}}
            if board.region_at(address) >= 0 or any(decode(d, pins) for d in board.decoders):
                clear = False
                break
        if clear and start + length < 0xFFF0:
            out.append((start, length))
            if len(out) == 3:
                break
    return out


def loose_lines(rng: random.Random, board: Board, addresses: npt.NDArray[np.int64]) -> list[str]:
    """High address lines that may be left off: what is wired still tells regions and other traffic apart."""
    left: list[int] = []
    outside = sorted({a for a in addresses.tolist() if board.region_at(a) < 0})
    wanted = rng.randint(1, 3)
    for line in range(15, 11, -1):
        mask = 0xFFFF & ~sum(1 << n for n in [*left, line])
        if any(region.bits > line for region in board.regions):
            break
        places: dict[int, int] = {}
        clash = False
        for index, region in enumerate(board.regions):
            for page in range(region.start & mask, (region.start & mask) + region.size, 64):
                clash |= places.setdefault(page, index) != index
        clash |= any((a & mask & ~63) in places for a in outside)
        if not clash:
            left.append(line)
        if len(left) == wanted:
            break
    return [f"A{n}" for n in left]


class Maker:
    """Everything about one case that is drawn."""

    def __init__(self, seed: int, kind: str, bus: str | None, cycles: int | None) -> None:
        self.rng = rng = random.Random(f"{seed} {kind}")
        self.np_rng = np.random.default_rng(rng.randrange(1 << 40))
        while True:
            self.board = draw_board(rng, kind == "many", bus)
            code = free_code(rng, self.board)
            if code:
                break
        board = self.board
        rom = next((r for r in board.regions if r.kind == "rom"), None)
        self.image = bytes(rng.randrange(256) for _ in range(rom.size)) if rom else None
        if rom and rng.random() < 0.8:
            code = [(rom.start, rom.size)] if rng.random() < 0.5 else [*code, (rom.start, rom.size)]
        outside = [rng.randrange(256) for _ in range(0x10000)]
        most = cycles or int(math.exp(rng.uniform(math.log(5000), math.log(36000))))
        if cycles is None and rng.random() < 0.04:
            most = 60000
        areas = [(r.start, r.size) for r in board.regions if r.kind == "ram"]
        self.program, ops = draw_traffic(rng, areas, max(400, int(most / 3.6)))
        self.cycles = cpus.run(rng, board.bus, ops, code, outside, most)
        self.clock = rng.choice(waves.CLOCKS[board.bus])
        rates = waves.rates_for(board.bus, self.clock)
        self.rate = rng.choice(rates)
        self.spread = rng.choice([0.0, 0.3, 0.6, 0.95])
        self.pull = rng.choice([None, None, 0xFF, 0xFF, 0x00])
        self.contention = rng.choices(["and", "or", "random"], weights=[85, 5, 10])[0]
        length = np.full(len(self.cycles), self.clock)
        if board.bus in ("z80", "8085", "8080"):
            length = self.clock * self.cycles.states
        self.when = np.concatenate([[0.0], np.cumsum(length)[:-1]]).astype(np.int64)
        self.bench = Bench(board, self.cycles, waves.before_read(board.bus, self.cycles), self.when, self.image,
                           self.np_rng, self.pull, self.contention)  # fmt: skip

    def draw_faults(self, kind: str) -> list[Fault]:
        """What is wrong, each of it seen by itself where possible."""
        rng = self.rng
        healthy = self.bench.run([], np.zeros((1, len(self.cycles)), np.uint8))
        self.bench.freeze(healthy)
        cells, ages = self.bench.touched()
        if kind == "healthy" or not any(cells.values()):
            return []
        chooser = Chooser(rng, self.board, cells, ages)
        if kind == "single-hard":
            return [self.visible(lambda: chooser.any())]
        if kind == "single-intermittent":
            return [self.visible(lambda: chooser.now_and_then(chooser.any()))]
        if kind == "double":

            def some() -> Fault:
                fault = chooser.any()
                return chooser.now_and_then(fault) if rng.random() < 0.4 else fault

            return [self.visible(some), self.visible(some)]
        return self.draw_many(chooser)

    def draw_many(self, chooser: Chooser) -> list[Fault]:
        """Mostly chips; now and then a driver's lane, a row, an address line, a select."""
        rng = self.rng
        chips = [i for i, c in enumerate(self.board.chips) if c.region in chooser.live]
        rng.shuffle(chips)
        count = rng.choice([2, 2, 3, 3, 4, 4, 5, 6, 7, 8, 9, 10, 12, 14, 16])
        count = max(2, min(count, int(len(chips) * 0.7)))
        out: list[Fault] = []

        def wide(ways: list[Any]) -> None:
            fault = self.visible(lambda: next((f for f in (rng.choice(ways)() for _ in range(30)) if f), chooser.any()))
            out.append(fault)

        pick = rng.random()
        if pick < 0.2 and self.board.data_buffers():
            wide([chooser.buffer])
        elif pick < 0.3:
            wide([chooser.row])
        elif pick < 0.38:
            wide([chooser.board_wide])
        elif pick < 0.44 and self.board.decoders:
            wide([chooser.select])
        while len(out) < count and chips:
            index = chips.pop()

            def one(index: int = index) -> Fault:
                for _ in range(40):
                    fault = chooser.chip(index)
                    if fault is not None:
                        return chooser.now_and_then(fault) if rng.random() < 0.12 else fault
                return chooser.any()

            out.append(self.visible(one))
            if rng.random() < 0.08 and len(self.board.chips[index].lanes) > 1:
                second = self.visible(one)
                if second.lanes and not set(second.lanes) & set(out[-1].lanes):
                    out.append(second)
        return out

    def visible(self, draw: Any) -> Fault:
        """A fault that hurts some compared read by itself, if a few tries give one."""
        fault: Fault = draw()
        for _ in range(8):
            if fault.scope == "bus" and not fault.intermittent:
                fault.variant = "edge"
            row = activity(fault, self.when, np.random.default_rng(self.rng.randrange(1 << 40)))
            fault.pattern = row
            if self.bench.wrong(self.bench.run([fault], row[None, :])).any():
                return fault
            fault = draw()
        fault.pattern = activity(fault, self.when, self.np_rng)
        return fault

    def unknown_after(self, gap: tuple[float, float] | None) -> FLAG:
        """Compared reads that a gap makes worthless: inside it, or of cells not written since."""
        hidden = np.zeros(len(self.cycles), np.bool_)
        if gap:
            t = self.when + 300.0
            ram_old = (self.bench.written_at >= 0) & (t[self.bench.written_at] < gap[1] + 4000.0)
            hidden = (t > gap[0] - 4000.0) & (ram_old | (t < gap[1] + 4000.0))
        return hidden


def make(
    seed: int, kind: str, faults: list[Fault] | None = None, *, bus: str | None = None, cycles: int | None = None
) -> Case:
    """One case. kind: one of KINDS. faults: instead of drawn ones, for this seed and kind's card."""
    maker = Maker(seed, kind, bus, cycles)
    rng, board = maker.rng, maker.board
    drawn = maker.draw_faults(kind)
    chosen = drawn if faults is None else faults
    for fault in chosen:
        if fault.pattern is None:
            fault.pattern = activity(fault, maker.when, maker.np_rng)
    active = np.zeros((1, len(maker.cycles)), np.uint8)
    if chosen:
        active = np.stack([f.pattern for f in chosen if f.pattern is not None])
    bench = Bench(board, maker.cycles, maker.bench.pre, maker.when, maker.image, np.random.default_rng(seed),
                  maker.pull, maker.contention)  # fmt: skip
    bench.memory = maker.bench.memory
    bench.noise = maker.bench.noise
    bench.freeze(bench.run(chosen, active))
    maker.bench = bench
    full = bench.run(chosen, active)
    drawing = waves.Scope(rng, board, maker.cycles, full.seen, full.driven, full.selected, maker.clock,
                          1000.0 / maker.rate, maker.spread, maker.pull).draw()  # fmt: skip
    with_select = [i for i, r in enumerate(board.regions) if r.select]
    share = rng.choice([0.0, 0.0, 1.0, 1.0, 0.5])
    clipped = [i for i in with_select if rng.random() < share]
    for index in with_select:
        if index not in clipped:
            del drawing.lines[board.regions[index].select or ""]
    if "DDIR" in drawing.lines and rng.random() < 0.5:
        del drawing.lines["DDIR"]
    memory = np.isin(maker.cycles.kind, [cpus.READ, cpus.WRITE, cpus.FETCH])
    if board.bus == "6809":
        memory |= maker.cycles.kind == cpus.IDLE  # FFFF is seen on the address lines
    unwired = loose_lines(rng, board, maker.cycles.address[memory]) if rng.random() < 0.2 else []
    writer = Writer(rng, drawing, 1000.0 / maker.rate, maker.spread, unwired)
    if rng.random() < 0.4:
        writer.pulses(rng.choice([3, 10, 30, 100]))
    gap = None
    if rng.random() < 0.08:
        length = int(writer.last * rng.uniform(0.002, 0.03))
        at = rng.randrange(writer.last // 10, writer.last - length - writer.last // 10)
        gap = (at, at + length)
    recording = writer.write({board.regions[i].select or "" for i in clipped}, gap)
    judge = Judge(bench, chosen, active, clipped, maker.unknown_after(recording.gap))
    rows = judge.fault_rows()
    parts = judge.part_rows(rows)
    truth = {
        "kind": kind, "seed": seed, "profile": board.bus, "program": maker.program, "board": board.title,
        "faults": rows, "parts": parts, "manifested": any(r["manifested"] for r in rows), **judge.totals(),
        "dropout": recording.gap is not None, "unwired": unwired,
        "clipped": [board.regions[i].select for i in clipped], "sample_rate": maker.rate * 1e6,
        "clock_ns": maker.clock, "skew_samples": maker.spread,
        "float_mode": "keep" if maker.pull is None else "pull", "pull": maker.pull, "contention": maker.contention,
        "designators": board.designators(),
    }  # fmt: skip
    image = maker.image if any(r.image for r in board.regions) else None
    mine = np.isin(maker.cycles.kind, [cpus.READ, cpus.WRITE, cpus.FETCH])
    columns = (maker.cycles.kind[mine], maker.cycles.address[mine], full.seen[mine])
    accesses = [("w" if k == cpus.WRITE else "r", a, d) for k, a, d in zip(*(c.tolist() for c in columns), strict=True)]
    text = to_toml(board, recording.wiring)
    return Case(seed, kind, recording.text, text, image, truth, board.designators(), recording.wiring, accesses)


def write(case: Case, folder: Path | str, packed: bool = True) -> Path:
    """Writes a case into a folder; gives the path of the capture."""
    place = Path(folder)
    place.mkdir(parents=True, exist_ok=True)
    (place / "board.toml").write_text(case.board)
    (place / "truth.json").write_text(json.dumps(case.truth, indent=1))
    if case.image is not None:
        (place / "image.bin").write_bytes(case.image)
    path = place / ("capture.vcd.xz" if packed else "capture.vcd")
    path.write_bytes(lzma.compress(case.vcd, preset=1) if packed else case.vcd)
    return path
