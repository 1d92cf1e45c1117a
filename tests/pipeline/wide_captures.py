"""Captures of 16-bit machines for tests: accesses in, a VCD of the pins out, with faulty chips between.

Pins move as the processors' manuals draw them: M68000 User's Manual pp. 5-4 and 4-5 (reads and writes at 8 MHz) and
Intel 8086 data sheet (231455), figure "8086 Bus Timing - Minimum Mode System".
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from tests.external.waveform import Wave


@dataclass(frozen=True)
class Access:
    """One access: ``lanes`` 1 = D0-D7 moves, 2 = D8-D15, 3 = both; ``data`` as on the bus, 16 bits."""

    write: bool
    address: int
    lanes: int
    data: int


class Memory:
    """Sixteen data lanes of memory by word; ``bend`` is what the faulty chips make of a word that is read."""

    def __init__(self, bend: Callable[[int, int], int] = lambda _address, word: word) -> None:
        self.words: dict[int, int] = {}
        self.bend = bend
        self.log: list[Access] = []

    def write(self, address: int, data: int, lanes: int = 3) -> None:
        mask = (0xFF if lanes & 1 else 0) | (0xFF00 if lanes & 2 else 0)
        old = self.words.get(address >> 1, 0)
        self.words[address >> 1] = (old & ~mask) | (data & mask)
        self.log.append(Access(True, address, lanes, data))

    def read(self, address: int, lanes: int = 3) -> None:
        data = self.bend(address, self.words.get(address >> 1, 0))
        self.log.append(Access(False, address, lanes, data))


def wave_68000(accesses: Iterable[Access]) -> Wave:
    """UDS moves D8-D15, LDS D0-D7; no A0 pin."""
    idle = {"AS": 1, "UDS": 1, "LDS": 1, "RW": 1}
    wave = Wave().idle(**idle).put(0, "A1-A23", 0).put(0, "D0-D15", 0)
    for n, access in enumerate(accesses):
        start, read = 1000 * n + 100, not access.write
        wave.put(start + 62, "A1-A23", access.address >> 1).put(start + 125, "RW", int(read))
        wave.pulse("AS", start + 125, start + 500)
        for bit, line in ((1, "LDS"), (2, "UDS")):
            if access.lanes & bit:
                wave.pulse(line, start + (127 if read else 250), start + 500)
        # An idle half floats high, as nobody drives it in a read of one byte.
        wave.put(start + (420 if read else 187), "D0-D15", access.data)
        wave.put(start + 560, "D0-D15", 0xFFFF).put(start + 560, "RW", 1)
    return wave


def wave_8086(accesses: Iterable[Access]) -> Wave:
    """BHE moves D8-D15, A0 low moves D0-D7."""
    wave = Wave().idle(ALE=0, RD=1, WR=1, MIO=1, BHE=1).put(0, "AD0-AD15", 0).put(0, "A16-A19", 0)
    for n, access in enumerate(accesses):
        start = 1500 * n + 100
        wave.put(start + 20, "ALE", 1).put(start + 120, "ALE", 0).put(start + 10, "BHE", int(not access.lanes & 2))
        wave.put(start + 40, "AD0-AD15", access.address & 0xFFFF).put(start + 30, "A16-A19", access.address >> 16)
        begin = start + 220
        wave.put(begin - 20, "AD0-AD15", 0).pulse("WR" if access.write else "RD", begin, begin + 350)
        wave.put(begin + (40 if access.write else 190), "AD0-AD15", access.data)
        wave.put(begin + 350 + (110 if access.write else 20), "AD0-AD15", 0)
    return wave


def wave_65c816(accesses: Iterable[Access]) -> Wave:
    """The bank address is on the data bus in the low half of PHI2 (W65C816S data sheet); 1 MHz."""
    wave = Wave().idle(PHI2=0, RW=1, VDA=1, VPA=0).put(0, "A0-A15", 0).put(0, "D0-D7", 0)
    n = -1
    for n, access in enumerate(accesses):
        start = 1000 * n + 100
        wave.put(start + 10, "D0-D7", 0).put(start + 40, "A0-A15", access.address & 0xFFFF)
        wave.put(start + 40, "RW", int(not access.write)).put(start + 60, "D0-D7", access.address >> 16)
        wave.put(start + 500, "PHI2", 1)
        wave.put(start + (530 if access.write else 800), "D0-D7", access.data).put(start + 1000, "PHI2", 0)
    return wave.put(1000 * (n + 2) + 100, "PHI2", 0)


def write_vcd(wave: Wave, path: Path) -> Path:
    """The wave as a VCD of scalar lines, 1 ns ticks."""
    names = wave.lines
    time, levels, unknown = wave.columns(names)
    code = [f"s{k}" for k in range(len(names))]
    out = ["$timescale 1 ns $end"]
    out += [f"$var wire 1 {c} {name} $end" for c, name in zip(code, names, strict=True)]
    out.append("$enddefinitions $end")
    before: list[str] = [""] * len(names)
    for row in range(len(time)):
        words = [(int(levels[row, w]), int(unknown[row, w])) for w in range(levels.shape[1])]
        now = [
            "x" if words[k // 64][1] >> k % 64 & 1 else str(words[k // 64][0] >> k % 64 & 1) for k in range(len(names))
        ]
        changed = [now[k] + code[k] for k in range(len(names)) if now[k] != before[k]]
        out.append(f"#{int(time[row])} " + " ".join(changed))
        before = now
    path.write_text("\n".join(out) + "\n", encoding="ascii")
    return path
