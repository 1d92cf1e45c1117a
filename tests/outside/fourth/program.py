"""Programs: memory tests of the classic kinds and everyday work, as phases of reads and writes.

A phase is one loop of machine code: a body of accesses that is run for each of its steps. Sources of the tests:
van de Goor, "Testing Semiconductor Memories" (march C-, GALPAT, checkerboard, walking ones); the rest is what any
monitor ROM does (fill and compare, block moves, stacks, refreshing a display).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from random import Random

from tests.outside.fourth.layout import Board

COPY = -2  # a write of what was read last


@dataclass
class Phase:
    """One loop: `body` has "r", "w", "push" or "pop" for each access; a step gives each its (address, data)."""

    body: tuple[str, ...]
    steps: list[list[tuple[int, int]]]


def _sweep(body: str, cells: list[int], values: dict[str, Callable[[int], int]]) -> Phase:
    """A march element: "r", "wa", "wb" words by address, one step a cell."""
    words = body.split()
    steps = [[(a, -1 if word == "r" else values[word](a)) for word in words] for a in cells]
    return Phase(tuple(word[0] for word in words), steps)


def march_c(cells: list[int], rng: Random) -> list[Phase]:
    """March C-: up w0; up r0 w1; up r1 w0; down r0 w1; down r1 w0; r0."""
    zero = rng.choice((0x00, 0x55, 0x33))
    v: dict[str, Callable[[int], int]] = {"wa": lambda a: zero, "wb": lambda a: zero ^ 0xFF}
    down = cells[::-1]
    return [
        _sweep("wa", cells, v),
        _sweep("r wb", cells, v),
        _sweep("r wa", cells, v),
        _sweep("r wb", down, v),
        _sweep("r wa", down, v),
        _sweep("r", cells, v),
    ]


def checkerboard(cells: list[int], rng: Random) -> list[Phase]:
    """Fifty-fives and AAs in turn, read, then the other way round."""
    out = []
    for flip in (0, 0xFF):
        v: dict[str, Callable[[int], int]] = {"wa": lambda a, f=flip: (0x55 if a & 1 else 0xAA) ^ f}  # type: ignore[misc]
        out += [_sweep("wa", cells, v), _sweep("r", cells, v)]
    return out


def walking(cells: list[int], rng: Random) -> list[Phase]:
    """A one (or a nought) walks through the byte of each cell, written and read at once."""
    flip = rng.choice((0, 0xFF))
    few = cells[:: max(1, len(cells) // 24)]
    return [Phase(("w", "r"), [[(a, 1 << bit ^ flip), (a, -1)] for a in few for bit in range(8)])]


def address_test(cells: list[int], rng: Random) -> list[Phase]:
    """Each cell holds its own address (both bytes mixed), all written before any is read; then the complement."""
    out = []
    for flip in (0, 0xFF):
        v: dict[str, Callable[[int], int]] = {"wa": lambda a, f=flip: (a ^ a >> 8) & 0xFF ^ f}  # type: ignore[misc]
        out += [_sweep("wa", cells, v), _sweep("r", cells, v)]
    return out


def random_pattern(cells: list[int], rng: Random) -> list[Phase]:
    """Bytes of a generator with a seed, written to all and read from all."""
    out = []
    for _ in range(2):
        table = {a: rng.getrandbits(8) for a in cells}
        out += [_sweep("wa", cells, {"wa": table.__getitem__}), _sweep("r", cells, {})]
    return out


def galpat(cells: list[int], rng: Random) -> list[Phase]:
    """GALPAT over a dozen cells: one cell is the odd one, read in turn with each other."""
    few = cells[:12]
    ping = []
    for base in few:
        ping.append(Phase(("w",), [[(base, 0xFF)]]))
        ping.append(Phase(("r", "r"), [[(other, -1), (base, -1)] for other in few if other != base]))
        ping.append(Phase(("w",), [[(base, 0x00)]]))
    return [Phase(("w",), [[(a, 0)] for a in few]), *ping]


def fill_compare(cells: list[int], rng: Random) -> list[Phase]:
    """A block is filled with one byte, then compared twice."""
    byte = rng.choice((0xE5, 0x20, 0x76, 0xFF, 0x00))
    v: dict[str, Callable[[int], int]] = {"wa": lambda a: byte}
    return [_sweep("wa", cells, v), _sweep("r", cells, v), _sweep("r", cells, v)]


def move(cells: list[int], rng: Random) -> list[Phase]:
    """Text is laid down in the lower half, moved to the upper half, and read there."""
    half = len(cells) // 2
    text = b"FLOW 3 TANK 7 LEVEL 0412 PUMP ON  SET 19.5 DEG " * 40
    lower, upper = cells[:half], cells[half : 2 * half]
    lay = Phase(("w",), [[(a, text[i])] for i, a in enumerate(lower)])
    carry = Phase(("r", "w"), [[(a, -1), (b, COPY)] for a, b in zip(lower, upper, strict=True)])
    return [lay, carry, Phase(("r",), [[(b, -1)] for b in upper])]


def stack(cells: list[int], rng: Random) -> list[Phase]:
    """Registers are pushed in nests of up to eight pairs and pulled again."""
    area = cells[:32]
    down = area[::-1]
    pushes, pops = [], []
    for _ in range(3):
        deep = rng.choice((4, 8, 16)) * 2
        pushes.append(
            Phase(
                ("push", "push"),
                [
                    [(a, rng.getrandbits(8)), (b, rng.getrandbits(8))]
                    for a, b in zip(down[:deep:2], down[1:deep:2], strict=False)
                ],
            )
        )
        back = down[:deep][::-1]
        pops.append(Phase(("pop", "pop"), [[(a, -1), (b, -1)] for a, b in zip(back[::2], back[1::2], strict=False)]))
    return [phase for pair in zip(pushes, pops, strict=True) for phase in pair]


def screen(cells: list[int], rng: Random) -> list[Phase]:
    """A display's bytes: written once, then read over and over, a byte changed now and then."""
    out = [Phase(("w",), [[(a, rng.randrange(32, 96))] for a in cells])]
    for _ in range(4):
        out.append(Phase(("r",), [[(a, -1)] for a in cells]))
        spot = rng.choice(cells)
        out.append(Phase(("w",), [[(spot, rng.randrange(32, 96))]]))
    return out


TESTS = (march_c, checkerboard, walking, address_test, random_pattern, galpat, fill_compare, move, stack, screen)
THOROUGH = (march_c, address_test, random_pattern)


def cells_of(start: int, bits: int, count: int, rng: Random) -> list[int]:
    """A block of neighbours and, at steps of each power of two from it, the cells that show address lines."""
    size = 1 << bits
    block = min(size, count)
    base = start + rng.randrange(0, size // block) * block
    far = [start + ((base - start) ^ 1 << bit) for bit in range(bits)]
    return sorted({base + i for i in range(block)} | set(far))


def draw_program(board: Board, rng: Random, accesses: int = 3000, rows: list[int] | None = None) -> list[Phase]:
    """A boot ROM's round: two to four tests over the rows, at least one of them thorough; `accesses` is a wish."""
    rows = rows if rows is not None else list(range(len(board.rows)))
    tests = [rng.choice(THOROUGH), *rng.sample(TESTS, rng.choice((1, 2, 2, 3)))]
    if board.bus == "6502":
        tests = [test for test in tests if test is not stack]  # its stack is page one, on the processor board
    rng.shuffle(tests)
    each = max(12, accesses // (len(rows) * sum(10 if test in THOROUGH else 5 for test in tests)))
    phases: list[Phase] = []
    together = rng.random() < 0.5
    areas = [cells_of(board.rows[row].start, board.rows[row].bits, each, rng) for row in rows]
    for test in tests:
        if together and test in (address_test, random_pattern, march_c, checkerboard):
            phases += test([a for area in areas for a in area], rng)
        else:
            for area in areas:
                phases += test(area, rng)
    return phases
