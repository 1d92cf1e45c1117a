"""What the processor does to the card: tests and ordinary programs, as a list of data accesses without a bus."""

from __future__ import annotations

import random
from dataclasses import dataclass

MARCHES: dict[str, list[tuple[str, str]]] = {
    "MATS+": [("any", "w0"), ("up", "r0w1"), ("dn", "r1w0")],
    "MATS++": [("any", "w0"), ("up", "r0w1"), ("dn", "r1w0r0")],
    "March X": [("any", "w0"), ("up", "r0w1"), ("dn", "r1w0"), ("any", "r0")],
    "March Y": [("any", "w0"), ("up", "r0w1r1"), ("dn", "r1w0r0"), ("any", "r0")],
    "March C-": [("any", "w0"), ("up", "r0w1"), ("up", "r1w0"), ("dn", "r0w1"), ("dn", "r1w0"), ("any", "r0")],
    "Marching 1/0": [("any", "w0"), ("up", "r0w1r1"), ("dn", "r1w0r0"),
                     ("any", "w1"), ("up", "r1w0r0"), ("dn", "r0w1r1")],
}  # fmt: skip


@dataclass
class Op:
    """One data access: 'r', 'w' or 'p' (a pause of so many cycles). src: the op whose data is written, plus add."""

    what: str
    address: int
    data: int = 0
    src: int = -1
    add: int = 0


class Traffic:
    """Builds the list of accesses, up to a number of them."""

    def __init__(self, rng: random.Random, areas: list[tuple[int, int]], most: int) -> None:
        self.rng = rng
        self.areas = areas
        self.most = most
        self.ops: list[Op] = []

    def full(self) -> bool:
        """Whether there is enough."""
        return len(self.ops) >= self.most

    def read(self, address: int) -> int:
        """A read; its index."""
        self.ops.append(Op("r", address))
        return len(self.ops) - 1

    def write(self, address: int, data: int, src: int = -1, add: int = 0) -> None:
        """A write."""
        self.ops.append(Op("w", address, data & 0xFF, src, add))

    def pause(self, cycles: int) -> None:
        """Time without access to the card."""
        self.ops.append(Op("p", cycles))

    def cells(self, area: tuple[int, int], count: int) -> list[int]:
        """Some addresses of an area: a window, a scatter, or every combination of a few address bits."""
        start, size = area
        count = max(4, min(count, size))
        if count >= size:
            return list(range(start, start + size))
        style = self.rng.random()
        bits = (size - 1).bit_length()
        if style < 0.35:
            at = self.rng.randrange(0, size - count + 1)
            return list(range(start + at, start + at + count))
        if style < 0.8:
            chosen = sorted(self.rng.sample(range(bits), min(bits, count.bit_length() - 1)))
            fixed = self.rng.randrange(size)
            for bit in chosen:
                fixed &= ~(1 << bit)
            every = range(1 << len(chosen))
            out = [start + (fixed | sum((n >> i & 1) << b for i, b in enumerate(chosen))) for n in every]
            rest = [b for b in range(bits) if b not in chosen]
            out += [start + ((out[0] - start) ^ (1 << b)) for b in rest]
            return sorted({a for a in out if a < start + size})
        return sorted(start + a for a in self.rng.sample(range(size), count))

    def share(self, per_cell: float) -> int:
        """Cells of one area that an even share of what is left allows."""
        left = max(16, self.most - len(self.ops))
        return max(4, int(left / len(self.areas) / per_cell))

    def march(self) -> None:
        """A march test over part of each area."""
        name = self.rng.choice(list(MARCHES))
        elements = MARCHES[name]
        per_cell = sum(len(text) // 2 for _, text in elements)
        zero = self.rng.choice([0x00, 0x00, 0x55, 0x33, 0x0F, 0xAA, self.rng.randrange(256)])
        together = self.rng.random() < 0.3
        sets = [self.cells(area, self.share(per_cell)) for area in self.areas]
        if together:
            sets = [sorted(a for cells in sets for a in cells)]
        for cells in sets:
            for way, text in elements:
                for address in reversed(cells) if way == "dn" else cells:
                    for at in range(0, len(text), 2):
                        data = zero if text[at + 1] == "0" else zero ^ 0xFF
                        if text[at] == "r":
                            self.read(address)
                        else:
                            self.write(address, data)
                if self.rng.random() < 0.15:
                    self.pause(self.rng.randint(20, 400))

    def checker(self) -> None:
        """Two checkerboards, each read back once or twice."""
        sets = [self.cells(area, self.share(5)) for area in self.areas]
        order = [a for cells in sets for a in cells]
        for invert in (0, 0xFF):
            for address in order:
                self.write(address, (0x55 if (address ^ address >> 1) & 1 else 0xAA) ^ invert)
            for _ in range(self.rng.randint(1, 2)):
                for address in order:
                    self.read(address)

    def address(self) -> None:
        """Each cell holds its own address (low byte, or both bytes mixed); then the complement."""
        mix = self.rng.random() < 0.6
        sets = [self.cells(area, self.share(4)) for area in self.areas]
        order = [a for cells in sets for a in cells]
        for invert in (0, 0xFF):
            for address in order:
                self.write(address, (address ^ (address >> 8 if mix else 0)) & 0xFF ^ invert)
            for address in order if self.rng.random() < 0.6 else reversed(order):
                self.read(address)

    def random(self) -> None:
        """Random data in a working set, written and read at random."""
        sets = [self.cells(area, self.share(self.rng.choice([3, 6, 12]))) for area in self.areas]
        pool = [a for cells in sets for a in cells]
        written: list[int] = []
        writes = self.rng.uniform(0.3, 0.6)
        while not self.full():
            if not written or self.rng.random() < writes:
                at = self.rng.choice(pool)
                self.write(at, self.rng.randrange(256))
                written.append(at)
            else:
                self.read(self.rng.choice(written) if self.rng.random() < 0.9 else self.rng.choice(pool))

    def ordinary(self) -> None:
        """A program's day: a stack, counters, tables, strings."""
        rng = self.rng
        start, size = rng.choice(self.areas)
        stack = start + size - 1
        depth = 0
        span = min(size // 2, 64)
        variables = [a + rng.randrange(s // 2) for a, s in self.areas for _ in range(6)]
        tables = [(a + rng.randrange(max(1, s - 40)), min(s, 32)) for a, s in self.areas]
        for at in variables:
            self.write(at, rng.randrange(256) if rng.random() < 0.5 else 0)
        for at, length in tables:
            for step in range(length):
                self.write(at + step, rng.randrange(256))
        while not self.full():
            pick = rng.random()
            if pick < 0.3 and depth < span - 4:
                for byte in (rng.randrange(256), rng.choice([0xE0, 0xF1, 0x12])):
                    self.write(stack - depth, byte)
                    depth += 1
            elif pick < 0.55 and depth >= 2:
                for _ in range(2):
                    depth -= 1
                    self.read(stack - depth)
            elif pick < 0.75:
                at = rng.choice(variables)
                self.write(at, 0, self.read(at), rng.choice([1, 1, 255, 2]))
            elif pick < 0.92:
                at, length = rng.choice(tables)
                begin = rng.randrange(length)
                for step in range(rng.randint(1, 8)):
                    self.read(at + (begin + step) % length)
            else:
                at, length = rng.choice(tables)
                self.write(at + rng.randrange(length), rng.randrange(256))

    def copy(self) -> None:
        """Fills a block, copies it about, reads the copy."""
        rng = self.rng
        while not self.full():
            a, size_a = rng.choice(self.areas)
            b, size_b = rng.choice(self.areas)
            length = min(rng.randint(16, 200), size_a // 2, size_b // 2)
            source = a + rng.randrange(size_a // 2 - length + 1)
            target = b + size_b // 2 + rng.randrange(size_b - size_b // 2 - length + 1)
            for step in range(length):
                self.write(source + step, rng.randrange(256))
            for step in range(length):
                self.write(target + step, 0, self.read(source + step))
            for step in range(length):
                self.read(target + step)


PROGRAMS = ("march", "checker", "address", "random", "ordinary", "copy")


def draw_traffic(rng: random.Random, areas: list[tuple[int, int]], most: int) -> tuple[str, list[Op]]:
    """One program, or two after another."""
    traffic = Traffic(rng, areas, most)
    first = rng.choices(PROGRAMS, weights=[5, 2, 3, 4, 3, 2])[0]
    second = rng.choice(PROGRAMS) if rng.random() < 0.35 else first
    named = first if first == second else f"{first}+{second}"
    if first != second:
        traffic.most = int(most * rng.uniform(0.4, 0.7))
    getattr(traffic, first)()
    traffic.most = most
    if first in ("ordinary", "random") and second != first:
        rng.shuffle(traffic.areas)
    rounds = 0
    while not traffic.full() and rounds < 6:
        getattr(traffic, second)()
        rounds += 1
    return named, traffic.ops[: most + 64]
