"""Captures of a 1 MHz bus as long as one likes, written at memory speed, with the board file they belong to.

A made-up 6502 card: a memory test over banks of 1 K behind one bus driver, between opcode fetches, sampled at 24 MHz
with every channel up to a sample late. One period of traffic is spelled once; its time stamps, of twelve digits, are
filled in again for every repetition. Deterministic.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

__all__ = ["Traffic", "board_text", "chunks", "write"]

DIGITS = 12
FIRST_NS = 10**11  # the first stamp has twelve digits, and so have all for fifteen minutes
CYCLE_NS = 1000
WORDS = 1024


@dataclass(frozen=True)
class Traffic:
    """What one period holds.

    Parameters
    ----------
    banks : regions from 4000h up, each with a select line
    words : bytes in each of them, at most 1 K; the last one ends before E000h
    extra : channels beside the bus's, that move but belong to no line
    wrong : reads of the second bank a period that see D2 low
    """

    banks: int = 2
    words: int = WORDS
    extra: int = 0
    wrong: int = 0

    @property
    def lines(self) -> list[str]:
        """Channel names: 28 of them with two banks and nothing extra."""
        bus = ["PHI2", "RW", *(f"A{n}" for n in range(16)), *(f"D{n}" for n in range(8))]
        return [*bus, *(f"CS{n}" for n in range(self.banks)), *(f"spare{n}" for n in range(self.extra))]


def board_text(traffic: Traffic) -> str:
    """The board file."""
    text = '[board]\nname = "Signal-box memory card"\nbus = "6502"\n'
    for n in range(traffic.banks):
        start, last = 0x4000 + n * traffic.words, 0x3FFF + (n + 1) * traffic.words
        text += f'[[region]]\nname = "bank{n}"\nstart = {start:#x}\nend = {last:#x}\nkind = "ram"\n'
        text += f'select = "CS{n}"\nchips = [ {{ designator = "U{2 * n + 1}", part = "2114", lanes = "D0-D3" }},\n'
        text += f'{{ designator = "U{2 * n + 2}", part = "2114", lanes = "D4-D7" }} ]\n'
    shared = max(70, 2 * traffic.banks + 1)
    if traffic.banks <= 8 and traffic.words == WORDS:
        outputs = ", ".join(f'Y{n} = "CS{n}"' for n in range(traffic.banks))
        text += f'[[decoder]]\ndesignator = "U{shared}"\npart = "74LS138"\n'
        text += 'inputs = { A = "A10", B = "A11", C = "A12", G1 = "A14", G2A = "A13", G2B = "A15" }\n'
        text += f"outputs = {{ {outputs} }}\n"
    serves = ", ".join(f'"bank{n}"' for n in range(traffic.banks))
    text += f'[[buffer]]\ndesignator = "U{shared + 1}"\npart = "74LS245"\nlanes = "D0-D7"\n'
    return text + f'serves = [{serves}]\ndirection = {{ line = "RW", to_cpu = 1 }}\n'


def _accesses(traffic: Traffic, rng: random.Random) -> list[tuple[int, int, int]]:
    """(address, read, data) of one period: write every bank, read it back, one fetch in three cycles."""
    made: list[tuple[int, int, int]] = []
    for bank in range(traffic.banks):
        base = 0x4000 + bank * traffic.words
        held = [rng.randrange(256) for _ in range(traffic.words)]
        able = [n for n, value in enumerate(held) if value & 4]
        spoilt = set(rng.sample(able, traffic.wrong)) if bank == 1 else set()
        for read in (0, 1, 1):
            for n, value in enumerate(held):
                if n % 2 == 0:
                    made.append((0xE000 + (len(made) & 0xFFF), 1, (len(made) * 89 + 7) & 0xFF))
                made.append((base + n, read, value & ~4 if read and n in spoilt else value))
                spoilt -= {n} if read else set()
    return made


def _spelled(traffic: Traffic) -> tuple[NDArray[np.uint8], NDArray[np.int64], NDArray[np.int64], int]:
    """Bytes of one period, where each stamp's digits lie, each stamp's ns from its start, ns of the whole."""
    rng = random.Random(6502)
    level: dict[str, int | None] = dict.fromkeys(traffic.lines)  # None: a period says every level, whatever went before
    code = {name: _code(n) for n, name in enumerate(traffic.lines)}
    text, places, offsets = bytearray(), [], []

    def put(when: int, wanted: dict[str, int]) -> None:
        moved = [name for name, value in wanted.items() if level[name] != value]
        if moved:
            level.update(wanted)
            places.append(len(text) + 1)
            offsets.append(when)
            text.extend(b"#" + b"0" * DIGITS + b" " + " ".join(f"{level[m]}{code[m]}" for m in moved).encode() + b"\n")

    accesses = _accesses(traffic, rng)
    late = {name: rng.random() < 0.5 for name in traffic.lines}
    for number, (address, read, data) in enumerate(accesses):
        start = number * CYCLE_NS
        new = {f"A{n}": address >> n & 1 for n in range(16)} | {"RW": read}
        new |= {f"CS{n}": int((address - 0x4000) // traffic.words != n) for n in range(traffic.banks)}
        new |= {f"spare{n}": rng.getrandbits(1) for n in range(traffic.extra)}
        lanes = {f"D{n}": data >> n & 1 for n in range(8)}
        put(start, {"PHI2": 0})
        put(start + 125, {k: v for k, v in new.items() if not late[k]})
        put(start + 167, {k: v for k, v in new.items() if late[k]})
        put(start + 500, {"PHI2": 1})
        put(start + 667, {k: v for k, v in lanes.items() if not late[k]})
        put(start + 708, {k: v for k, v in lanes.items() if late[k]})
    put(len(accesses) * CYCLE_NS - 42, {})
    whole = np.frombuffer(bytes(text), np.uint8).copy()
    return whole, np.array(places, np.int64), np.array(offsets, np.int64), len(accesses) * CYCLE_NS


def _code(number: int) -> str:
    return chr(33 + number) if number < 90 else chr(33 + number % 90) + chr(33 + number // 90)


def chunks(traffic: Traffic, size: int) -> Iterator[bytes]:
    """About ``size`` bytes of capture (whole periods, at least one), a few hundred kilobytes at a time."""
    head = "$timescale 1 ns $end\n$scope module bus $end\n"
    head += "".join(f"$var wire 1 {_code(n)} {name} $end\n" for n, name in enumerate(traffic.lines))
    head += "$upscope $end\n$enddefinitions $end\n"
    start = f"#{FIRST_NS - 1000} " + " ".join(f"0{_code(n)}" for n in range(len(traffic.lines))) + "\n"
    yield (head + start).encode()
    body, places, offsets, span = _spelled(traffic)
    powers = 10 ** np.arange(DIGITS - 1, -1, -1, dtype=np.int64)
    columns = places[:, None] + np.arange(DIGITS)
    written, now = 0, FIRST_NS
    while written == 0 or written + len(body) <= size:
        body[columns] = ((now + offsets)[:, None] // powers % 10 + 48).astype(np.uint8)
        yield body.tobytes()
        written, now = written + len(body), now + span


def write(path: Path, size: int, traffic: Traffic = Traffic()) -> float:
    """Write the capture and ``card.toml`` beside it; seconds of bus time in it."""
    with path.open("wb") as out:
        count = sum(1 for chunk in chunks(traffic, size) if out.write(chunk))
    path.with_name("card.toml").write_text(board_text(traffic), encoding="utf-8")
    return (count - 1) * _spelled(traffic)[3] * 1e-9
