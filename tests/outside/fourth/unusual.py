"""Sound cards that look unsound: one case for each rival of the design page's table, and a few more.

Each builder changes a sound case and says which rivals are right answers; "" among them: nothing need be said.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable
from random import Random

from tests.outside.fourth.case import Case
from tests.outside.fourth.layout import Board, Row, draw_board
from tests.outside.fourth.physics import Fault
from tests.outside.fourth.processors import OUT, WRITE
from tests.outside.fourth.program import draw_program

Builder = Callable[[Case, Random], list[str]]


class Memory:
    """Sound memory of the card's rows, with things done to it by others."""

    def __init__(self, case: Case, rng: Random) -> None:
        self.rng = Random(rng.getrandbits(32))
        self.banks: list[dict[int, int]] = [{}, {}]
        self.case = case

    def bank(self, number: int) -> int:
        """Which bank answers at a cycle."""
        return 0

    def before(self, number: int, address: int) -> None:
        """What others do before a cycle."""

    def __call__(self, number: int, kind: int, address: int, data: int, now: float) -> int | None:
        if kind == OUT or self.case.board.row_at(address) < 0:
            return None
        self.before(number, address)
        cells = self.banks[self.bank(number)]
        if kind == WRITE:
            cells[address] = data
            return data
        return cells.setdefault(address, self.rng.getrandbits(8))


def _wires(case: Case, data: bool, rng: Random) -> str:
    if data:
        return f"D{rng.randrange(8)}"
    low = 8 if case.board.bus == "8085" else 0
    return f"A{rng.randrange(low, max(low + 1, case.board.rows[0].bits))}"


def clip_off(case: Case, rng: Random) -> list[str]:
    """A clip is off: all the time, for a while, or from some moment on."""
    start, end = rng.choice(((0.0, 1.0), (0.3, 0.55), (0.6, 1.0), (0.45, 0.5), (0.2, 1.0)))
    line = _wires(case, rng.random() < 0.5, rng)
    case.analyser.dead[line] = (start, end, rng.randrange(2))
    case.note = f"clip of {line} off from {start} to {end}"
    return ["clip-off"]


def clip_noisy(case: Case, rng: Random) -> list[str]:
    """A clip with a bad contact: samples are wrong now and then."""
    line = _wires(case, rng.random() < 0.6, rng)
    case.analyser.noisy[line] = rng.choice((0.003, 0.01, 0.03, 0.1))
    case.note = f"clip of {line} noisy, {case.analyser.noisy[line]}"
    return ["clip-noisy", "clip-off"]


def clips_exchanged(case: Case, rng: Random) -> list[str]:
    """Two clips of one kind are exchanged; a ROM image shows it."""
    case.board.rom_listed = True
    if rng.random() < 0.5 or case.board.bus == "8085":
        a, b = rng.sample(range(8), 2)
        case.analyser.exchanged = (f"D{a}", f"D{b}")
    else:
        a, b = rng.sample(range(min(8, case.board.rows[0].bits)), 2)
        case.analyser.exchanged = (f"A{a}", f"A{b}")
    case.note = f"clips exchanged: {case.analyser.exchanged}"
    return ["clips-exchanged"]


def too_slow(case: Case, rng: Random) -> list[str]:
    """One or two samples a strobe, or fewer."""
    case.analyser.period *= rng.uniform(4, 9) if case.analyser.period * 20 < case.timing.clock else rng.uniform(3, 5)
    case.note = f"sampled each {case.analyser.period:.0f} ns"
    return ["too-slow", "clip-noisy", ""]


def ringing(case: Case, rng: Random) -> list[str]:
    """A strobe rings: a second pair of edges a sample after some."""
    line = {"z80": "RD", "8085": "RD", "6809": "E"}.get(case.board.bus, "PHI2")
    if case.board.bus in ("z80", "8085") and rng.random() < 0.5:
        line = "WR"
    case.analyser.ringing[line] = rng.choice((0.01, 0.05, 0.2))
    case.note = f"{line} rings after {case.analyser.ringing[line]} of its edges"
    return ["clip-noisy", "too-slow", ""]


def device(case: Case, rng: Random) -> list[str]:
    """A few addresses of a row are a device's registers."""
    row = rng.choice(case.board.rows)
    cells = [a for a in case.used_cells() if row.start <= a <= row.end]
    first = rng.choice(cells) & ~3
    many = rng.choice((1, 2, 4))
    beat = rng.choice((1, 7, 50))
    status = rng.getrandbits(8)

    def overlay(number: int, kind: int, address: int, data: int, now: float) -> int | None:
        if not first <= address < first + many:
            return None
        if kind == WRITE:
            return data
        return (status ^ number // beat * (address + 1)) & 0xFF

    case.overlay = overlay
    case.note = f"device registers at {first:04X}, {many}"
    return ["device", "shared"]


def _protected(case: Case, first: int, last: int, rng: Random) -> None:
    contents = Random(rng.getrandbits(30))
    image = {a: contents.getrandbits(8) for a in range(first, last + 1)}

    def overlay(number: int, kind: int, address: int, data: int, now: float) -> int | None:
        if first <= address <= last:
            return data if kind == WRITE else image[address]
        return None

    case.overlay = overlay


def write_protected(case: Case, rng: Random) -> list[str]:
    """A page or half a row is protected from writes, under chips that otherwise work."""
    row = rng.choice(case.board.rows)
    size = 1 << (row.bits - rng.choice((1, 2)))
    cells = [a for a in case.used_cells() if row.start <= a <= row.end]
    first = rng.choice(cells) & ~(size - 1)
    _protected(case, first, first + size - 1, rng)
    case.note = f"writes do not take in {first:04X}-{first + size - 1:04X}"
    return ["read-only"]


def shadow_rom(case: Case, rng: Random) -> list[str]:
    """A row reads a ROM; writes go to memory under it that is never read."""
    row = rng.choice(case.board.rows)
    _protected(case, row.start, row.end, rng)
    case.note = f"{row.name} reads a ROM"
    return ["read-only", "write-lost"]


def mirror(case: Case, rng: Random) -> list[str]:
    """A row without a board file answers twice: half the memory, seen again."""
    row = rng.randrange(len(case.board.rows))
    line = case.board.rows[row].bits - 1
    case.faults = [Fault("address-stuck", "region", None, (row,), None, (), (line,))]
    case.board.without_board, case.board.selects_clipped = True, False
    case.note = f"{case.board.rows[row].name} is seen twice, A{line} is not decoded"
    return ["mirrored", "address-stuck"]


class Banked(Memory):
    """Two banks in one row, for two tasks that take turns; the latch that switches them is not clipped."""

    def __init__(self, case: Case, rng: Random) -> None:
        super().__init__(case, rng)
        self.row = case.board.rows[0]

    def bank(self, number: int) -> int:
        return bisect_right(self.case.marks, number) & 1

    def __call__(self, number: int, kind: int, address: int, data: int, now: float) -> int | None:
        if not self.row.start <= address <= self.row.end:
            return None
        return super().__call__(number, kind, address, data, now)


def banked(case: Case, rng: Random) -> list[str]:
    """A row is switched between two banks by something without a clip."""
    tasks = [draw_program(case.board, rng, 1200, rows=[0]) for _ in range(2)]
    case.assemble([phase for pair in zip(*tasks, strict=False) for phase in pair], rng)
    case.overlay = Banked(case, rng)
    case.note = f"{case.board.rows[0].name} switched between two banks, a task in each"
    return ["banked", "contents-lost", "shared"]


class Shared(Memory):
    """Another processor writes into a mailbox, unseen."""

    def __init__(self, case: Case, rng: Random, first: int, size: int, chance: float) -> None:
        super().__init__(case, rng)
        self.first, self.size, self.chance = first, size, chance

    def before(self, number: int, address: int) -> None:
        if self.first <= address < self.first + self.size and self.rng.random() < self.chance:
            self.banks[0][address] = self.rng.getrandbits(8)


def shared(case: Case, rng: Random) -> list[str]:
    """A block is shared with another master, whose writes are not on this bus."""
    row = rng.choice(case.board.rows)
    cells = [a for a in case.used_cells() if row.start <= a <= row.end]
    size = rng.choice((8, 32, 64))
    first = rng.choice(cells) & ~(size - 1)
    case.overlay = Shared(case, rng, first, size, rng.choice((0.05, 0.3)))
    case.note = f"another master writes in {first:04X}-{first + size - 1:04X}"
    return ["shared", "device"]


class Lost(Memory):
    """At one moment every cell takes a random value."""

    def __init__(self, case: Case, rng: Random) -> None:
        super().__init__(case, rng)
        self.when = int(len(case.cycles) * rng.uniform(0.2, 0.8))
        self.done = False

    def before(self, number: int, address: int) -> None:
        if number >= self.when and not self.done:
            self.done = True
            self.banks[0].clear()


def contents_lost(case: Case, rng: Random) -> list[str]:
    """The supply dips once: the whole card forgets."""
    overlay = Lost(case, rng)
    case.overlay = overlay
    case.note = f"all contents lost at cycle {overlay.when}"
    return ["contents-lost"]


def other_image(case: Case, rng: Random) -> list[str]:
    """The image in the board file is of another version of the ROM."""
    case.board.rom_listed = True
    image = bytearray(case.board.rom)
    run = sorted(
        {a - case.board.rom_start for k, a, _, _ in case.cycles[:3000] if 0 <= a - case.board.rom_start < len(image)}
    )
    at = rng.choice(run)
    for offset in range(at, min(len(image), at + rng.choice((3, 8, 30)))):
        image[offset] = rng.getrandbits(8)
    for offset in range(0x600, 0x680):
        image[offset] = rng.getrandbits(8)
    case.image = bytes(image)
    case.note = f"image differs from {case.board.rom_start + at:04X} on"
    return ["other-image", ""]


def nibble(case: Case, rng: Random) -> list[str]:
    """Memory of four bits, without a board file: the upper half of the bus floats."""
    board = case.board
    board.rows = [
        Row(r.name, r.start, r.bits, tuple(c for c in r.chips if min(c.lanes) < 4 and max(c.lanes) < 4), r.select)
        for r in board.rows
    ]
    board.drivers = []
    board.without_board, board.selects_clipped = True, False
    case.note = "memory of four bits, D4-D7 float"
    return ["nibble"]


def lost_samples(case: Case, rng: Random) -> list[str]:
    """A sound card; the analyser loses a good part of its samples."""
    at = rng.uniform(0.1, 0.6)
    case.analyser.gap = (at, at + rng.uniform(0.02, 0.25))
    case.note = "samples lost"
    return [""]


def many_strays(case: Case, rng: Random) -> list[str]:
    """A sound card with many stray pulses away from the strobes."""
    case.analyser.strays = 800
    case.note = "many stray pulses"
    return [""]


BUILDERS: tuple[Builder, ...] = (
    clip_off, clip_off, clip_noisy, clips_exchanged, too_slow, ringing, device, write_protected, shadow_rom, mirror,
    banked, shared, contents_lost, other_image, nibble, lost_samples, many_strays,
)  # fmt: skip


SHOWING = (device, write_protected, shadow_rom, mirror, banked, shared, contents_lost, nibble)


def _board_for(builder: Builder, rng: Random) -> Board:
    while True:
        board = draw_board(rng)
        if builder is nibble and not all(
            c.part in ("2111", "2101", "2112", "2114") and max(c.lanes) < 4 for r in board.rows for c in r.chips[:1]
        ):
            continue
        if builder is nibble and any(
            sorted(x for c in r.chips[:1] for x in c.lanes) != [0, 1, 2, 3] for r in board.rows
        ):
            continue
        return board


def make_unusual(seed: int, rng: Random) -> Case:
    """The case of a seed: builders take turns."""
    builder = BUILDERS[seed % len(BUILDERS)]
    board = _board_for(builder, rng)
    for _ in range(12):
        case = Case(board, seed, "unusual")
        case.assemble(draw_program(board, rng, 3000), rng)
        case.rivals = builder(case, rng)
        case.settle()
        if builder not in SHOWING or len(case.account.wrong) >= 6:
            break
    case.note = f"{builder.__name__}: {case.note}"
    return case
