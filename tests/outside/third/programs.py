"""What the machine does while it is captured: memory tests, ordinary programs, and mixtures of them."""

from __future__ import annotations

from collections.abc import Callable

from tests.outside.third.accesses import Accesses, FullError, Processor, Writer
from tests.outside.third.card import Card, Region, Rng
from tests.outside.third.intel import Intel, i8080, i8085, z80
from tests.outside.third.mc6800 import Mc6800
from tests.outside.third.mc6809 import Mc6809
from tests.outside.third.mc68008 import Mc68008
from tests.outside.third.mos6502 import Mos6502

PROCESSORS: dict[str, Callable[[Writer, int, int], Processor]] = {
    "6502": Mos6502, "6809": Mc6809, "z80": z80, "8085": i8085, "8080": i8080,
    "6800": Mc6800, "68008": Mc68008,
}  # fmt: skip


def _values(rng: Rng, kind: str, base: int, count: int) -> list[int]:
    if kind == "address":
        return [((base + k) ^ ((base + k) >> 8)) & 0xFF for k in range(count)]
    if kind == "checker":
        return [0x55 if (k ^ (k >> 5)) & 1 else 0xAA for k in range(count)]
    if kind == "walking":
        return [1 << (k % 8) for k in range(count)]
    if kind == "random":
        return [int(v) for v in rng.integers(0, 256, count)]
    return [int(kind, 16)] * count


def memory_test(p: Processor, rng: Rng, bank: Region, count: int, at: int) -> None:
    """One of the usual tests over ``count`` cells of a bank, from offset ``at`` on."""
    base = bank.start + at
    kind = str(rng.choice(["march", "address", "checker", "walking", "random", "random"]))
    if kind == "march":
        p.pattern_store(base, count, [0] * count)
        p.march(base, count, 0xFF, down=False)
        p.march(base, count, 0x00, down=True)
        p.verify(base, count)
        return
    p.pattern_store(base, count, _values(rng, kind, base, count))
    for _ in range(int(rng.integers(1, 3))):
        p.verify(base, count)
    if kind == "checker":
        p.pattern_store(base, count, [v ^ 0xFF for v in _values(rng, kind, base, count)])
        p.verify(base, count)


def whole_card(p: Processor, rng: Rng, card: Card, cycles: int) -> None:
    """Fills something of every bank, then reads all of it back: the test that finds what one bank does to another."""
    part = max(8, min(cycles // (60 * len(card.banks)), *(r.size for r in card.banks)))
    plan = [(r.start + int(rng.integers(0, 2)) * (r.size - part), part) for r in card.banks]
    for base, count in plan:
        p.pattern_store(base, count, _values(rng, str(rng.choice(["address", "random"])), base, count))
    for base, count in plan:
        p.verify(base, count)


def ordinary(p: Processor, rng: Rng, card: Card, rounds: int) -> None:
    """A program at work: variables, a text copied to a screen, a table looked up, a stack, a counter, devices."""
    banks = card.banks
    holes = open_addresses(card, rng)
    device = [r for r in card.regions if r.kind == "io"]
    if not any(c.endswith("15") for c in card.clipped):
        holes = []  # with high lines off they would pass for the ROM's or a bank's
    for _ in range(rounds):
        bank = banks[int(rng.integers(len(banks)))]
        what = int(rng.integers(7))
        size = min(bank.size, 0x100)
        try:
            if what == 0:
                picks = [int(x) for x in rng.integers(0, size, 8)]
                p.peek_poke(bank.start, size, picks, [int(x) for x in rng.integers(0, 256, 8)])
            elif what == 1:
                other = banks[int(rng.integers(len(banks)))]
                many = int(rng.integers(20, 80))
                p.copy(bank.start, other.start + min(other.size, 0x100) - many, many)
            elif what == 2:
                p.stack_use(bank.end, [int(x) for x in rng.integers(0, 256, 12)])
            elif what == 3:
                p.count_up(bank.start + int(rng.integers(4)), int(rng.integers(4, 40)))
            elif what == 4:  # a table, or a screen: written once, read many times
                many = int(rng.integers(30, 120))
                at = bank.start + int(rng.integers(max(1, bank.size - many)))
                p.pattern_store(at, many, [32 + int(x) for x in rng.integers(0, 64, many)])
                for _ in range(int(rng.integers(1, 5))):
                    p.verify(at, many)
            elif what == 5 and holes:
                p.outside([int(x) for x in rng.choice(holes, 3)])
            elif device:
                p.outside([device[0].start + int(x) for x in rng.integers(0, 4, 3)])
        except FullError:
            continue


def open_addresses(card: Card, rng: Rng) -> list[int]:
    """Some addresses where nothing answers; a decoder's unused part of a slot is not among them."""
    out = []
    for at in rng.integers(0, 0x10000, 40).tolist():
        slots = card.decoder and card.banks
        step = 1 << card.decoder.code[0] if card.decoder else 1
        near = any(r.start // step == at // step for r in card.banks) if slots else False
        if card.hit(at) is None and not near:
            out.append(at)
    return out[:4]


def run_program(card: Card, rng: Rng, length: int, style: str) -> tuple[Accesses, dict[int, int]]:
    """About ``length`` cycles; ``style``: ``tests``, ``one`` (a test of one bank only), ``work``, ``mixed``."""
    writer = Writer()
    rom = card.region("monitor")
    work = card.region("work")
    p = PROCESSORS[card.bus](writer, rom.start, work.start)
    p.table, p.limit = rom.start, rom.end - 0x20
    if isinstance(p, Intel):  # a decoder that does not know of the I/O space would answer there as well
        p.ports = card.decoder is None or ("MREQ", 0) in card.decoder.ties
        if card.bus == "8085" and "IOM" not in card.clipped:
            p.ports = rng.random() < 0.1  # the port number on both halves looks like an address then
    for k in range(0x100):
        writer.rom[rom.start + k] = int(rng.integers(0, 256))
    begin = int(rng.integers(0, 400)) if rng.random() < 0.5 else 0
    bank = card.banks[int(rng.integers(len(card.banks)))]
    share = {"tests": 1.0, "one": 1.0, "work": 0.0, "mixed": 0.5}[style]
    cells = sum(r.size for r in card.banks)
    sweep = 25 * cells * 3  # cycles that a full test of every cell would take, about
    turn = int(rng.integers(len(card.banks)))
    while len(writer) < length + begin:
        if rng.random() >= share:
            ordinary(p, rng, card, int(rng.integers(2, 6)))
            continue
        if style != "one" and rng.random() < 0.3:
            whole_card(p, rng, card, max(12, length // 8))
            continue
        if style != "one":
            turn += 1
            bank = card.banks[turn % len(card.banks)]
        part = max(16, int(bank.size * min(1.0, length / sweep)))
        part = min(part, 0x400 if rng.random() < 0.7 else 0x1000, bank.size)
        at = int(rng.integers(bank.size - part + 1)) if rng.random() < 0.6 else 0
        memory_test(p, rng, bank, part, at)
    whole = writer.done()
    return whole.cut(begin, min(len(whole), begin + length)), writer.rom
