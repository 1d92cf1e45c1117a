"""One case: a machine, its program, what is wrong with it, and the capture of it in a folder."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import numpy.typing as npt

from tests.outside.fourth.analyser import Analyser, channel_names, draw_analyser, sample, write_vcd
from tests.outside.fourth.layout import Board, board_file
from tests.outside.fourth.ledger import Account, account
from tests.outside.fourth.physics import Fault, Overlay, Trace, run_card
from tests.outside.fourth.processors import Assembler, Cycle
from tests.outside.fourth.program import Phase
from tests.outside.fourth.waves import CLOCKED, Painter, Timing, draw_timing, durations


@dataclass
class Case:
    """Everything of one capture. `image` is the ROM image of the board file, where it is another than the ROM."""

    board: Board
    seed: int
    kind: str
    cycles: list[Cycle] = field(default_factory=list)
    marks: list[int] = field(default_factory=list)
    starts: npt.NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    timing: Timing = field(default_factory=lambda: Timing(1000.0, 0.1, 300.0))
    analyser: Analyser = field(default_factory=lambda: Analyser(50.0, 0.0))
    faults: list[Fault] = field(default_factory=list)
    overlay: Overlay | None = None
    trace: Trace = field(default_factory=Trace)
    account: Account = field(default_factory=lambda: Account([], [], {}))
    image: bytes | None = None
    answers: list[list[dict[str, Any]]] = field(default_factory=list)
    hurts: list[int] = field(default_factory=list)
    rivals: list[str] = field(default_factory=list)
    note: str = ""

    @property
    def gap(self) -> tuple[int, int] | None:
        """The cycles that the analyser lost, widened by two."""
        if not self.analyser.gap:
            return None
        total = self.starts[-1]
        a, b = (int(np.searchsorted(self.starts, share * total)) for share in self.analyser.gap)
        return max(0, a - 2), b + 2

    def assemble(self, phases: list[Phase], rng: Random, rounds: int = 1, most: int = 45_000) -> None:
        """Lays the program out and times it, for at most so many cycles."""
        self.board.rom[:] = rng.randbytes(len(self.board.rom))
        run = Assembler(self.board).run(phases, rounds)
        self.cycles, self.marks = run.cycles[:most], run.marks
        self.timing = draw_timing(self.board.bus, rng)
        lengths = durations(self.board.bus, self.cycles, self.timing)
        self.starts = np.concatenate(([0.0], np.cumsum(lengths)[:-1])) + 200.0
        clock = self.timing.clock
        strobe = {"z80": clock, "8085": 0.5 * clock}.get(self.board.bus, 0.49 * clock)
        if self.board.bus == "6809":
            strobe = 0.5 * clock
        self.analyser = draw_analyser(rng, strobe)

    def play(self, faults: list[Fault] | None = None) -> Trace:
        """Runs the machine with the case's faults, or others."""
        chosen = self.faults if faults is None else faults
        return run_card(self.board, self.cycles, self.starts, chosen, self.seed, self.overlay)

    def settle(self) -> None:
        """Runs it and keeps the account."""
        self.trace = self.play()
        self.account = account(self.board, self.cycles, self.trace, self.gap)

    def used_cells(self) -> list[int]:
        """Addresses of the rows that the program touches."""
        return sorted({a for _, a, _, _ in self.cycles if self.board.row_at(a) >= 0})

    def lines(self) -> list[str]:
        """The lines with a clip."""
        bus = self.board.bus
        names = [f"A{i}" for i in range(8 if bus == "8085" else 0, 16)] + [f"D{i}" for i in range(8)]
        names += {
            "z80": ["MREQ", "IORQ", "RD", "WR", "M1", "RFSH"],
            "8085": ["ALE", "RD", "WR", "IOM", "S0", "S1"],
            "6502": ["PHI2", "RW", "SYNC"],
            "6800": ["PHI2", "RW", "VMA"],
            "6809": ["E", "Q", "RW", "BS"],
        }[bus]
        names += [driver.enable for driver in self.board.drivers if driver.enable and "D0" in names]
        if self.board.selects_clipped:
            names += [row.select for row in self.board.rows]
        names = [name for name in dict.fromkeys(names) if name not in self.board.unclipped]
        return names

    def write(self, folder: Path) -> None:
        """Writes capture, board file, ROM image and truth."""
        folder.mkdir(parents=True, exist_ok=True)
        rng = Random(self.seed ^ 0x5A5A)
        waves = Painter(self.board, self.timing, rng).paint(self.cycles, self.trace, self.starts.tolist())
        lines = self.lines()
        for line in lines:
            if line not in waves.edges:
                waves.put(line, 0.0, 1 if line in ("MREQ", "IORQ", "RD", "WR", "M1", "RFSH") else 0)
        samples, n = sample(waves, lines, self.analyser, rng)
        names, table = channel_names(lines, rng)
        if self.board.bus == "8085" and not table:
            names |= {f"D{i}": f"AD{i}" for i in range(8)}
        if self.board.without_board and table:
            names, table = {line: line for line in lines}, False
        wiring = {f"A{k}" if self.board.bus == "8085" and k[0] == "D" else k: v for k, v in names.items()}
        write_vcd(folder / "capture.vcd", samples, names, n, self.analyser, rng)
        if not self.board.without_board:
            (folder / "board.toml").write_text(board_file(self.board, wiring if table else None))
        (folder / "monitor.bin").write_bytes(self.image or bytes(self.board.rom))
        (folder / "truth.json").write_text(json.dumps(self.truth(), indent=1))

    def truth(self) -> dict[str, Any]:
        """What is true, for the scorer and for readers."""
        return {
            "kind": self.kind,
            "seed": self.seed,
            "profile": self.board.bus,
            "note": self.note,
            "without_board": self.board.without_board,
            "manifested": bool(self.account.wrong),
            "reads_compared": len(self.account.compared),
            "mismatch_total": len(self.account.wrong),
            "regions": {name: {"compared": c, "mismatches": w} for name, (c, w) in self.account.by_row.items()},
            "rivals": self.rivals,
            "faults": [
                describe(self.board, fault)
                | {
                    "mode": fault.mode,
                    "rate": fault.rate,
                    "path": fault.path,
                    "level": fault.level,
                    "age_ns": fault.age,
                }
                | {"hurts": self.hurts[i] if i < len(self.hurts) else None}
                | {"distinguishable": self.answers[i] if i < len(self.answers) else [describe(self.board, fault)]}
                for i, fault in enumerate(self.faults)
            ],
            "clock_ns": self.timing.clock,
            "waits": self.timing.waits,
            "sample_ns": self.analyser.period,
            "strays": self.analyser.strays,
            "gap": self.analyser.gap,
            "floats": self.board.floats,
            "selects_clipped": self.board.selects_clipped,
            "unclipped": sorted(self.board.unclipped),
            "clocked": self.board.bus in CLOCKED,
        }


def describe(board: Board, fault: Fault) -> dict[str, Any]:
    """A fault in the words of the contract."""
    row = board.rows[fault.rows[0]]
    return {
        "component": fault.component,
        "fault": fault.kind,
        "scope": fault.scope,
        "regions": [board.rows[r].name for r in fault.rows],
        "lanes": [f"D{lane}" for lane in fault.lanes],
        "address_lines": [f"A{line}" for line in fault.lines],
        "address": None if fault.cell is None else row.start + fault.cell,
        "other": board.rows[fault.other].name if fault.other >= 0 else None,
        "aggressor": row.start + fault.aggressor if fault.kind == "coupled" else None,
    }
